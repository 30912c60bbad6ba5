"""Photos into the trial: found, examined, bound to plants, copied, entered in the ledger."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from counting import __version__
from counting.errors import CountingError, Refusal
from counting.flags import Flag
from counting.ledger import Ledger
from counting.photos.binding import Codes
from counting.photos.claims import Found, against, once, slot_of
from counting.photos.copying import place
from counting.photos.examine import Wanted
from counting.photos.gather import Batch, gather
from counting.photos.looking import Progress, bound, look
from counting.photos.notes import Notes
from counting.plan.left_out import left_out
from counting.plan.trial import Trial
from counting.tables import PHOTOS, frame

__all__ = ["TakenIn", "photo_table", "take_in"]

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
    codes = Codes.of(trial.plants)
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
        rows, faults = _enter(trial, ledger, _unlike(new, standing), standing)
        refused += faults
    local = sum(body["clock"] == "local" for body in rows)
    guards = trial.plants.loc[trial.plants["guard"], "code"]
    guards = guards[guards.isin({body["plant"] for body in rows})]
    return TakenIn(photo_table(rows), again, refused, local, tuple(guards))


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


def _unlike(new: list[Found], standing: dict[str, dict[str, Any]]) -> list[Found]:
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
    out = left_out(ledger)
    return {entry.key: entry.body for entry in ledger.standing("photo") if entry.key not in out}


def _enter(
    trial: Trial, ledger: Ledger, new: list[Found], standing: dict[str, dict[str, Any]]
) -> tuple[list[dict[str, Any]], list[Refusal]]:
    """Copy the photos into the trial and write their entries."""
    taken = {slot_of(body): photo for photo, body in standing.items()}
    out = left_out(ledger)
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
            if item.examined.photo in out:  # it comes back
                lifted = {**out[item.examined.photo].body, "lifted": True}
                facts.append(("exclusion", item.examined.photo, lifted))
            before = taken.get(item.slot)
            if before and before != item.examined.photo:
                reason = {"reason": f"replaced by {body['file']}", "by_photo": item.examined.photo}
                facts.append(("exclusion", before, reason))
        ledger.append_many(facts, by=by)
    return rows, refused


def _body(item: Found, file: str) -> dict[str, Any]:
    examined, binding = item.examined, item.binding
    flags = {*binding.flags, *examined.quality.flags}
    flags |= {Flag.DAMAGED} if examined.damage else set()
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
