"""Whether a plant's photos may be added: only where each says which side it shows."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

from counting.ledger.facts.photo import Photo

__all__ = ["sides_unnamed", "to_name"]


def sides_unnamed(photos: Iterable[Photo]) -> list[str]:
    """Return why the photos of one plant at one survey are not added; empty if they may be.

    Two photos of the same thing, a whole plant or one truss, are added only where the side of each
    is named: else the second may show what the first does.
    """
    by_truss: dict[int | None, list[Photo]] = defaultdict(list)
    for photo in photos:
        by_truss[photo.truss].append(photo)
    nameless = [
        photo.file.rsplit("/", 1)[-1]
        for together in by_truss.values()
        if len(together) > 1
        for photo in together
        if not photo.side
    ]
    if not nameless:
        return []
    return [f"the side of {' and '.join(sorted(nameless))} is not named, so nothing is added up"]


def to_name(photos: Iterable[Photo]) -> list[Photo]:
    """Return the photos of a trial whose side is to be named before their plants count."""
    by_plant: dict[tuple[str, str, int | None], list[Photo]] = defaultdict(list)
    for photo in photos:
        by_plant[photo.survey, photo.plant, photo.truss].append(photo)
    return [
        photo
        for together in by_plant.values()
        if len(together) > 1
        for photo in together
        if not photo.side
    ]
