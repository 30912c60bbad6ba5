"""What a person should know when photos were taken in: sides, order, plants left over."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence

from counting.ledger.facts import LeftOut, Photo
from counting.photos.claims import Found
from counting.plan.trial import Trial
from counting.text import few

__all__ = [
    "about_neighbours",
    "about_order",
    "about_sides",
    "about_views",
    "without_photo",
]

_FEW = 3
_LEAST_IN_ORDER = 4
"""A walk past fewer plants says little about their order."""


def about_views(views: Sequence[tuple[Found, Found]]) -> list[str]:
    """Say which photos are kept as further views of what another one shows."""
    if not views:
        return []
    pairs = [f"{view.path.name} beside {first.path.name}" for view, first in views]
    unnamed = any(not first.binding.side for _, first in views)
    ask = " If they show two sides, say which: counting move PHOTO --side NAME." if unnamed else ""
    return [
        f"{len(views)} kept as further views, not counted, since a better photo shows the same:"
        f" {few(pairs, _FEW)}.{ask}"
    ]


def about_sides(unnamed: Sequence[Photo]) -> list[str]:
    """Ask for the sides of photos that cannot be added to others of their plant."""
    if not unnamed:
        return []
    files = few([photo.file for photo in unnamed], _FEW)
    plants = few(sorted({photo.plant for photo in unnamed}), _FEW)
    return [
        f"Which side? {files} and another photo show the same plant; until each side is named,"
        f" {plants} gets no count. Name it: counting move DIR {unnamed[0].file} --side path"
    ]


def without_photo(trial: Trial, photos: Iterable[Photo], out: LeftOut, survey: str) -> list[str]:
    """Return the plants to count that have no photo at a survey, in the plan's order."""
    shown = {photo.plant for photo in photos if photo.survey == survey}
    plants = trial.counted["code"]
    return [code for code in plants if code not in shown and not out.plant(code, survey)]


def about_neighbours(lacking: Sequence[str], photos: Iterable[Photo]) -> list[str]:
    """Name plants without a photo of their own whose tag stands in a neighbour's.

    A photo counts for one plant. What it shows of the next ones is told apart, not counted.

    Parameters
    ----------
    lacking : sequence of str
        Plants that have no photo.
    photos : iterable of Photo
        Those of the survey.
    """
    beside = {tag.code: photo.file for photo in photos for tag in photo.others}
    shown = [f"{code} in {beside[code]}" for code in lacking if code in beside]
    if not shown:
        return []
    return [
        f"Without a photo of their own, and too little of them in a neighbour's to count them"
        f" there: {few(shown, _FEW)}. Take one of each, its own tag nearest the middle."
    ]


def about_order(trial: Trial, photos: Iterable[Photo]) -> list[str]:
    """Name pairs of neighbours whose tags may be swapped: they were met the wrong way round.

    Photos of a row by their time give the order in which its tags were met. Where that order is
    the plan's but for two neighbours, their tags may hang on each other's plants.
    """
    known = trial.plants.dropna(subset=["row", "position"])
    rows, positions = known["row"].astype(str), known["position"].astype(float)
    places = dict(zip(known["code"], zip(rows, positions, strict=True), strict=True))
    walks: dict[tuple[str, str, str], list[tuple[str, str]]] = defaultdict(list)
    for photo in photos:
        if photo.bound_by == "tag" and photo.taken_at and photo.plant in places:
            row = places[photo.plant][0]
            walks[photo.survey, photo.side, row].append((photo.taken_at, photo.plant))
    pairs: dict[tuple[str, str], None] = {}
    for met in walks.values():
        order = list(dict.fromkeys(plant for _, plant in sorted(met)))
        at = [places[plant][1] for plant in order]
        if len(order) >= _LEAST_IN_ORDER:
            for place in _swapped(at if at[-1] >= at[0] else [-step for step in at]):
                pairs[order[place], order[place + 1]] = None
    return [
        f"{one} and {other} came the other way round than they stand: do their tags hang on each"
        f" other's plants? If so: counting move DIR --swap {one} --swap {other} --reason \"tags"
        f' swapped"'
        for one, other in pairs
    ]


def _swapped(at: Sequence[float]) -> list[int]:
    """Return where two neighbours in a rising row of numbers stand the wrong way round."""
    falls = [place for place in range(len(at) - 1) if at[place] > at[place + 1]]
    mended = []
    for place in falls:
        before = at[place - 1] if place else float("-inf")
        after = at[place + 2] if place + 2 < len(at) else float("inf")
        if before < at[place + 1] and at[place] < after:
            mended.append(place)
    # a row walked anyhow is no row with swapped tags
    return mended if len(falls) == len(mended) and len(falls) <= max(1, len(at) // 4) else []
