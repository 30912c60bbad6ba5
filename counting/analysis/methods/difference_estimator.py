"""A sample of reviews, an answer for all: expected counts, corrected by what reviews found."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from counting.analysis.estimates import NO_ESTIMATE, Estimate
from counting.analysis.methods.student import exponentiated, student

__all__ = ["Corrected", "corrected", "ratio_of_corrected"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Corrected:
    """Values whose means by group are the corrected ones, whatever part was reviewed.

    Attributes
    ----------
    values : (n,) float64
        Of each plant; only their means mean something.
    sampling : dict of str to float
        Variance of each group's mean that comes from reviewing a sample only.
    reviewed : dict of str to int
        Plants of each group's sample that were reviewed.
    """

    values: Floats
    sampling: dict[str, float]
    reviewed: dict[str, int]


def corrected(
    expected: Floats, reviewed: Floats, chance: Floats, group: NDArray[np.str_]
) -> Corrected:
    """Correct expected counts by the mean difference that reviews found.

    The mean of a group is the mean of its expected counts plus the mean difference of reviewed and
    expected counts, weighted by one over the chance of having been drawn (difference estimator).
    Each plant's value is the linearised part that it has in that mean, so that the variation of
    the values between plants or plots is the mean's whole error, whatever the finder does.

    Assumes that the reviewed plants were drawn by lot with these chances, and that the finder was
    not fitted on them.

    Parameters
    ----------
    expected : (n,) float64
        The finder's expected count of every plant.
    reviewed : (n,) float64
        The reviewed count; NaN for plants not reviewed.
    chance : (n,) float64
        That the plant was drawn for review; 1 where it was reviewed for another reason than the
        draw, so that its count stands for itself alone.
    group : (n,) str

    References
    ----------
    Cochran (1977) Sampling Techniques, 3rd ed., sec. 7.9; Särndal, Swensson & Wretman (1992) Model
    Assisted Survey Sampling, sec. 6.3; Angelopoulos et al. (2023) Science 382:669-674.
    """
    values = expected.copy()
    sampling, counted = {}, {}
    for name in np.unique(group):
        mine = group == name
        done = mine & ~np.isnan(reviewed)
        sure = done & (chance >= 1)
        values[sure] = reviewed[sure]
        drawn, rest = done & (chance < 1), mine & ~sure
        if not drawn.any():
            sampling[str(name)], counted[str(name)] = math.nan, 0
            continue
        weight = 1 / chance[drawn]
        off = reviewed[drawn] - expected[drawn]
        mean = float(weight @ off / weight.sum())
        values[rest] += mean
        # weights are brought to the number of plants that they stand for
        scale = weight * rest.sum() / weight.sum()
        values[drawn] += scale * (off - mean)
        n = int(drawn.sum())
        spread = float(np.sum((scale * (off - mean)) ** 2 * (1 - chance[drawn])))
        sampling[str(name)] = spread * n / max(n - 1, 1) / float(mine.sum()) ** 2
        counted[str(name)] = n
    return Corrected(values, sampling, counted)


def ratio_of_corrected(
    values: Floats, matrix: Floats, column: int, treated: NDArray[np.bool_], level: float = 0.95
) -> Estimate:
    """Return the ratio of two groups' means with its interval on the log scale.

    The logarithm of a mean varies as the values over the mean do (delta method); blocks are taken
    out by least squares.

    Parameters
    ----------
    values : (n,) float64
        Of each unit.
    matrix : (n, p) float64
        Intercept, groups, blocks.
    column : int
        The group's column.
    treated : (n,) bool
        The group's units; all others of the pair are the control's.
    level : float
        Of the interval: 0.95 is 95 %.
    """
    control = matrix[:, 1 : column + 1].sum(axis=1) == 0 if column else ~treated
    control &= ~treated
    one, other = float(values[treated].mean()), float(values[control].mean())
    if one <= 0 or other <= 0:
        return NO_ESTIMATE
    df = matrix.shape[0] - matrix.shape[1]
    method = "ratio of means (difference estimator from a sample of reviews)"
    if df < 1:
        return Estimate(one / other, method=method)
    scaled = values / np.where(treated, one, other)
    inverse = np.linalg.inv(matrix.T @ matrix)
    residual = scaled - matrix @ (inverse @ (matrix.T @ scaled))
    se = math.sqrt(float(residual @ residual) / df * float(inverse[column, column]))
    return exponentiated(student(math.log(one / other), se, float(df), level, method))
