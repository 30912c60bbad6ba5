"""Measures of agreement between two people who counted the same photos."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats
from scipy.optimize import linear_sum_assignment

__all__ = ["Interval", "Limits", "icc", "limits_of_agreement", "match_marks"]

_FAR = 1e9


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate with its interval; NaN where it cannot be computed."""

    estimate: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Limits:
    """Bland and Altman's limits of agreement.

    Attributes
    ----------
    n : int
        Photos counted by both.
    bias : Interval
        Mean difference, first less second.
    sd : float
        Standard deviation of the differences.
    lower, upper : Interval
        Between these lie about 95 % of the differences; each with its own interval.
    """

    n: int
    bias: Interval
    sd: float
    lower: Interval
    upper: Interval


def limits_of_agreement(
    first: ArrayLike, second: ArrayLike, *, multiple: float = 1.96, level: float = 0.95
) -> Limits:
    """Return the limits between which most differences of two counts lie.

    Assumes that the differences are about normal and do not grow with the count.

    Parameters
    ----------
    first, second : (N,) array_like of float
        Counts of the same photos.
    multiple : float
        Standard deviations from the bias to the limits; the paper's worked example takes 2.
    level : float
        Of the intervals, by Student's t with N - 1 degrees of freedom.

    Returns
    -------
    Limits
        NaN where fewer than two photos (three for the intervals to mean much) are shared.

    References
    ----------
    Bland & Altman (1986), Lancet 327:307-310, doi 10.1016/S0140-6736(86)90837-8; the variance of
    a limit is 3 s^2 / n there.
    """
    difference = np.asarray(first, dtype=float) - np.asarray(second, dtype=float)
    n = difference.size
    nothing = Interval(math.nan, math.nan, math.nan)
    if n < 2:
        bias = float(difference[0]) if n else math.nan
        return Limits(n, Interval(bias, math.nan, math.nan), math.nan, nothing, nothing)
    bias, sd = float(difference.mean()), float(difference.std(ddof=1))
    t = float(stats.t.ppf((1 + level) / 2, n - 1))

    def around(estimate: float, error: float) -> Interval:
        return Interval(estimate, estimate - t * error, estimate + t * error)

    edge = math.sqrt(3 * sd**2 / n)
    return Limits(
        n,
        around(bias, sd / math.sqrt(n)),
        sd,
        around(bias - multiple * sd, edge),
        around(bias + multiple * sd, edge),
    )


def icc(ratings: ArrayLike, *, level: float = 0.95) -> Interval:
    """Return ICC(2,1): two-way random effects, absolute agreement, a single rater.

    Assumes photos and raters drawn from larger populations, and errors of equal variance.

    Parameters
    ----------
    ratings : (N, K) array_like of float
        A row for each photo, a column for each rater; none missing.
    level : float
        Of the interval.

    Returns
    -------
    Interval
        NaN where fewer than two photos or raters are given, or nothing varies; where the raters
        agree wholly the interval shrinks to the estimate.

    References
    ----------
    Shrout & Fleiss (1979), Psychological Bulletin 86:420-428, doi 10.1037/0033-2909.86.2.420;
    interval as McGraw & Wong (1996), Psychological Methods 1:30-46, table 7, case 2,
    doi 10.1037/1082-989X.1.1.30.
    """
    table = np.asarray(ratings, dtype=float)
    n, k = table.shape
    if n < 2 or k < 2:
        return Interval(math.nan, math.nan, math.nan)
    rows, columns, error = _mean_squares(table)
    spread = rows + (k - 1) * error + k * (columns - error) / n
    if spread <= 0:
        return Interval(math.nan, math.nan, math.nan)
    value = (rows - error) / spread
    if error <= 1e-12 * spread:
        exact = value if columns <= 1e-12 * spread else math.nan
        return Interval(value, exact, exact)
    ratio = columns / error
    inner = n * (1 + (k - 1) * value) - k * value
    freedom = ((k - 1) * (n - 1) * (k * value * ratio + inner) ** 2) / (
        (n - 1) * k**2 * value**2 * ratio**2 + inner**2
    )
    upper = float(stats.f.ppf((1 + level) / 2, n - 1, freedom))
    lower = float(stats.f.ppf((1 + level) / 2, freedom, n - 1))
    rest = k * columns + (k * n - k - n) * error
    return Interval(
        value,
        n * (rows - upper * error) / (upper * rest + n * rows),
        n * (lower * rows - error) / (rest + n * lower * rows),
    )


def _mean_squares(table: NDArray[np.float64]) -> tuple[float, float, float]:
    """Return the mean squares of rows, columns and what is left of a two-way table."""
    n, k = table.shape
    grand = table.mean()
    rows = k * float(((table.mean(axis=1) - grand) ** 2).sum()) / (n - 1)
    columns = n * float(((table.mean(axis=0) - grand) ** 2).sum()) / (k - 1)
    fitted = table.mean(axis=1, keepdims=True) + table.mean(axis=0, keepdims=True) - grand
    error = float(((table - fitted) ** 2).sum()) / ((n - 1) * (k - 1))
    return rows, columns, error


def match_marks(
    first: Sequence[tuple[float, float, float, float]],
    second: Sequence[tuple[float, float, float, float]],
) -> list[tuple[int, int]]:
    """Pair the marks of two people that stand for one fruit, so that the distances sum least.

    Two marks can be a pair if the centre of one lies in the box of the other.

    Parameters
    ----------
    first, second : sequence of (x, y, width, height)
        Centre and size, px.

    Returns
    -------
    list of (int, int)
        Places in `first` and `second`; none is in two pairs.
    """
    if not first or not second:
        return []
    one, other = np.array(first, dtype=float), np.array(second, dtype=float)
    away = np.abs(one[:, None, :2] - other[None, :, :2])
    reach = np.maximum(one[:, None, 2:], other[None, :, 2:]) / 2
    near = (away <= reach).all(axis=-1)
    cost = np.where(near, np.hypot(away[..., 0], away[..., 1]), _FAR)
    rows, columns = linear_sum_assignment(cost)
    return [(int(i), int(j)) for i, j in zip(rows, columns, strict=True) if near[i, j]]
