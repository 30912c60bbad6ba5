"""Photos into the trial: found, examined, bound to plants, copied, entered in the ledger."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from counting import __version__
from counting.errors import CountingError, Refusal
from counting.flags import Flag
from counting.ledger import Ledger, Told
from counting.ledger.facts import Exclusion, Photo, Slot, left_out, photos, to_name
from counting.photos.binding import Codes, Given
from counting.photos.claims import Found, against, best, once
from counting.photos.copying import place
from counting.photos.examine import Examined, Wanted
from counting.photos.gather import Batch, gather
from counting.photos.looking import Progress, bound, look
from counting.photos.notes import Notes
from counting.photos.places.beside import about_views_beside, settle_views
from counting.photos.places.days import Days
from counting.photos.places.remarks import (
    about_neighbours,
    about_order,
    about_sides,
    about_views,
    without_photo,
)
from counting.plan.mark import TrialMark
from counting.plan.trial import Trial
from counting.tables import PHOTOS, frame

__all__ = ["TakenIn", "take_in"]

_BATCH = 100
"""Photos entered in the ledger in one go."""
_ANY = Batch()
_FURTHER_VIEW = "a further view"
"""How the reason begins for which a photo is kept that shows what a better one does."""


@dataclass(frozen=True, slots=True)
class TakenIn:
    """What became of the photos given.

    Attributes
    ----------
    taken : DataFrame
        Photos newly taken in, columns `counting.tables.PHOTOS`.
    again : int
        Photos left alone because the same bytes are in the trial already.
    refused : list of Refusal
        Photos left out, with the reason.
    local_time : int
        Photos taken in whose time carries no offset from UTC; it was kept as written.
    guards : tuple of str
        Guard plants among those of `taken`; their photos are kept but never counted from.
    remarks : tuple of str
        What a person should know: other days, sides to name, further views, swapped tags.
    without_photo : mapping of str to sequence of str
        Survey of these photos to the plants that have none yet.
    """

    taken: pd.DataFrame
    again: int
    refused: list[Refusal]
    local_time: int = 0
    guards: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    without_photo: Mapping[str, Sequence[str]] = field(default_factory=dict)


def take_in(
    trial: Trial,
    paths: Iterable[Path],
    *,
    batch: Batch = _ANY,
    replace: bool = False,
    progress: Progress | None = None,
) -> TakenIn:
    """Take photos into a trial; a bad one does not stop the others.

    Parameters
    ----------
    trial : Trial
        The trial.
    paths : iterable of Path
        Photos, and folders to walk.
    batch : Batch
        What holds for all of them: survey, side, list of photos.
    replace : bool
        Let a photo take the place of the one that its plant, survey, truss and side has already.
    progress : callable, optional
        Called with the number of photos examined and of all.

    Returns
    -------
    TakenIn

    Raises
    ------
    PhotoError
        If the survey is no date or the list of photos cannot be read; nothing is taken in then.
    """
    given, refused = gather(trial.directory, paths, batch)
    codes = Codes.of(trial.plants, TrialMark.of(trial.plan))
    wanted = Wanted(trial.plan.rule.smallest_fruit_mm, frozenset(codes.tags))
    with trial.ledger() as ledger, Notes(trial.directory, wanted) as notes:
        standing = _standing(ledger)
        seen = look(given, wanted, notes, workers=batch.workers, progress=progress)
        found, faults, asked = _bound(given, codes, seen, batch, standing)
        refused += faults
        found, again, faults = once(found)
        refused += faults
        known = _further_views(ledger)
        again += sum(known.get(item.examined.photo) == item.slot for item in found)
        found = [item for item in found if known.get(item.examined.photo) != item.slot]
        new, repeated, faults = against(found, standing, replace=replace)
        again += repeated
        refused += faults
        new, views = best(_unlike(new, standing))
        entered, faults = _enter(trial, ledger, new, standing, views)
        refused += faults
        settled = settle_views(trial, ledger, {photo.survey for photo in entered})
        standing, out = _standing(ledger), left_out(ledger)
    days = Days.of([*new, *(view for view, _ in views)], batch.survey)
    remarks = [days.remark] if days.remark and not asked else []
    remarks += about_views(views)
    remarks += about_views_beside(settled, standing)
    plants = {photo.plant for photo in entered}
    remarks += about_sides([each for each in to_name(standing.values()) if each.plant in plants])
    surveys = sorted({photo.survey for photo in entered})
    remarks += about_order(trial, [p for p in standing.values() if p.survey in surveys])
    local = sum(photo.clock == "local" for photo in entered)
    guards = trial.plants.loc[trial.plants["guard"], "code"]
    guards = guards[guards.isin({photo.plant for photo in entered})]
    taken = frame((photo.row for photo in entered), PHOTOS)
    lacking = {day: without_photo(trial, standing.values(), out, day) for day in surveys}
    for day, codes_without in lacking.items():
        remarks += about_neighbours(
            codes_without, [photo for photo in standing.values() if photo.survey == day]
        )
    return TakenIn(taken, again, refused, local, tuple(guards), tuple(remarks), lacking)


def _bound(
    given: list[Given],
    codes: Codes,
    seen: list[Examined | Refusal],
    batch: Batch,
    standing: Mapping[str, Photo],
) -> tuple[list[Found], list[Refusal], bool]:
    """Bind each photo to its plant; where the days are doubtful, as a person says who is asked."""
    found, faults = bound(given, codes, seen)
    days = Days.of([item for item in found if item.examined.photo not in standing], batch.survey)
    if batch.ask is None or not days.doubtful:
        return found, faults, False
    survey = batch.ask(days)
    if survey != batch.survey:
        given = [dataclasses.replace(item, survey=survey) for item in given]
        found, faults = bound(given, codes, seen)
    return found, faults, True


def _unlike(new: list[Found], standing: dict[str, Photo]) -> list[Found]:
    """Keep "no tag" and "no time" only where the trial's photos do have tags and times."""
    tagged = any(photo.tag for photo in standing.values()) or any(i.binding.tag for i in new)
    timed = any(photo.taken_at for photo in standing.values()) or any(
        item.examined.taken.time for item in new
    )
    usual = {Flag.NO_TAG: not tagged, Flag.NO_TIME: not timed}
    return [
        dataclasses.replace(
            item,
            binding=dataclasses.replace(
                item.binding,
                flags=tuple(flag for flag in item.binding.flags if not usual.get(flag, False)),
            ),
        )
        for item in new
    ]


