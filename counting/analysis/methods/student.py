"""Intervals and p values by Student's t, once for every estimator."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from scipy import stats

from counting.analysis.estimates import Estimate

__all__ = ["POWER", "added", "detectable", "exponentiated", "half_width", "student"]

POWER = 0.8
"""Of the difference that a trial could have found; common practice."""


def half_width(se: float, df: float, level: float) -> float:
    """Return how far an interval reaches to either side.

    Parameters
    ----------
    se : float
        Standard error.
    df : float
        Degrees of freedom; infinite: by the normal curve.
    level : float
        Of the interval: 0.95 is 95 %.
    """
    return float(stats.t.ppf((1 + level) / 2, df)) * se


def student(
    value: float, se: float, df: float, level: float = 0.95, method: str | None = None
) -> Estimate:
    """Return an estimate with its interval and p; without variation it has neither.

    Parameters
    ----------
    value, se : float
        The estimate and its standard error.
    df : float
        Degrees of freedom; infinite: by the normal curve.
    level : float
        Of the interval: 0.95 is 95 %.
    method : str, optional
        What was computed, in words.
    """
    if not (se > 0 and df > 0):
        return Estimate(value, method=method)
    half = half_width(se, df, level)
    p = float(2 * stats.t.sf(abs(value) / se, df))
    known = None if math.isinf(df) else df
    return Estimate(value, value - half, value + half, p, known, se, method)


def detectable(se: float, df: float, level: float = 0.95, reach: float | None = None) -> float:
    """Return the difference that would have been found with the power `POWER`.

    Parameters
    ----------
    se, df : float
        Standard error and degrees of freedom of the estimate.
    level : float
        Of the test: 0.95 is 5 %, two-sided.
    reach : float, optional
        Standard errors that an estimate must pass, where that is more: one among several.
    """
    passed = float(stats.t.ppf((1 + level) / 2, df)) if reach is None else reach
    return (passed + float(stats.t.ppf(POWER, df))) * se


def exponentiated(log: Estimate) -> Estimate:
    """Return the estimate of a ratio from that of its logarithm; the standard error stays that."""
    if log.value is None:
        return log
    low = None if log.low is None else math.exp(log.low)
    high = None if log.high is None else math.exp(log.high)
    return replace(log, value=math.exp(log.value), low=low, high=high)


def added(parts: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Add independent errors.

    Parameters
    ----------
    parts : sequence of (float, float)
        Standard error and degrees of freedom of each.

    Returns
    -------
    se, df : float
        Degrees of freedom by Satterthwaite (1946) Biometrics Bull. 2:110-114.
    """
    variance = sum(se**2 for se, _ in parts)
    if variance == 0:
        return 0.0, min(df for _, df in parts)
    df = variance**2 / sum(se**4 / df for se, df in parts if se > 0)
    return math.sqrt(variance), df
