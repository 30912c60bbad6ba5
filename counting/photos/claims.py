"""Photos held against each other and against those in the trial: one photo to each place."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from counting.errors import Refusal
from counting.ledger.facts import Photo, Slot
from counting.photos.binding import Binding
from counting.photos.examine import Examined

__all__ = ["Found", "against", "once"]


@dataclass(frozen=True, slots=True)
class Found:
    """One photo, examined and bound.

    Attributes
    ----------
    path : Path
        The file.
    examined : Examined
        What it says about itself.
    binding : Binding
        Where it belongs.
    """

    path: Path
    examined: Examined
    binding: Binding

    @property
    def slot(self) -> Slot:
        """The place it takes: one photo has it at a time."""
        return (self.binding.survey, self.binding.plant, self.binding.truss, self.binding.side)


def once(found: Sequence[Found]) -> tuple[list[Found], int, list[Refusal]]:
    """Drop repeats of the same bytes; refuse photos that claim the same place or two places."""
    by_photo: dict[str, list[Found]] = defaultdict(list)
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
    by_slot: dict[Slot, list[Found]] = defaultdict(list)
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


def against(
    found: Sequence[Found], standing: Mapping[str, Photo], *, replace: bool
) -> tuple[list[Found], int, list[Refusal]]:
    """Hold the photos against those in the trial already."""
    taken = {photo.slot: photo for photo in standing.values()}
    new, again, refused = [], 0, []
    for item in found:
        same = standing.get(item.examined.photo)
        if same and same.slot == item.slot:
            again += 1
            continue
        other = taken.get(item.slot)
        if same and not replace:
            reason = (
                f"taken in already as {same.file} for plant {same.plant}, survey "
                f"{same.survey}; pass --replace to move it to {_place(item)}"
            )
            refused.append(Refusal(str(item.path), reason))
        elif other and not replace:
            reason = (
                f"{_place(item)} has the photo {other.file} already; name another side, or pass "
                "--replace to put this one in its place"
            )
            refused.append(Refusal(str(item.path), reason))
        else:
            new.append(item)
    return new, again, refused


def _place(item: Found) -> str:
    survey, plant, truss, side = item.slot
    words = [f"plant {plant}", f"survey {survey}"]
    words += [f"truss {truss}"] if truss is not None else []
    words += [f"side {side}"] if side else []
    return ", ".join(words)
