"""Photos into the trial: found, examined, bound to plants, copied, entered in the ledger."""

from __future__ import annotations

import dataclasses
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from counting import __version__
from counting.errors import CountingError, PhotoError, Refusal
from counting.flags import Flag
from counting.ledger import Ledger
from counting.photos.binding import Binding, Codes, Given, bind
from counting.photos.copying import place
from counting.photos.examine import Examined, Wanted, examine
from counting.photos.gather import Batch, gather
from counting.plan.trial import Trial
from counting.tables import PHOTOS, frame

__all__ = ["TakenIn", "photo_table", "take_in"]

Progress = Callable[[int, int], None]
"""Called with the number of photos done and the number of all."""
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
    """

    taken: pd.DataFrame
    again: int
    refused: list[Refusal]
    local_time: int = 0


@dataclass(frozen=True, slots=True)
class _Found:
    """One photo ready to be entered."""

    path: Path
    examined: Examined
    binding: Binding

    @property
    def slot(self) -> tuple[str, str, int | None, str]:
        return (self.binding.survey, self.binding.plant, self.binding.truss, self.binding.side)


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
    batch = Batch(survey or batch.survey, batch.side, manifest or batch.manifest)
    given, refused = gather(trial.directory, paths, batch)
    codes = Codes.of(trial.plants)
    wanted = Wanted(trial.plan.rule.smallest_fruit_mm, frozenset(codes.tags))
    with trial.ledger() as ledger:
        standing = _standing(ledger)
        found: list[_Found] = []
        again = 0
        for done, item in enumerate(given, start=1):
            outcome = _look(item, codes, wanted)
            if isinstance(outcome, Refusal):
                refused.append(outcome)
            else:
                found.append(outcome)
            if progress:
                progress(done, len(given))
        found, repeated, faults = _once(found)
        again += repeated
        refused += faults
        new, repeated, faults = _against(found, standing, replace=replace)
        again += repeated
        refused += faults
        rows, faults = _enter(trial, ledger, _unlike(new, standing), standing)
        refused += faults
    local = sum(item.examined.taken.clock == "local" for item in new)
    return TakenIn(photo_table(rows), again, refused, local)


def photo_table(bodies: Iterable[dict[str, Any]]) -> pd.DataFrame:
    """Return bodies of the ledger's photo entries as a table `counting.tables.PHOTOS`."""
    rows = [
        {
            **body,
            "mm_per_px": body["tag"]["mm_per_px"] if body.get("tag") else None,
            "flags": "; ".join(body.get("flags", [])),
        }
        for body in bodies
    ]
    return frame(rows, PHOTOS)


def _look(given: Given, codes: Codes, wanted: Wanted) -> _Found | Refusal:
    try:
        examined = examine(given.path, wanted)
        binding = bind(given, examined.tags, examined.taken, codes)
    except PhotoError as error:
        return Refusal(str(given.path), str(error).removeprefix(f"{error.where}: "))
    except ValueError as error:
        return Refusal(str(given.path), str(error))
    return _Found(given.path, examined, binding)


def _once(found: list[_Found]) -> tuple[list[_Found], int, list[Refusal]]:
    """Drop repeats of the same bytes; refuse photos that claim the same place or two places."""
    by_photo: dict[str, list[_Found]] = defaultdict(list)
    for item in found:
        by_photo[item.examined.photo].append(item)
    refused = []
    kept = []
    for items in by_photo.values():
        if len({item.slot for item in items}) == 1:
            kept.append(items[0])
            continue
        first, other = items[0], next(item for item in items if item.slot != items[0].slot)
        reason = (
            f"the same photo as {other.path}, but bound to {_place(first)} and to {_place(other)}; "
            "keep the right one"
        )
        refused.append(Refusal(str(first.path), reason))
    repeated = (
        len(found)
        - sum(len(items) for items in by_photo.values())
        + sum(len(by_photo[item.examined.photo]) - 1 for item in kept)
    )
    by_slot: dict[tuple[str, str, int | None, str], list[_Found]] = defaultdict(list)
    for item in kept:
        by_slot[item.slot].append(item)
    alone = []
    for items in by_slot.values():
        if len(items) == 1:
            alone += items
            continue
        names = " and ".join(str(item.path) for item in items)
        reason = (
            f"{len(items)} photos of {_place(items[0])}: {names}; keep one of them, or name their "
            "sides (side in photos.csv, or file names such as path.jpg and wall.jpg)"
        )
        refused += [Refusal(str(item.path), reason) for item in items[:1]]
        refused += [
            Refusal(str(item.path), f"see {items[0].path}: {_place(item)}") for item in items[1:]
        ]
    return alone, repeated, refused


