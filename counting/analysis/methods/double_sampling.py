"""Double sampling: many plants photographed, some of them also counted by hand."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from counting.analysis.methods.student import half_width

__all__ = [
    "Line",
    "ShareSeen",
    "Total",
    "line",
    "ratio_total",
    "regression_total",
    "share_seen",
    "shared_error",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Total:
    """An estimated mean and total of true counts, with Student's interval of the total.

    One convention for both estimators: residual squares are divided by n less the number of
    coefficients (ratio n - 1, regression n - 2), Student's t has the same degrees of freedom, the
    finite population correction is in, and the ratio estimator's factor of population to sample
    mean is left out (Cochran 1977, Sampling Techniques, 3rd ed., eqs 6.13 and 7.29).
    """

    mean: float | None
    total: float | None
    se: float | None
    low: float | None
    high: float | None


NO_TOTAL = Total(None, None, None, None, None)


@dataclass(frozen=True, slots=True)
class ShareSeen:
    """Fruit seen on photos over true fruit, with the log-scale standard error."""

    share: float | None
    low: float | None
    high: float | None
    se_log: float | None
    df: int


@dataclass(frozen=True, slots=True)
class Line:
    """Least squares line of true on photo counts."""

    intercept: float | None
    slope: float | None
    correlation: float | None


def share_seen(photo: Floats, true: Floats, level: float = 0.95) -> ShareSeen:
    """Return the share of the fruit that photos show.

    Parameters
    ----------
    photo, true : (n,) float64
        Counts of the same plants; the share is the ratio of the sums.
    level : float
        Of the interval, which is made on the log scale with n - 1 degrees of freedom.
    """
    n = len(photo)
    if n == 0 or photo.sum() <= 0 or true.sum() <= 0:
        return ShareSeen(None, None, None, None, max(n - 1, 0))
    share = float(photo.sum() / true.sum())
    if n < 2:
        return ShareSeen(share, None, None, None, 0)
    residual = photo - share * true
    se_log = math.sqrt(float(residual @ residual) / (n - 1) / n) / float(photo.mean())
    if not se_log > 0:
        se_log = _least_error(float(photo.sum()), float(true.sum()))
    half = half_width(se_log, n - 1, level)
    return ShareSeen(share, share * math.exp(-half), share * math.exp(half), se_log, n - 1)


def _least_error(seen: float, true: float) -> float:
    """Error of a share that was the same on every plant: chance alone makes one of so many fruit.

    A few equal shares are no proof that all are equal; two fruit of each kind are added, as
    Agresti & Coull (1998) Am. Statist. 52:119-126 do, so that a share of 1 has an error too.
    """
    share = (min(seen, true) + 2) / (true + 4)
    return math.sqrt((1 - share) / (share * (true + 4)))


def shared_error(photo: Floats, true: Floats, plants: int) -> float:
    """Covariance of the logs of the mean photo count and of the correction by hand counts.

    Plants counted both ways are among those photographed. Where photos show more of a plant than
    of others, its share corrects what its photo count overstates: the errors are not independent,
    and their covariance (of the linearised ratio estimator; Cochran 1977, sec. 12.9) is negative.
    """
    if len(photo) < 2 or photo.sum() <= 0 or true.sum() <= 0:
        return 0.0
    residual = true - true.sum() / photo.sum() * photo
    covariance = float(np.cov(photo, residual)[0, 1])
    return covariance / plants / float(photo.mean()) / float(true.mean())


def line(photo: Floats, true: Floats) -> Line:
    """Return the line of true on photo counts; None where the photo counts do not vary."""
    if len(photo) < 2 or np.all(photo == photo[0]):
        return Line(None, None, None)
    slope = float(np.cov(photo, true)[0, 1] / photo.var(ddof=1))
    flat = bool(np.all(true == true[0]))
    correlation = None if flat else float(np.corrcoef(photo, true)[0, 1])
    return Line(float(true.mean()) - slope * float(photo.mean()), slope, correlation)


def ratio_total(
    photo: Floats, true: Floats, mean_photo: float, plants: int, level: float = 0.95
) -> Total:
    """Return the true total by the ratio estimator.

    Parameters
    ----------
    photo, true : (n,) float64
        Counts of the plants counted both ways.
    mean_photo : float
        Mean photo count of all plants.
    plants : int
        How many plants there are.
    level : float
        Of the interval.
    """
    if len(photo) == 0 or photo.sum() <= 0:
        return NO_TOTAL
    ratio = float(true.sum() / photo.sum())
    known = float(true.sum())
    return _total(true - ratio * photo, 1, ratio * mean_photo, plants, level, known)


def regression_total(
    photo: Floats, true: Floats, mean_photo: float, plants: int, level: float = 0.95
) -> Total:
    """Return the true total by the regression estimator; parameters as `ratio_total`.

    There is none where the line, drawn through few plants, leads below what was counted by hand.
    """
    fit = line(photo, true)
    if fit.slope is None or fit.intercept is None:
        return NO_TOTAL
    residual = true - fit.intercept - fit.slope * photo
    mean, known = fit.intercept + fit.slope * mean_photo, float(true.sum())
    if plants * mean < known - 1e-9:
        return NO_TOTAL
    return _total(residual, 2, mean, plants, level, known)


def _total(
    residual: Floats, coefficients: int, mean: float, plants: int, level: float, known: float
) -> Total:
    """Put a total together; its interval does not reach below the `known` fruit counted by hand."""
    n = len(residual)
    df = n - coefficients
    if df < 1:
        return Total(mean, plants * mean, None, None, None)
    left = max(0.0, 1 - n / plants)
    se = plants * math.sqrt(left * float(residual @ residual) / df / n)
    half = half_width(se, df, level)
    low = min(max(plants * mean - half, known), plants * mean)
    return Total(mean, plants * mean, se, low, plants * mean + half)
