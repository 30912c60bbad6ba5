"""Grades: which group tends to lie higher, without pretending that grades can be averaged."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from counting.analysis.estimates import NO_ESTIMATE, Estimate

__all__ = ["superiority"]

Floats = NDArray[np.float64]

_METHOD = "chance of lying higher (Mann and Whitney)"


def superiority(group: Floats, control: Floats, level: float = 0.95) -> Estimate:
    """Chance that a unit of the group lies above one of the control, ties counted half.

    Parameters
    ----------
    group, control : (n,) float64
        Grades or any values that can be ordered.
    level : float
        Of the interval.

    Returns
    -------
    Estimate
        The p is Mann and Whitney's (exact for small groups without ties, else normal with
        correction for ties and continuity); the interval is on the logit scale with Brunner and
        Munzel's variance, and None where the groups do not overlap.

    References
    ----------
    Mann & Whitney (1947) Ann. Math. Statist. 18:50-60; Brunner & Munzel (2000) Biometrical J.
    42:17-25.
    """
    n, m = len(group), len(control)
    if not n or not m:
        return NO_ESTIMATE
    both = stats.rankdata(np.concatenate([group, control]))
    probability = (float(both[:n].sum()) - n * (n + 1) / 2) / (n * m)
    if np.all(np.concatenate([group, control]) == control[0]):
        return Estimate(probability, method=_METHOD)
    p = float(stats.mannwhitneyu(group, control, alternative="two-sided").pvalue)
    interval = _interval(group, control, both, probability, level)
    low, high = interval or (None, None)
    return Estimate(probability, low, high, p, method=_METHOD)


def _interval(
    group: Floats, control: Floats, both: Floats, probability: float, level: float
) -> tuple[float, float] | None:
    n, m = len(group), len(control)
    if n < 2 or m < 2 or not 0 < probability < 1:
        return None
    placed = (both[:n] - stats.rankdata(group)) / m
    placed0 = (both[n:] - stats.rankdata(control)) / n
    a, b = float(placed.var(ddof=1)) / n, float(placed0.var(ddof=1)) / m
    if a + b <= 0:
        return None
    df = (a + b) ** 2 / (a**2 / (n - 1) + b**2 / (m - 1))
    half = float(stats.t.ppf((1 + level) / 2, df)) * math.sqrt(a + b)
    half /= probability * (1 - probability)
    middle = float(special.logit(probability))
    return (float(special.expit(middle - half)), float(special.expit(middle + half)))