def _against(
    found: list[_Found], standing: dict[str, dict[str, Any]], *, replace: bool
) -> tuple[list[_Found], int, list[Refusal]]:
    """Hold the photos against those in the trial already."""
    taken = {_slot(body): body for body in standing.values()}
    new, again, refused = [], 0, []
    for item in found:
        same = standing.get(item.examined.photo)
        if same and _slot(same) == item.slot:
            again += 1
            continue
        other = taken.get(item.slot)
        if same and not replace:
            reason = (
                f"taken in already as {same['file']} for plant {same['plant']}, survey "
                f"{same['survey']}; pass --replace to move it to {_place(item)}"
            )
            refused.append(Refusal(str(item.path), reason))
        elif other and not replace:
            reason = (
                f"{_place(item)} has the photo {other['file']} already; name another side, or pass "
                "--replace to put this one in its place"
            )
            refused.append(Refusal(str(item.path), reason))
        else:
            new.append(item)
    return new, again, refused


def _unlike(new: list[_Found], standing: dict[str, dict[str, Any]]) -> list[_Found]:
    """Keep "no tag" and "no time" only where the trial's photos do have tags and times."""
    tagged = any(body["tag"] for body in standing.values()) or any(i.binding.tag for i in new)
    timed = any(body["taken_at"] for body in standing.values()) or any(
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


def _standing(ledger: Ledger) -> dict[str, dict[str, Any]]:
    """Return the photos in force by SHA-256, those left out not among them."""
    out = {
        entry.key for entry in ledger.standing("exclusion") if not entry.body.get("lifted", False)
    }
    return {entry.key: entry.body for entry in ledger.standing("photo") if entry.key not in out}


def _slot(body: dict[str, Any]) -> tuple[str, str, int | None, str]:
    return (body["survey"], body["plant"], body["truss"], body["side"])


def _place(item: _Found) -> str:
    survey, plant, truss, side = item.slot
    words = [f"plant {plant}", f"survey {survey}"]
    words += [f"truss {truss}"] if truss is not None else []
    words += [f"side {side}"] if side else []
    return ", ".join(words)


def _enter(
    trial: Trial, ledger: Ledger, new: list[_Found], standing: dict[str, dict[str, Any]]
) -> tuple[list[dict[str, Any]], list[Refusal]]:
    """Copy the photos into the trial and write their entries."""
    taken = {_slot(body): photo for photo, body in standing.items()}
    rows: list[dict[str, Any]] = []
    refused = []
    by = f"counting {__version__}"
    for start in range(0, len(new), _BATCH):
        facts: list[tuple[Any, str, dict[str, Any]]] = []
        for item in new[start : start + _BATCH]:
            try:
                body = _body(
                    item, place(trial.directory, item.path, item.examined.photo, item.binding)
                )
            except CountingError as error:
                refused.append(Refusal(str(item.path), f"{error.found}; {error.mend}"))
                continue
            rows.append(body)
            facts.append(("photo", item.examined.photo, body))
            left_out = ledger.get("exclusion", item.examined.photo)
            if left_out and not left_out.body.get("lifted", False):  # it comes back
                lifted = {**left_out.body, "lifted": True}
                facts.append(("exclusion", item.examined.photo, lifted))
            before = taken.get(item.slot)
            if before and before != item.examined.photo:
                reason = {"reason": f"replaced by {body['file']}", "by_photo": item.examined.photo}
                facts.append(("exclusion", before, reason))
        ledger.append_many(facts, by=by)
    return rows, refused


def _body(item: _Found, file: str) -> dict[str, Any]:
    examined, binding = item.examined, item.binding
    flags = {*binding.flags, *examined.quality.flags}
    tag = None
    if binding.tag:
        tag = {"code": binding.plant, **binding.tag.to_body()}
    return {
        "photo": examined.photo,
        "file": file,
        "width": examined.width,
        "height": examined.height,
        "taken_at": examined.taken.time,
        "clock": examined.taken.clock,
        "survey": binding.survey,
        "plant": binding.plant,
        "truss": binding.truss,
        "side": binding.side,
        "bound_by": binding.bound_by,
        "flags": [flag.value for flag in Flag if flag in flags],
        "quality": examined.quality.to_body(),
        "tag": tag,
    }
