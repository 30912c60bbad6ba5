"""Two photos of one side of a plant: which candidates are likely the same fruit."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from counting.finding.zone.pairs import View, same_fruit
from counting.finding.zone.plane import TagSeen
from counting.ledger.facts import Candidate, Photo, one_side

__all__ = ["likely_pairs"]


def likely_pairs(
    photo: Photo, fruit: Sequence[Candidate], other: Photo, others: Sequence[Candidate]
) -> list[tuple[int, int]]:
    """Return the candidates of two photos that are likely the same fruit, by number.

    Parameters
    ----------
    photo, other : Photo
        The photos.
    fruit, others : sequence of Candidate
        What is proposed on each as the plant's own fruit.

    Returns
    -------
    list of (int, int)
        Empty where the photos are not of one side of one plant at one survey, or the plant's tag
        was not read in both: its place is what the fruit are held against.
    """
    same = (photo.plant, photo.survey, photo.truss) == (other.plant, other.survey, other.truss)
    if not same or not one_side(photo.side, other.side):
        return []
    here, there = _view(photo, fruit), _view(other, others)
    if here is None or there is None:
        return []
    pairs = same_fruit(here, there)
    return [(fruit[one].candidate, others[two].candidate) for one, two in pairs]


def _view(photo: Photo, fruit: Sequence[Candidate]) -> View | None:
    tag = photo.tag
    if tag is None or len(tag.corners) != 4 or tag.code != photo.plant:
        return None
    return View(
        TagSeen(tag.code, tag.corners),
        (photo.width, photo.height),
        np.array([each.box for each in fruit], dtype=np.float64).reshape(-1, 4),
        np.array([each.red_share or 0.0 for each in fruit], dtype=np.float64),
    )
