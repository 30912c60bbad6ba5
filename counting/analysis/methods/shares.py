"""Shares of plants above a number, with intervals that hold for few plants."""

from __future__ import annotations

import math

from scipy.stats import norm

from counting.analysis.result import ShareAbove, ShareDifference

__all__ = ["newcombe", "share_above", "wilson"]


def wilson(count: float, n: float, level: float = 0.95) -> tuple[float, float]:
    """Return Wilson's interval of a share.

    Parameters
    ----------
    count, n : float
        Plants above and plants in all; need not be whole when n is an effective number.
    level : float
        Of the interval, 0..1.

    References
    ----------
    Wilson (1927) J. Am. Statist. Ass. 22:209-212; method 3 of Newcombe (1998) Statist. Med.
    17:857-872.
    """
    if n <= 0:
        return (0.0, 1.0)
    z = float(norm.ppf((1 + level) / 2))
    p = count / n
    middle = p + z * z / (2 * n)
    half = z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    below = 1 + z * z / n
    # at the ends the formula is exactly 0 or 1, which rounding would miss
    low = 0.0 if count <= 0 else max(0.0, (middle - half) / below)
    high = 1.0 if count >= n else min(1.0, (middle + half) / below)
    return (low, high)


def share_above(
    values: list[float], above: float, level: float = 0.95, design_effect: float = 1.0
) -> ShareAbove:
    """Count the plants above a number.

    Parameters
    ----------
    values : list of float
        One per plant.
    above : float
        Strictly above it counts.
    level : float
        Of the interval: 0.95 is 95 %.
    design_effect : float
        The plants stand for ``n / design_effect`` independent ones (plants of one plot are alike).
    """
    n = len(values)
    count = sum(value > above for value in values)
    if n == 0:
        return ShareAbove(above, 0, 0, None, None, None)
    low, high = wilson(count / design_effect, n / design_effect, level)
    return ShareAbove(above, count, n, count / n, low, high)


def newcombe(group: ShareAbove, control: ShareAbove) -> ShareDifference:
    """Return the difference of two shares with Newcombe's hybrid score interval.

    Method 10 of Newcombe (1998) Statist. Med. 17:873-890, from the two Wilson intervals.
    """
    p, low, high = group.share, group.low, group.high
    q, low0, high0 = control.share, control.low, control.high
    if p is None or low is None or high is None or q is None or low0 is None or high0 is None:
        return ShareDifference(None, None, None)
    difference = p - q
    return ShareDifference(
        difference,
        max(-1.0, difference - math.hypot(p - low, high0 - q)),
        min(1.0, difference + math.hypot(high - p, q - low0)),
    )
