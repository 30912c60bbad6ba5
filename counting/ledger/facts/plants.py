"""Which plants the ledger speaks of."""

from __future__ import annotations

from collections import Counter

from counting.ledger.facts.exclusion import LeftOut
from counting.ledger.facts.photo import Photo
from counting.ledger.facts.tally import Tally

__all__ = ["RENAMED", "facts_by_plant"]

RENAMED = "renamed to"
"""How the note of a tally begins whose plant has another code now."""


def facts_by_plant(
    photos: list[Photo], tallies: list[Tally], out: LeftOut
) -> dict[str, dict[str, int]]:
    """Return, for each plant that facts stand for, how many photos and tallies there are."""
    counted: dict[str, Counter[str]] = {}
    for photo in photos:
        if not out.photo(photo.photo):
            counted.setdefault(photo.plant, Counter())["photos"] += 1
    for tally in tallies:
        if not tally.note.startswith(RENAMED):
            counted.setdefault(tally.plant, Counter())["tallies"] += 1
    return {plant: dict(each) for plant, each in counted.items()}
