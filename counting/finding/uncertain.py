"""Which photos of many to look at: the ones whose count is likely to be off by most."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import special

__all__ = ["SHARE", "expected_error", "most_uncertain"]

SHARE = 0.30
"""At most this share of photos is worth directing a person to: a flag on all is none."""
_LEAST = 0.5
"""Expected error under which a count is most likely right as it stands, fruit."""
_SD_PER_WIDTH = 1 / (2 * float(special.ndtri(0.95)))


def expected_error(proposed: int, count: float, low: float, high: float) -> float:
    """Return by how many fruit a proposed count is likely to be off.

    The count is taken as normal about its expectation, as wide as its 90 % interval says; what is
    returned is the mean of the folded normal distribution (Leone, Nelson and Nottingham 1961, doi
    10.2307/1266560).

    Parameters
    ----------
    proposed : int
        Rings drawn.
    count, low, high : float
        Expected count and the ends of its 90 % interval.

    Returns
    -------
    float
        Fruit.
    """
    sd = max(high - low, 0.0) * _SD_PER_WIDTH
    away = abs(proposed - count)
    if sd == 0:
        return away
    folded = sd * math.sqrt(2 / math.pi) * math.exp(-(away**2) / (2 * sd**2))
    return folded + away * math.erf(away / (sd * math.sqrt(2)))


def most_uncertain(errors: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return which photos to look at: the largest expected errors, at most `SHARE` of all.

    Parameters
    ----------
    errors : (N,) ndarray of float
        Expected error of each photo's count, fruit; equal ones keep their order.
    """
    chosen = np.zeros(len(errors), dtype=np.bool_)
    order = np.argsort(-errors, kind="stable")[: int(SHARE * len(errors))]
    chosen[order] = errors[order] >= _LEAST
    return chosen
