"""A photo's expected count and interval under settings, honest where a lesson is borrowed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from counting.finding.expected import expected_count
from counting.finding.merge import spread_of
from counting.settings import FLOOR, Settings

__all__ = ["count_with"]

Floats = NDArray[np.float64]

_TINY = 1e-9
"""Confidences are not rounded here: so near to 0 and 1 they tell what they were as shipped."""


def count_with(confidence: Floats, share: Floats, settings: Settings) -> tuple[float, int, int]:
    """Return the expected number of fruit and the ends of its 90 % interval.

    Under a lesson that another survey taught, light and ripeness may have moved since: whether its
    numbers hold here nobody has seen. So the interval reaches over the counts of both, as the
    lesson tells it and as shipped, and is never narrower than either.

    Parameters
    ----------
    confidence : (N,) ndarray of float
        Probability of each candidate that it is a fruit, under the settings.
    share : (N,) ndarray of float
        How far each is this plant's, 0..1.
    settings : Settings
        That gave the confidences.
    """
    count, low, high = expected_count(confidence * share, spread_of(settings))
    if not settings.borrowed:
        return count, low, high
    plain = replace(settings, slope=1.0, offset=0.0, fruit_spread=1.0)
    odds = logit(np.clip(confidence, _TINY, 1 - _TINY))
    chances = expit((odds - settings.offset) / settings.slope)
    kept = chances >= FLOOR - _TINY
    _, least, most = expected_count(chances[kept] * share[kept], spread_of(plain))
    # a wider spread can pull the upper end down: near-certain fruit can only become less so
    own = replace(settings, borrowed=False)
    _, lowest, highest = expected_count(confidence * share, spread_of(own))
    return count, min(low, least, lowest), max(high, most, highest)
