"""Whether a plant's photos may be added: only where each says which side it shows."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

from counting.ledger.facts.photo import Photo

__all__ = ["one_side", "sides_unnamed", "to_name"]


def one_side(one: str, other: str) -> bool:
    """Whether two sides are views of the same one: ``path`` and ``path 2``.

    ``side 1`` and ``side 2`` are not: so people call the two sides of a row.
    """
    (stem, number), (other_stem, other_number) = _parts(one), _parts(other)
    return bool(stem) and stem == other_stem and "1" not in (number, other_number)


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


def _parts(side: str) -> tuple[str, str]:
    """Return a side's name without the number of the view, and that number."""
    word = side.strip().casefold()
    stem = word.rstrip("0123456789")
    return stem.rstrip(), word[len(stem) :]
