"""Boxes of candidates: overlap, joining, clipping; and the table every stage returns."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from counting.tables import Schema

__all__ = ["PROPOSED", "clip", "overlap", "proposed", "shared", "suppress"]

Array = NDArray[np.float64]
_TOGETHER = 32
"""Boxes held against all others at once: few enough to stay in a processor's cache."""

PROPOSED: Schema = {
    "x": "float64",  # px of the full-size upright photo, centre of the box
    "y": "float64",
    "width": "float64",
    "height": "float64",
    "score": "float64",  # the stage's own confidence, 0..1; made a probability where stages merge
}
"""What a stage returns: one row per candidate, best score first."""


def shared(a: Array, b: Array) -> Array:
    """Return the area (N, M) in px that each box of `a` has in common with each of `b`."""
    low = np.maximum(a[:, None, :2] - a[:, None, 2:4] / 2, b[None, :, :2] - b[None, :, 2:4] / 2)
    high = np.minimum(a[:, None, :2] + a[:, None, 2:4] / 2, b[None, :, :2] + b[None, :, 2:4] / 2)
    return np.asarray(np.clip(high - low, 0, None).prod(axis=2))


def overlap(a: Array, b: Array) -> Array:
    """Return the intersection over union of each box of `a` with each of `b`.

    Parameters
    ----------
    a : (N, 4) ndarray of float
        Centre x, centre y, width, height.
    b : (M, 4) ndarray of float
        Likewise.

    Returns
    -------
    (N, M) ndarray of float
        0..1.
    """
    common = shared(a, b)
    total = a[:, 2:4].prod(axis=1)[:, None] + b[:, 2:4].prod(axis=1) - common
    return np.asarray(common / np.maximum(total, 1e-9))


def suppress(
    boxes: Array, score: Array, limit: float, *, inside: float | None = None
) -> NDArray[np.intp]:
    """Return the rows that stay, best first, when a better box hides the poorer ones it overlaps.

    Parameters
    ----------
    boxes : (N, 4) ndarray of float
        Centre x, centre y, width, height.
    score : (N,) ndarray of float
        Which of two is the better.
    limit : float
        Intersection over union above which the poorer one goes.
    inside : float, optional
        Share of the smaller box that lies in the other, above which the poorer one goes too.
    """
    order = np.lexsort((boxes[:, 1], boxes[:, 0], -score))
    ranked = boxes[order]
    area = ranked[:, 2] * ranked[:, 3]
    alive = np.ones(len(order), dtype=bool)
    for start in range(0, len(order), _TOGETHER):
        rows = start + np.flatnonzero(alive[start : start + _TOGETHER])
        common = overlap(ranked[rows], ranked[start:])
        gone = common > limit
        if inside is not None:
            within = common / (1 + common) * (area[rows, None] + area[start:])
            gone |= within > inside * np.minimum(area[rows, None], area[start:])
        for row, hidden in zip(rows, gone, strict=True):
            if alive[row]:
                alive[row + 1 :] &= ~hidden[row + 1 - start :]
    return order[alive]


def clip(boxes: Array, width: float, height: float) -> Array:
    """Return boxes cut off at the edges of a photo of that size in px."""
    size = np.array([width, height], dtype=np.float64)
    low = np.clip(boxes[:, :2] - boxes[:, 2:4] / 2, 0, size)
    high = np.clip(boxes[:, :2] + boxes[:, 2:4] / 2, 0, size)
    return np.hstack([(low + high) / 2, high - low])


def proposed(boxes: Array, score: Array) -> pd.DataFrame:
    """Return boxes (N, 4) and scores (N,) as a table of schema `PROPOSED`, best score first."""
    order = np.lexsort((boxes[:, 1], boxes[:, 0], -score))
    values = np.column_stack([boxes[order], score[order]]).reshape(-1, len(PROPOSED))
    return pd.DataFrame(values, columns=list(PROPOSED), dtype=np.float64)
