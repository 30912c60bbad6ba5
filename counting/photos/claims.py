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

__all__ = ["Found", "against", "best", "once", "place_of"]


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
    """Drop repeats of the same bytes; refuse photos that claim two places."""
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
            f"the same photo as {other.path}, but bound to {place_of(first)} and to "
            f"{place_of(other)}; keep the right one"
        )
        refused.append(Refusal(str(first.path), reason))
    repeated = (
        len(found)
        - sum(len(items) for items in by_photo.values())
        + sum(len(by_photo[item.examined.photo]) - 1 for item in kept)
    )
    return kept, repeated, refused


def best(found: Sequence[Found]) -> tuple[list[Found], list[tuple[Found, Found]]]:
    """Return the photo that counts for each place, and the further views: (view, counting one).

    Of several photos of one place in a batch the one with a tag counts, of those the sharpest.
    """
    by_slot: dict[Slot, list[Found]] = defaultdict(list)
    for item in found:
        by_slot[item.slot].append(item)
    chosen, views = [], []
    for items in by_slot.values():
        first, *others = sorted(items, key=_worth)
        chosen.append(first)
        views += [(other, first) for other in others]
    return chosen, views


def _worth(item: Found) -> tuple[bool, bool, float, str]:
    """Order photos of one place: whole file and tag first, then the sharper one."""
    sharpness = item.examined.quality.sharpness
    return (bool(item.examined.damage), item.binding.tag is None, -sharpness, item.examined.photo)


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
                f"{same.survey}; pass --replace to move it to {place_of(item)}"
            )
            refused.append(Refusal(str(item.path), reason))
        elif other and not other.view_of and not replace:
            reason = (
                f"{place_of(item)} has the photo {other.file} already; if it shows another side, "
                f"say which side each of the two shows (--side here, for the earlier one counting "
                f"move {other.file} --side); --replace puts this one in its place"
            )
            refused.append(Refusal(str(item.path), reason))
        else:
            new.append(item)
    return new, again, refused


def place_of(item: Found) -> str:
    """Return the place of a photo in words."""
    survey, plant, truss, side = item.slot
    words = [f"plant {plant}", f"survey {survey}"]
    words += [f"truss {truss}"] if truss is not None else []
    words += [f"side {side}"] if side else []
    return ", ".join(words)
