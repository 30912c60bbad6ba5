"""Grades: which group tends to lie higher, without pretending that grades can be averaged."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from counting.analysis.estimates import NO_ESTIMATE, Estimate, Joint
from counting.analysis.methods.differences import joint_quantile, single_step

__all__ = ["grades_together", "superiority"]

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
        correction for ties and continuity); the interval is of the arcsine of the root with
        Brunner and Munzel's variance (on the logit scale it is too wide, without a scale too
        narrow: `tests/simulation.md`), and None where the groups do not overlap.

    References
    ----------
    Mann & Whitney (1947) Ann. Math. Statist. 18:50-60; Brunner & Munzel (2000) Biometrical J.
    42:17-25.
    """
    n, m = len(group), len(control)
    if not n or not m:
        return NO_ESTIMATE
    probability = _probability(group, control)
    if np.all(np.concatenate([group, control]) == control[0]):
        return Estimate(probability, method=_METHOD)
    p = float(stats.mannwhitneyu(group, control, alternative="two-sided").pvalue)
    angle = _angle(group, control)
    if angle is None:
        return Estimate(probability, None, None, p, method=_METHOD)
    low, high = _ends(*angle[:2], float(stats.t.ppf((1 + level) / 2, angle[2])))
    return Estimate(probability, low, high, p, method=_METHOD)


def grades_together(
    samples: dict[str, Floats], control: str, level: float = 0.95, seed: int = 1
) -> dict[str, Joint]:
    """Adjust the chances of lying higher of several groups for their number.

    The p values are of the largest of Mann and Whitney's statistics (Steel's test of many groups
    against one control): groups that share a control have statistics that go together as
    ``sqrt(n a) / sqrt((n + m + 1) (a + m + 1))`` for groups of n and a units and a control of m.
    The intervals hold for all groups together, on the scale of `superiority`.

    Parameters
    ----------
    samples : dict of str to (n,) float64
    control : str
    level : float
        Of all intervals together.
    seed : int
        Of the integration over the joint distribution.

    Returns
    -------
    dict of str to Joint
        Of every group that can be told from the control at all; `low` and `high` are None where a
        group does not overlap with it.

    References
    ----------
    Steel (1959) Biometrics 15:560-572; Konietschke, Hothorn & Brunner (2012) Electronic Journal of
    Statistics 6:738-759 (the intervals; both from memory, `tests/simulation.md` shows what they
    give).
    """
    base = samples[control]
    each = {
        name: superiority(values, base, level)
        for name, values in samples.items()
        if name != control and len(values) and len(base)
    }
    z = {name: float(stats.norm.isf(found.p / 2)) for name, found in each.items() if found.p}
    if not z:
        return {}
    size = np.array([len(samples[name]) for name in z], "float64")
    weight = np.sqrt(size / (size + len(base) + 1))
    shape = np.outer(weight, weight)
    np.fill_diagonal(shape, 1.0)
    p = single_step(z, shape, math.inf, seed)
    found = {}
    for name in z:
        ends: tuple[float | None, float | None] = (None, None)
        angle = _angle(samples[name], base)
        if angle is not None:
            ends = _ends(*angle[:2], joint_quantile(shape, angle[2], level, seed))
        found[name] = Joint(p[name], *ends)
    return found


def _probability(group: Floats, control: Floats) -> float:
    n = len(group)
    ranks = stats.rankdata(np.concatenate([group, control]))[:n]
    return (float(ranks.sum()) - n * (n + 1) / 2) / (n * len(control))


def _ends(middle: float, se: float, reach: float) -> tuple[float, float]:
    """Return both ends of the interval that reaches so many errors from an angle."""
    ends = np.clip([middle - reach * se, middle + reach * se], 0.0, math.pi / 2)
    low, high = (np.sin(ends) ** 2).tolist()
    return low, high


def _angle(group: Floats, control: Floats) -> tuple[float, float, float] | None:
    """Arcsine of the chance's root, its error by Brunner and Munzel and that one's df."""
    n, m = len(group), len(control)
    if n < 2 or m < 2:
        return None
    probability = _probability(group, control)
    if not 0 < probability < 1:
        return None
    both = stats.rankdata(np.concatenate([group, control]))
    placed = (both[:n] - stats.rankdata(group)) / m
    placed0 = (both[n:] - stats.rankdata(control)) / n
    a, b = float(placed.var(ddof=1)) / n, float(placed0.var(ddof=1)) / m
    if a + b <= 0:
        return None
    df = (a + b) ** 2 / (a**2 / (n - 1) + b**2 / (m - 1))
    se = math.sqrt((a + b) / (probability * (1 - probability))) / 2
    return math.asin(math.sqrt(probability)), se, df
