"""Differences of means and of middles: Welch, blocks, Hodges-Lehmann, Dunnett."""

from __future__ import annotations

import math
import warnings
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

from counting.analysis.estimates import NO_ESTIMATE, Estimate, Joint
from counting.analysis.methods.design import Design
from counting.analysis.methods.student import exponentiated, student

__all__ = [
    "adjusted_means",
    "dunnett",
    "hodges_lehmann",
    "joint_quantile",
    "jointly",
    "ratio_of_means",
    "single_step",
    "unequal_covariance",
    "welch",
    "within_blocks",
]

Floats = NDArray[np.float64]

_WELCH = "difference of means (Welch)"
_WITHIN = "difference within blocks (least squares)"
_RATIO = "ratio of means"
_SHIFT = "shift of the middle (Hodges and Lehmann)"
_SORTING = 8
"""Sorting differences takes about so many times as long as finding the few that are wanted."""
_MANY = 1e7
"""Degrees of freedom at which t is the normal curve to seven digits."""
_EXACT_BELOW = 50
"""Exact rank intervals for groups smaller than this without ties; common practice."""


def welch(group: Floats, control: Floats, level: float = 0.95) -> Estimate:
    """Difference of means without assuming equal variances.

    Parameters
    ----------
    group, control : (n,) float64
        One value per unit.
    level : float
        Of the interval.

    References
    ----------
    Welch (1947) Biometrika 34:28-35, degrees of freedom of Satterthwaite (1946).
    """
    n, m = len(group), len(control)
    if not n or not m:
        return NO_ESTIMATE
    value = float(group.mean() - control.mean())
    if n < 2 or m < 2:
        return Estimate(value, method=_WELCH)
    a, b = _variance(group) / n, _variance(control) / m
    if a + b == 0:
        return Estimate(value, method=_WELCH)
    df = (a + b) ** 2 / (a**2 / (n - 1) + b**2 / (m - 1))
    return student(value, math.sqrt(a + b), df, level, _WELCH)


def _variance(values: Floats) -> float:
    """Variance with n - 1; exactly 0 where all values are the same."""
    return 0.0 if np.all(values == values[0]) else float(values.var(ddof=1))


def ratio_of_means(group: Floats, control: Floats, level: float = 0.95) -> Estimate:
    """Ratio of two means of measures, with the interval on the log scale.

    The variance of a log mean is that of the mean over its square (delta method); degrees of
    freedom as Welch's.
    """
    if not len(group) or not len(control) or group.mean() <= 0 or control.mean() <= 0:
        return NO_ESTIMATE
    n, m = len(group), len(control)
    ratio = float(group.mean() / control.mean())
    if n < 2 or m < 2:
        return Estimate(ratio, method=_RATIO)
    a = _variance(group) / n / float(group.mean()) ** 2
    b = _variance(control) / m / float(control.mean()) ** 2
    if a + b == 0:
        return Estimate(ratio, method=_RATIO)
    df = (a + b) ** 2 / (a**2 / (n - 1) + b**2 / (m - 1))
    log = exponentiated(student(math.log(ratio), math.sqrt(a + b), df, level, _RATIO))
    return replace(log, value=ratio)


def within_blocks(matrix: Floats, column: int, values: Floats, level: float = 0.95) -> Estimate:
    """Difference of a group to the control within blocks: least squares with groups and blocks.

    With two groups and one unit of each in a block this is the paired t test.

    Parameters
    ----------
    matrix : (n, p) float64
        Intercept, groups, blocks; of full rank.
    column : int
        The group's column.
    values : (n,) float64
    level : float
        Of the interval: 0.95 is 95 %.
    """
    df = matrix.shape[0] - matrix.shape[1]
    coefficients, covariance = _least_squares(matrix, values)
    value = float(coefficients[column])
    if df < 1:
        return Estimate(value, method=_WITHIN)
    se = math.sqrt(max(float(covariance[column, column]), 0.0))
    return student(value, se, df, level, _WITHIN)


def adjusted_means(design: Design, values: Floats) -> Floats:
    """Return each group's mean by the model, at the mean of blocks and covariate.

    Parameters
    ----------
    design : Design
    values : (n,) float64

    Returns
    -------
    (1 + g,) float64
        The control's, then those of the design's groups.
    """
    coefficients, _ = _least_squares(design.matrix, values)
    at = design.matrix.mean(axis=0)
    places = range(1, 1 + len(design.groups))
    at[list(places)] = 0.0
    control = float(at @ coefficients)
    return np.array([control, *(control + coefficients[place] for place in places)])


