"""Grades: which group tends to lie higher, without pretending that grades can be averaged."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from counting.analysis.estimates import NO_ESTIMATE, Estimate, Joint
from counting.analysis.methods.differences import joint_quantile, single_step
from counting.analysis.methods.randomisation import randomisation_test

__all__ = ["blocks_can_tell", "grades_together", "superiority"]

Floats = NDArray[np.float64]
Blocks = Mapping[str, Sequence[str]]
"""The block of each value of each group."""
Pair = tuple[Floats, Floats]
"""Values of the group and of the control that are held against each other: those of one block."""

_METHOD = "chance of lying higher (Mann and Whitney)"
_WITHIN = "chance of lying higher within blocks (van Elteren)"
_EXACT = 100
"""Up to so many values of a group and the control the p within blocks is counted out, where blocks
of like size leave that short; from there on the normal curve's is within 0.003 of it."""


def superiority(
    group: Floats,
    control: Floats,
    level: float = 0.95,
    blocks: tuple[Sequence[str], Sequence[str]] | None = None,
) -> Estimate:
    """Chance that a unit of the group lies above one of the control, ties counted half.

    Parameters
    ----------
    group, control : (n,) float64
        Grades or any values that can be ordered.
    level : float
        Of the interval.
    blocks : (sequence of str, sequence of str), optional
        Of each value of the group and of the control: only units of one block are then held
        against each other.

    Returns
    -------
    Estimate
        The p is Mann and Whitney's (exact for small groups without ties, else normal with
        correction for ties and continuity); the interval is of the arcsine of the root with
        Brunner and Munzel's variance (on the logit scale it is too wide, without a scale too
        narrow: `tests/simulation.md`), and None where the groups do not overlap. With blocks the
        chance is the blocks' mean with van Elteren's weights, the p that of all ways in which
        the lots could have fallen within blocks (of many values by the normal curve), and the
        variance that within blocks; None where they hold hardly more than one unit of a group.
        It is of these blocks, not of all that there might be.

    References
    ----------
    Mann & Whitney (1947) Ann. Math. Statist. 18:50-60; van Elteren (1960) Bull. Int. Stat. Inst.
    37:351-361; Brunner & Munzel (2000) Biometrical J. 42:17-25.
    """
    pairs = _pairs(group, control, blocks)
    if not pairs:
        return NO_ESTIMATE
    probability = _chance(pairs)
    method = _METHOD if blocks is None else _WITHIN
    if all(np.all(np.concatenate(pair) == pair[0][0]) for pair in pairs):
        return Estimate(probability, method=method)
    if len(pairs) == 1:
        p = float(stats.mannwhitneyu(*pairs[0], alternative="two-sided").pvalue)
    else:
        p = _van_elteren(pairs)
    angle = _angle(pairs)
    if angle is None:
        return Estimate(probability, None, None, p, method=method)
    low, high = _ends(*angle[:2], float(stats.t.ppf((1 + level) / 2, angle[2])))
    return Estimate(probability, low, high, p, method=method)


def blocks_can_tell(
    samples: dict[str, Floats], control: str, blocks: Blocks, level: float = 0.95
) -> bool:
    """Whether the layout lets every group be told from the control within blocks.

    In two blocks of two units a group the lots can fall in 36 ways, so that no grades whatever
    give a p under 0.055. In blocks of single units what is left is the sign test, which finds
    less than a comparison across blocks does, even where they are unlike (`tests/simulation.md`).

    Parameters
    ----------
    samples : dict of str to (n,) float64
    control : str
    blocks : dict of str to sequence of str
    level : float
        Of the answer to all groups together.
    """
    others = [name for name in samples if name != control and len(samples[name])]
    smallest = []
    for name in others:
        pairs = _pairs(samples[name], samples[control], (blocks[name], blocks[control]))
        if not pairs or min(_free(pairs)) < len(pairs) / 2:
            return False
        ways = math.prod(math.comb(len(a) + len(b), len(a)) for a, b in pairs)
        mirrored = all(len(a) == len(b) for a, b in pairs)
        smallest.append((2 if mirrored else 1) / ways)
    return bool(others) and max(smallest) * len(others) <= 1 - level


