"""Which candidate is which labelled fruit: greedy, one to one, by overlap or by centre."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from counting.finding.boxes import overlap

__all__ = ["FREE", "IOU", "match_by_centre", "match_by_overlap"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FREE = -1
"""Stands for "no partner" in a match."""
IOU = 0.5
"""Overlap from which a candidate is a hit; the usual one (Everingham et al. 2010,
doi 10.1007/s11263-009-0275-4, section 4.2)."""
_ALMOST_ONE = 1 - 1e-10


def match_by_overlap(
    candidates: Floats, confidence: Floats, labels: Floats, *, iou: float = IOU
) -> Ints:
    """Give each candidate, most confident first, the free label that it overlaps most.

    Parameters
    ----------
    candidates : (N, 4) ndarray of float
        Centre x, centre y, width, height in px. Edges are continuous: a box from 0 to 10 is 10 px
        wide, not 11.
    confidence : (N,) ndarray of float
        Decides whose turn it is; equal ones in the order given.
    labels : (M, 4) ndarray of float
        As `candidates`.
    iou : float
        Overlap that a hit needs at least.

    Returns
    -------
    (N,) ndarray of int64
        Row of the label that each candidate got, or `FREE`. No label is given twice.
    """
    shared = overlap(candidates, labels)
    enough = shared >= min(iou, _ALMOST_ONE)
    return _greedy(np.where(enough, shared, -np.inf), confidence)


def match_by_centre(candidates: Floats, confidence: Floats, labels: Floats) -> Ints:
    """Give each candidate, most confident first, the nearest free label that holds its centre.

    The looser match of the two, and the one that a count needs. Parameters and result are those
    of `match_by_overlap`; "nearest" is the distance from centre to centre.
    """
    away = candidates[:, None, :2] - labels[None, :, :2]
    holds = (np.abs(away) <= labels[None, :, 2:] / 2).all(axis=-1)
    return _greedy(np.where(holds, -np.hypot(away[..., 0], away[..., 1]), -np.inf), confidence)


def _greedy(worth: Floats, confidence: Floats) -> Ints:
    """Let rows choose, most confident first, the free column of most worth; -inf is none."""
    partner = np.full(len(worth), FREE, dtype=np.int64)
    if worth.shape[1] == 0:
        return partner
    left = worth.copy()
    for row in np.argsort(-confidence, kind="stable"):
        # the last of equals, as the reference implementation of COCO's measures does
        column = left.shape[1] - 1 - int(np.argmax(left[row, ::-1]))
        if left[row, column] > -np.inf:
            partner[row] = column
            left[:, column] = -np.inf
    return partner