def _least_squares(matrix: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Coefficients and covariance; residuals that are only rounding count as none."""
    inverse = np.linalg.inv(matrix.T @ matrix)
    coefficients = np.asarray(inverse @ (matrix.T @ values), "float64")
    residual = values - matrix @ coefficients
    df = matrix.shape[0] - matrix.shape[1]
    square = float(residual @ residual)
    if square <= 1e-24 * float(values @ values):
        square = 0.0
    scale = square / df if df > 0 else math.nan
    return coefficients, np.asarray(scale * inverse, "float64")


def dunnett(samples: dict[str, Floats], control: str, seed: int) -> dict[str, float]:
    """P values of every group against the control, adjusted for their number.

    Dunnett (1955) J. Am. Statist. Ass. 50:1096-1121, two-sided, with the pooled variance; empty
    where a group has fewer than one unit or nothing varies.
    """
    others = {name: values for name, values in samples.items() if name != control and len(values)}
    base = samples[control]
    inside = sum(
        _variance(values) * (len(values) - 1) for values in [base, *others.values()] if len(values)
    )
    total = len(base) + sum(map(len, others.values()))
    if not others or not len(base) or total <= len(others) + 1 or inside <= 0:
        return {}
    with warnings.catch_warnings():
        # a group without variation is no trouble here: the variance is pooled
        warnings.filterwarnings("ignore", "Precision loss", RuntimeWarning)
        result = stats.dunnett(*others.values(), control=base, rng=np.random.default_rng(seed))
    return {name: float(p) for name, p in zip(others, result.pvalue, strict=True)}


def single_step(
    statistics: dict[str, float], covariance: Floats, df: float | Floats, seed: int
) -> dict[str, float]:
    """Adjust p values of estimates that share a control, as Dunnett does, from their covariance.

    Parameters
    ----------
    statistics : dict of str to float
        Estimate over its standard error, in the order of `covariance`.
    covariance : (g, g) float64
    df : float or (g,) float64
        Of the shared variance, or of each estimate; infinite: by the normal curve.
    seed : int
        Of the integration over the joint distribution.
    """
    each_df = np.broadcast_to(np.asarray(df, "float64"), (len(statistics),))
    if not statistics or not np.all(each_df >= 1) or not np.all(np.diag(covariance) > 0):
        return {}
    scale = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(scale, scale)
    adjusted = {}
    for (name, statistic), own in zip(statistics.items(), each_df.tolist(), strict=True):
        # infinite ones are taken as so many: the library's normal curve takes no seed
        joint = stats.multivariate_t(shape=correlation, df=min(own, _MANY), allow_singular=True)
        size = np.full(len(statistics), abs(statistic))
        rng = np.random.default_rng(seed)
        inside = float(joint.cdf(size, lower_limit=-size, random_state=rng))
        single = float(2 * stats.t.sf(abs(statistic), own))
        adjusted[name] = min(1.0, max(1 - inside, single))
    return adjusted


def joint_quantile(covariance: Floats, df: float, level: float, seed: int) -> float:
    """Return how many standard errors an interval reaches that holds for all estimates together.

    Parameters
    ----------
    covariance : (g, g) float64
        Of the estimates.
    df : float
        Of the shared variance.
    level : float
        Of all intervals together: 0.95 is 95 %.
    seed : int
        Of the integration over the joint distribution.

    References
    ----------
    Dunnett (1955) J. Am. Statist. Ass. 50:1096-1121; Hothorn, Bretz & Westfall (2008) Biometrical
    J. 50:346-363.
    """
    scale = np.sqrt(np.diag(covariance))
    shape = covariance / np.outer(scale, scale)
    joint = stats.multivariate_t(shape=shape, df=df, allow_singular=True)
    tail = (1 - level) / 2

    def outside(quantile: float) -> float:
        ends = np.full(len(scale), quantile)
        rng = np.random.default_rng(seed)
        return float(joint.cdf(ends, lower_limit=-ends, random_state=rng)) - level

    # between a single interval and Bonferroni's
    single, apart = (float(stats.t.isf(tail / n, df)) for n in (1, len(scale)))
    if outside(single) >= 0 or len(scale) == 1:
        return single
    # where the two are as good as one, the integration's own error can leave nothing between
    return (
        float(optimize.brentq(outside, single, apart, xtol=1e-4)) if outside(apart) > 0 else apart
    )


def jointly(
    estimates: dict[str, Estimate], covariance: Floats, level: float, seed: int
) -> dict[str, Joint]:
    """Adjust estimates that share a control by their joint distribution, each at its own df.

    Parameters
    ----------
    estimates : dict of str to Estimate
        With standard errors and degrees of freedom; ratios as logarithms.
    covariance : (g, g) float64
        In their order. Without covariances (a diagonal) the result is Sidak's, which is safe for
        whatever they are (Sidak 1967, J. Am. Statist. Ass. 62:626-633).
    level : float
        Of all intervals together: 0.95 is 95 %.
    seed : int
        Of the integration over the joint distribution.

    Returns
    -------
    dict of str to Joint
        Empty where some estimate has no error.
    """
    each_df = np.array([each.df or 0.0 for each in estimates.values()])
    values = [(each.value or 0.0, each.se or math.inf) for each in estimates.values()]
    statistics = {name: value / se for name, (value, se) in zip(estimates, values, strict=True)}
    p = single_step(statistics, covariance, each_df, seed)
    if not p:
        return {}
    reach = {df: joint_quantile(covariance, df, level, seed) for df in set(each_df)}
    return {
        name: Joint(p[name], value - reach[df] * se, value + reach[df] * se)
        for name, (value, se), df in zip(estimates, values, each_df, strict=True)
    }


def unequal_covariance(samples: dict[str, Floats], control: str) -> tuple[tuple[str, ...], Floats]:
    """Covariance of the differences to the control where every group varies in its own way.

    With it `single_step` and `joint_quantile`, at each difference's own degrees of freedom
    (Satterthwaite), adjust Welch's differences as Dunnett's method does those of one common
    variance, which is too timid for groups that vary little and too bold for those that vary much.

    Parameters
    ----------
    samples : dict of str to (n,) float64
    control : str

    Returns
    -------
    names : tuple of str
        The groups of which Welch's difference has a standard error.
    covariance : (g, g) float64
        On the diagonal the squares of Welch's standard errors, beside it the variance of the
        control's mean, which all differences share.

    References
    ----------
    Hasler & Hothorn (2008) Biometrical J. 50:793-800 (from memory; `tests/simulation.md` shows
    what it gives).
    """
    base = samples[control]
    names = tuple(
        name
        for name, values in samples.items()
        if name != control and welch(values, base).se is not None
    )
    shared = _variance(base) / len(base) if names else 0.0
    own = [_variance(samples[name]) / len(samples[name]) for name in names]
    return names, np.asarray(np.diag(own) + shared, "float64").reshape(len(own), len(own))


def hodges_lehmann(group: Floats, control: Floats, level: float = 0.95) -> Estimate:
    """Median of all differences between a unit of the group and one of the control.

    The interval is the one of the rank-sum test: exact where both groups are under 50 units and
    nothing ties, else of the normal approximation with correction for ties and continuity. There
    is none where so few units cannot give one at this level.

    References
    ----------
    Hodges & Lehmann (1963) Ann. Math. Statist. 34:598-611; Hollander & Wolfe (1999) Nonparametric
    Statistical Methods, sec. 4.2-4.3.
    """
    n, m = len(group), len(control)
    if not n or not m:
        return NO_ESTIMATE
    total = n * m
    tied = len(np.unique(np.concatenate([group, control]))) < n + m
    outside = _exact_rank(n, m, level) if _is_small(n, m) and not tied else None
    if outside is None and (tied or not _is_small(n, m)):
        outside = _normal_rank(group, control, level)
    ranks = [(total + 1) // 2, total // 2 + 1]
    if outside is not None and outside >= 1:
        ranks += [outside, total + 1 - outside]
    lower, upper, *ends = _ranked_differences(group, control, ranks)
    low, high = ends or (None, None)
    return Estimate((lower + upper) / 2, low, high, method=_SHIFT)


def _is_small(n: int, m: int) -> bool:
    return n < _EXACT_BELOW and m < _EXACT_BELOW


def _ranked_differences(group: Floats, control: Floats, ranks: list[int]) -> list[float]:
    """Differences of these ranks, from 1, among all; repeated values are worked out only once."""
    a, times_a = np.unique(group, return_counts=True)
    b, times_b = np.unique(control, return_counts=True)
    places = np.array(ranks) - 1
    if len(a) * len(b) * _SORTING > len(group) * len(control):
        every = np.subtract.outer(group, control).ravel()
        return [float(value) for value in np.partition(every, places)[places]]
    differences = np.subtract.outer(a, b).ravel()
    order = np.argsort(differences, kind="stable")
    reached = np.cumsum(np.multiply.outer(times_a, times_b).ravel()[order])
    return [float(value) for value in differences[order][np.searchsorted(reached, ranks)]]


def _exact_rank(n: int, m: int, level: float) -> int | None:
    """Rank of the differences at which the exact interval begins, counted from 1."""
    ways = np.ones(1)
    for size in range(1, n + 1):
        # Gaussian binomial, factor by factor: times (1 - q^(m + size)) over (1 - q^size)
        longer = np.zeros(size * m + 1 + m + size)
        longer[: len(ways)] += ways
        longer[m + size : m + size + len(ways)] -= ways
        for index in range(size, len(longer)):
            longer[index] += longer[index - size]
        ways = longer[: size * m + 1]
    below = np.cumsum(ways) / ways.sum()
    tail = (1 - level) / 2
    rank = int(np.searchsorted(below, tail))
    return rank if rank >= 1 else None


def _normal_rank(group: Floats, control: Floats, level: float) -> int | None:
    """The same rank from the normal approximation, ties within the groups taken into account."""
    n, m = len(group), len(control)
    ties = sum(
        float(np.sum(times.astype("float64") ** 3 - times))
        for times in (
            np.unique(group, return_counts=True)[1],
            np.unique(control, return_counts=True)[1],
        )
    )
    both = n + m
    variance = n * m / 12 * (both + 1 - ties / (both * (both - 1)))
    if variance <= 0:
        return None
    z = float(stats.norm.ppf((1 + level) / 2))
    return math.ceil(n * m / 2 - z * math.sqrt(variance) - 0.5)
