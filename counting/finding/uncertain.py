"""Which photos of many to look at: the ones whose count is likely to be off by most."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import special

from counting.flags import Flag

__all__ = ["SHARE", "expected_error", "most_uncertain", "worth_a_look"]

SHARE = 0.30
"""At most this share of photos is worth directing a person to: a flag on all is none."""
_LEAST = 0.5
"""Expected error under which a count is most likely right as it stands, fruit."""
_OWN_FAULT = {
    flag.value
    for flag in (
        Flag.DAMAGED,
        Flag.BLURRED,
        Flag.TOO_DARK,
        Flag.TOO_BRIGHT,
        Flag.MANY_TAGS,
        Flag.TAG_DISAGREES,
        Flag.TURNED,
        Flag.NOTHING_FOUND,
        Flag.TAG_HIDDEN,
        Flag.BESIDE,
    )
}
_WHOSE_UNKNOWN = {Flag.NO_TAG.value, Flag.NEIGHBOURS.value}
"""Among tagged photos one whose tag was not read, so that every plant's fruit in it count."""
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


def worth_a_look(errors: NDArray[np.float64], flags: Sequence[Sequence[str]]) -> NDArray[np.bool_]:
    """Return which photos to look at closely: `most_uncertain`, and those with an own fault.

    Other reasons that the finder gives do not decide: on rows of plants all photos have one.

    Parameters
    ----------
    errors : (N,) ndarray of float
        Expected error of each photo's count, fruit.
    flags : sequence of N sequences of str
        Words of `counting.flags.Flag`, those of the photo and of its proposal.
    """
    faulty = [bool(_OWN_FAULT & set(words)) or set(words) >= _WHOSE_UNKNOWN for words in flags]
    return most_uncertain(errors) | np.array(faulty, dtype=np.bool_)