def grades_together(
    samples: dict[str, Floats],
    control: str,
    level: float = 0.95,
    seed: int = 1,
    blocks: Blocks | None = None,
) -> dict[str, Joint]:
    """Adjust the chances of lying higher of several groups for their number.

    The p values are of the largest of Mann and Whitney's statistics (Steel's test of many groups
    against one control): groups that share a control have statistics that go together as
    ``sqrt(n a) / sqrt((n + m + 1) (a + m + 1))`` for groups of n and a units and a control of m;
    within blocks variances and covariances add up over them, with van Elteren's weights.
    The intervals hold for all groups together, on the scale of `superiority`.

    Parameters
    ----------
    samples : dict of str to (n,) float64
    control : str
    level : float
        Of all intervals together.
    seed : int
        Of the integration over the joint distribution.
    blocks : dict of str to sequence of str, optional
        Of each value of each group, to compare within them.

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
    of = {
        name: None if blocks is None else (blocks[name], blocks[control])
        for name in samples
        if name != control
    }
    each = {name: superiority(samples[name], base, level, of[name]) for name in of}
    z = {name: float(stats.norm.isf(found.p / 2)) for name, found in each.items() if found.p}
    if not z:
        return {}
    shape = _correlation(list(z), samples, control, blocks)
    p = single_step(z, shape, math.inf, seed)
    found = {}
    for name in z:
        ends: tuple[float | None, float | None] = (None, None)
        angle = _angle(_pairs(samples[name], base, of[name]))
        if angle is not None:
            ends = _ends(*angle[:2], joint_quantile(shape, angle[2], level, seed))
        found[name] = Joint(p[name], *ends)
    return found


def _pairs(
    group: Floats, control: Floats, blocks: tuple[Sequence[str], Sequence[str]] | None
) -> list[Pair]:
    """Return what is held against each other: all, or the values of each block that has both."""
    if blocks is None:
        return [(group, control)] if len(group) and len(control) else []
    of_group, of_control = (np.asarray(each, dtype=object) for each in blocks)
    return [
        (group[of_group == name], control[of_control == name])
        for name in dict.fromkeys(blocks[0])
        if (of_control == name).any()
    ]


def _weights(pairs: list[Pair]) -> Floats:
    """Return van Elteren's weights of the blocks, the most telling where groups do not differ."""
    sizes = np.array([(len(a), len(b)) for a, b in pairs], "float64")
    weights = sizes.prod(axis=1) / (sizes.sum(axis=1) + 1)
    return np.asarray(weights / weights.sum(), "float64")


def _chance(pairs: list[Pair]) -> float:
    return float(_weights(pairs) @ [_probability(*pair) for pair in pairs])


def _probability(group: Floats, control: Floats) -> float:
    n = len(group)
    ranks = stats.rankdata(np.concatenate([group, control]))[:n]
    return (float(ranks.sum()) - n * (n + 1) / 2) / (n * len(control))


def _van_elteren(pairs: list[Pair]) -> float:
    """Return the two-sided p of the ranks within blocks, each over the block's size and one."""
    both = [np.concatenate(pair) for pair in pairs]
    scores = [stats.rankdata(values) / (len(values) + 1) for values in both]
    if sum(map(len, both)) <= _EXACT:
        treated = [np.arange(len(a) + len(b)) < len(a) for a, b in pairs]
        block = [str(place) for place, values in enumerate(both) for _ in values]
        found = randomisation_test(
            np.concatenate(scores), np.concatenate(treated), block, draws=0, seed=1
        )
        if found.exact and found.p is not None:
            return found.p
    off = variance = 0.0
    for score, (a, b) in zip(scores, pairs, strict=True):
        n, m = len(a), len(b)
        off += float(score[:n].sum()) - n / 2
        variance += n * m / (n + m) * float(score.var(ddof=1))
    return float(2 * stats.norm.sf(abs(off) / math.sqrt(variance)))


def _correlation(
    names: list[str], samples: dict[str, Floats], control: str, blocks: Blocks | None
) -> Floats:
    """How the statistics of groups that share a control go together where none differs."""
    held = [
        np.zeros(len(samples[name])) if blocks is None else np.asarray(blocks[name], dtype=object)
        for name in (control, *names)
    ]
    covariance = np.zeros((len(names), len(names)))
    for place in dict.fromkeys(held[0].tolist()):
        m, *others = [float((each == place).sum()) for each in held]
        n = np.array(others)
        taken = n / (n + m + 1)
        covariance += np.outer(taken, taken) * m + np.diag(taken * m * (1 - taken))
    scale = np.sqrt(np.diag(covariance))
    return np.asarray(covariance / np.outer(scale, scale), "float64")


def _ends(middle: float, se: float, reach: float) -> tuple[float, float]:
    """Return both ends of the interval that reaches so many errors from an angle."""
    ends = np.clip([middle - reach * se, middle + reach * se], 0.0, math.pi / 2)
    low, high = (np.sin(ends) ** 2).tolist()
    return low, high


def _angle(pairs: list[Pair]) -> tuple[float, float, float] | None:
    """Arcsine of the chance's root, its error by Brunner and Munzel and that one's df."""
    if not pairs:
        return None
    probability = _chance(pairs)
    if not 0 < probability < 1:
        return None
    free = _free(pairs)
    if min(free) < len(pairs) / 2:
        return None
    a, b = _placed(pairs, 0) / free[0], _placed(pairs, 1) / free[1]
    if a + b <= 0:
        return None
    df = (a + b) ** 2 / (a**2 / free[0] + b**2 / free[1])
    se = math.sqrt((a + b) / (probability * (1 - probability))) / 2
    return math.asin(math.sqrt(probability)), se, df


def _free(pairs: list[Pair]) -> tuple[int, int]:
    """Return how many units of either side stand beside another of theirs in a block."""
    a, b = (sum(len(pair[side]) - 1 for pair in pairs) for side in (0, 1))
    return a, b


def _placed(pairs: list[Pair], side: int) -> float:
    """Squares of where the units of one side stand among the other's, times the error's share."""
    squares = share = 0.0
    for weight, pair in zip(_weights(pairs), pairs, strict=True):
        own, other = pair[side], pair[1 - side]
        both = stats.rankdata(np.concatenate([own, other]))[: len(own)]
        placed = (both - stats.rankdata(own)) / len(other)
        squares += float(((placed - placed.mean()) ** 2).sum())
        share += weight**2 / len(own)
    return squares * share
