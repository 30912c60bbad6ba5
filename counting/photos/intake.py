"""Photos into the trial: found, examined, bound to plants, copied, entered in the ledger."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from counting import __version__
from counting.errors import CountingError, Refusal
from counting.flags import Flag
from counting.ledger import Ledger, Told
from counting.ledger.facts import Exclusion, Photo, left_out, photos
from counting.photos.binding import Codes
from counting.photos.claims import Found, against, once
from counting.photos.copying import place
from counting.photos.examine import Wanted
from counting.photos.gather import Batch, gather
from counting.photos.looking import Progress, bound, look
from counting.photos.notes import Notes
from counting.plan.mark import TrialMark
from counting.plan.trial import Trial
from counting.tables import PHOTOS, frame

__all__ = ["TakenIn", "take_in"]

_BATCH = 100
"""Photos entered in the ledger in one go."""
_ANY = Batch()


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
    """

    taken: pd.DataFrame
    again: int
    refused: list[Refusal]
    local_time: int = 0
    guards: tuple[str, ...] = ()


def take_in(
    trial: Trial,
    paths: Iterable[Path],
    *,
    batch: Batch = _ANY,
    replace: bool = False,
    progress: Progress | None = None,
    survey: str | None = None,
    manifest: Path | None = None,
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
    survey : str, optional
        Short for ``Batch(survey=...)``: the survey's date, year-month-day.
    manifest : Path, optional
        Short for ``Batch(manifest=...)``.

    Returns
    -------
    TakenIn

    Raises
    ------
    PhotoError
        If the survey is no date or the list of photos cannot be read; nothing is taken in then.
    """
    batch = dataclasses.replace(
        batch, survey=survey or batch.survey, manifest=manifest or batch.manifest
    )
    given, refused = gather(trial.directory, paths, batch)
    codes = Codes.of(trial.plants, TrialMark.of(trial.plan))
    wanted = Wanted(trial.plan.rule.smallest_fruit_mm, frozenset(codes.tags))
    with trial.ledger() as ledger, Notes(trial.directory, wanted) as notes:
        standing = _standing(ledger)
        seen = look(given, wanted, notes, workers=batch.workers, progress=progress)
        found, faults = bound(given, codes, seen)
        refused += faults
        found, again, faults = once(found)
        refused += faults
        new, repeated, faults = against(found, standing, replace=replace)
        again += repeated
        refused += faults
        entered, faults = _enter(trial, ledger, _unlike(new, standing), standing)
        refused += faults
    local = sum(photo.clock == "local" for photo in entered)
    guards = trial.plants.loc[trial.plants["guard"], "code"]
    guards = guards[guards.isin({photo.plant for photo in entered})]
    taken = frame((photo.row for photo in entered), PHOTOS)
    return TakenIn(taken, again, refused, local, tuple(guards))


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


def _enter(
    trial: Trial, ledger: Ledger, new: list[Found], standing: dict[str, Photo]
) -> tuple[list[Photo], list[Refusal]]:
    """Copy the photos into the trial and write their entries."""
    taken = {photo.slot: photo.photo for photo in standing.values()}
    out = left_out(ledger)
    entered: list[Photo] = []
    refused = []
    by = f"counting {__version__}"
    for start in range(0, len(new), _BATCH):
        facts: list[Told] = []
        for item in new[start : start + _BATCH]:
            try:
                file = place(trial.directory, item.path, item.examined.photo, item.binding)
            except CountingError as error:
                refused.append(Refusal(str(item.path), f"{error.found}; {error.mend}"))
                continue
            photo = _photo(item, file)
            entered.append(photo)
            facts.append(photo)
            if held := out.why(photo.photo):  # it comes back
                facts.append(dataclasses.replace(held, lifted=True))
            before = taken.get(item.slot)
            if before and before != photo.photo:
                reason = f"replaced by {file}"
                facts.append(Exclusion(photo=before, reason=reason, by_photo=photo.photo))
        ledger.add(facts, by=by)
    return entered, refused


def _photo(item: Found, file: str) -> Photo:
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
    )