def _standing(ledger: Ledger) -> dict[str, Photo]:
    """Return the photos in force by SHA-256, those left out not among them."""
    out = left_out(ledger)
    return {sha: photo for sha, photo in photos(ledger).items() if not out.photo(sha)}


def _further_views(ledger: Ledger) -> dict[str, Slot]:
    """Return the photos kept as further views, and their places."""
    out = left_out(ledger)
    return {
        sha: photo.slot
        for sha, photo in photos(ledger).items()
        if (held := out.why(sha)) and held.reason.startswith(_FURTHER_VIEW)
    }


def _enter(
    trial: Trial,
    ledger: Ledger,
    new: list[Found],
    standing: dict[str, Photo],
    views: list[tuple[Found, Found]],
) -> tuple[list[Photo], list[Refusal]]:
    """Copy the photos into the trial and write their entries, further views left out of it."""
    taken = {photo.slot: photo.photo for photo in standing.values()}
    out = left_out(ledger)
    codes = Codes.of(trial.plants)
    entered: list[Photo] = []
    refused = []
    by = f"counting {__version__}"
    counting = {view.examined.photo: first for view, first in views}
    everything = [*new, *(view for view, _ in views)]
    for start in range(0, len(everything), _BATCH):
        facts: list[Told] = []
        for item in everything[start : start + _BATCH]:
            try:
                file = place(trial.directory, item.path, item.examined.photo, item.binding)
            except CountingError as error:
                refused.append(Refusal(str(item.path), f"{error.found}; {error.mend}"))
                continue
            photo = _photo(item, file, codes)
            entered.append(photo)
            facts.append(photo)
            if first := counting.get(photo.photo):
                reason = f"{_FURTHER_VIEW}: {first.path.name} shows the same, better"
                facts.append(
                    Exclusion(photo=photo.photo, reason=reason, by_photo=first.examined.photo)
                )
                continue
            if held := out.why(photo.photo):  # it comes back
                facts.append(dataclasses.replace(held, lifted=True))
            before = taken.get(item.slot)
            if before and before != photo.photo:
                reason = f"replaced by {file}"
                facts.append(Exclusion(photo=before, reason=reason, by_photo=photo.photo))
        ledger.add(facts, by=by)
    return entered, refused


def _photo(item: Found, file: str, codes: Codes) -> Photo:
    examined, binding = item.examined, item.binding
    flags = {*binding.flags, *examined.quality.flags}
    flags |= {Flag.DAMAGED} if examined.damage else set()
    return Photo(
        photo=examined.photo,
        file=file,
        width=examined.width,
        height=examined.height,
        survey=binding.survey,
        plant=binding.plant,
        truss=binding.truss,
        side=binding.side,
        taken_at=examined.taken.time,
        clock=examined.taken.clock,
        bound_by=binding.bound_by,
        flags=tuple(flag.value for flag in Flag if flag in flags),
        quality=examined.quality.figures(),
        tag=binding.tag.record(binding.plant) if binding.tag else None,
        others=tuple(
            each.record(codes.tags[each.id])
            for each in examined.tags
            if each.id in codes.tags and (binding.tag is None or each.id != binding.tag.id)
        ),
    )
