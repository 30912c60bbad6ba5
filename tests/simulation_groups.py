"""Simulated trials of several groups of measures: differences from one control, all together.

Run as a script: ``python tests/simulation_groups.py TRIALS SEED [CASE...]``. Values are normal;
groups differ in number and spread. False alarms are of the whole trial: any group told to differ.
The cases g0, g1 and so on are of grades, b0, b1 and so on of grades in blocks.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
from scipy import stats

from counting.analysis.estimates import Estimate, Joint
from counting.analysis.methods.differences import (
    joint_quantile,
    single_step,
    unequal_covariance,
    welch,
)
from counting.analysis.methods.grades import (
    _angle,
    _correlation,
    _pairs,
    grades_together,
    superiority,
)


@dataclass(frozen=True)
class Case:
    """Groups of a trial, the control first: how many units each has, and their SD."""

    name: str
    sizes: tuple[int, ...]
    sds: tuple[float, ...]


CASES = (
    Case("4 groups of 12, alike", (12,) * 4, (1, 1, 1, 1)),
    Case("6 groups of 12, spread as the sprays", (12,) * 6, (4.7, 4.3, 2.0, 2.5, 1.7, 6.2)),
    Case("4 groups of 6, alike", (6,) * 4, (1, 1, 1, 1)),
    Case("4 groups of 6, one varies 4 times as much", (6,) * 4, (1, 1, 1, 4)),
    Case("4 groups of 6, the control varies 4 times as much", (6,) * 4, (4, 1, 1, 1)),
    Case("control 20, groups 8, alike", (20, 8, 8, 8), (1, 1, 1, 1)),
    Case("control 20 of SD 1, groups 8 of SD 3", (20, 8, 8, 8), (1, 3, 3, 3)),
    Case("control 8 of SD 3, groups 20 of SD 1", (8, 20, 20, 20), (3, 1, 1, 1)),
    Case("3 groups of 4, spread 1, 1, 3", (4,) * 3, (1, 1, 3)),
    Case("sizes 5, 15, 10, 20, spread 3, 1, 2, 1", (5, 15, 10, 20), (3, 1, 2, 1)),
)


def simulate(case: Case, trials: int, seed: int) -> tuple[float, float, float]:
    """Return false alarms: adjusted, by one common variance, and unadjusted.

    The joint intervals hold all true differences in the trials without a false alarm, whatever the
    true differences are: both ask whether a difference lies beyond the same number of errors.
    """
    rng = np.random.default_rng((seed, *case.name.encode()))
    names = ["control", *(f"g{n}" for n in range(1, len(case.sizes)))]
    alarms = np.zeros(3)
    for _ in range(trials):
        drawn = {
            name: rng.normal(0, sd, n)
            for name, n, sd in zip(names, case.sizes, case.sds, strict=True)
        }
        found = {name: welch(drawn[name], drawn["control"]) for name in names[1:]}
        plain = {name: each.p for name, each in found.items() if (each.p or 1.0) < 0.05}
        alarms += [bool(plain) and _told(drawn, found), _pooled(drawn), bool(plain)]
    return tuple(float(each) for each in alarms / trials)  # type: ignore[return-value]


@dataclass(frozen=True)
class Graded:
    """Grades from 1 to 5: how many units each group has, and how often each grade falls."""

    name: str
    sizes: tuple[int, ...]
    shares: tuple[tuple[float, ...], ...]


_EVEN = (0.2,) * 5
_NARROW = (0.0, 0.1, 0.8, 0.1, 0.0)
_WIDE = (0.4, 0.1, 0.0, 0.1, 0.4)
_RISING = (0.05, 0.1, 0.2, 0.3, 0.35)
GRADED = (
    Graded("grades: 4 groups of 15, alike", (15,) * 4, (_EVEN,) * 4),
    Graded("grades: 4 groups of 6, alike", (6,) * 4, (_EVEN,) * 4),
    Graded("grades: control 20, groups 8, alike", (20, 8, 8, 8), (_EVEN,) * 4),
    Graded("grades: 4 groups of 15, the control spread wide", (15,) * 4, (_WIDE, *[_NARROW] * 3)),
    Graded("grades: 4 groups of 15, the control narrow", (15,) * 4, (_NARROW, *[_WIDE] * 3)),
    Graded("grades: 4 groups of 15, two higher", (15,) * 4, (_EVEN, _EVEN, _RISING, _RISING)),
)


def simulate_grades(case: Graded, trials: int, seed: int) -> tuple[float, float, float, float]:
    """Return how often Steel's p tells, p and interval tell, and the joint intervals hold all.

    The last is of each group's own intervals. All trials at once, from how often each grade fell;
    the first ten are held against the program's own functions.
    """
    rng = np.random.default_rng((seed, *case.name.encode()))
    counts = [rng.multinomial(n, p, trials) for n, p in zip(case.sizes, case.shares, strict=True)]
    truth = [_higher(share, case.shares[0]) for share in case.shares]
    weight = np.array([np.sqrt(n / (n + case.sizes[0] + 1)) for n in case.sizes[1:]])
    shape = np.outer(weight, weight)
    np.fill_diagonal(shape, 1.0)
    reach = [joint_quantile(shape, df, 0.95, 1) for df in _DF]
    steel = 2 * stats.norm.sf(joint_quantile(shape, 1e7, 0.95, 1))
    told, apart, held, own = [], [], [], []
    for place in range(1, len(case.sizes)):
        p, angle, se, df = _contrasts(counts[place], counts[0])
        true = np.arcsin(np.sqrt(truth[place]))
        wide = np.interp(df, _DF, reach)
        with np.errstate(invalid="ignore"):
            away = np.abs(angle - true) / se
            off = np.abs(angle - np.pi / 4) / se > wide
        none = abs(truth[place] - 0.5) < 1e-9
        told.append(none & (p < steel))
        apart.append(told[-1] & (off | ~np.isfinite(se)))
        held.append(~(away > wide))
        own.append(~(away > stats.t.isf(0.025, df)))
    _as_the_program(case, counts, np.array(told), np.array(held), truth)
    ever = (np.any(told, axis=0), np.any(apart, axis=0), np.all(held, axis=0))
    return (*(float(each.mean()) for each in ever), float(np.mean(own)))  # type: ignore[return-value]


_DF = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 14.0, 20.0, 30.0, 60.0, 200.0)


def _contrasts(group: np.ndarray, control: np.ndarray) -> tuple[np.ndarray, ...]:
    """Mann and Whitney's p, and the angle with its error and df, of tables of how grades fell."""
    n, m = int(group[0].sum()), int(control[0].sum())
    below = (np.cumsum(control, 1) - control / 2) / m
    below0 = (np.cumsum(group, 1) - group / 2) / n
    chance = (group * below).sum(1) / n
    mean0 = (control * below0).sum(1) / m
    a = ((group * below**2).sum(1) / n - chance**2) / (n - 1)
    b = ((control * below0**2).sum(1) / m - mean0**2) / (m - 1)
    ties = ((group + control).astype("float64") ** 3 - (group + control)).sum(1)
    variance = n * m / 12 * (n + m + 1 - ties / ((n + m) * (n + m - 1)))
    off = np.maximum(np.abs(chance - 0.5) * n * m - 0.5, 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        p = 2 * stats.norm.sf(off / np.sqrt(variance))
        df = (a + b) ** 2 / (a**2 / (n - 1) + b**2 / (m - 1))
        se = np.sqrt((a + b) / (chance * (1 - chance))) / 2
    return np.where(variance > 0, p, 1.0), np.arcsin(np.sqrt(chance)), se, df


def _as_the_program(
    case: Graded, counts: list[np.ndarray], told: np.ndarray, held: np.ndarray, truth: list[float]
) -> None:
    """Hold the first trials against what the program says of the same tables."""
    grades = np.arange(1.0, 6.0)
    for trial in range(10):
        drawn = {str(n): np.repeat(grades, each[trial]) for n, each in enumerate(counts)}
        for name, each in grades_together(drawn, "0").items():
            place = int(name) - 1
            if abs(truth[place + 1] - 0.5) < 1e-9:
                assert told[place, trial] == (each.p < 0.05), case.name
            assert held[place, trial] == _holds(each.low, each.high, truth[place + 1]), case.name


def _higher(group: tuple[float, ...], control: tuple[float, ...]) -> float:
    """Chance that a unit of the group lies above one of the control, ties counted half."""
    below = np.cumsum(control) - np.array(control)
    return float(np.array(group) @ (below + np.array(control) / 2))


def _holds(low: float | None, high: float | None, value: float) -> bool:
    return low is None or high is None or low <= value <= high


@dataclass(frozen=True)
class Blocked:
    """Grades from 1 to 5 in blocks, cut from normal deviates with an SD of 1 within blocks.

    `sizes` is the units of each group in a block, the control first; blocks differ by an SD of
    `unlike`, the groups from the control by `higher`; of the units the share `lost` dies.
    """

    name: str
    blocks: int
    sizes: tuple[int, ...]
    unlike: float
    higher: tuple[float, ...]
    lost: float = 0.0


_ONE = (0.0,)
BLOCKED = (
    Blocked("blocks: 3 of 2 plants a group, alike", 3, (2, 2), 1.0, _ONE),
    Blocked("blocks: 3 of 6 plants a group, alike", 3, (6, 6), 1.0, _ONE),
    Blocked("blocks: 4 of 3 plants a group, alike", 4, (3, 3), 1.0, _ONE),
    Blocked("blocks: 4 of 3 plants a group, 15 % dead, alike", 4, (3, 3), 1.0, _ONE, 0.15),
    Blocked("blocks: 6 of 2 plants a group, 15 % dead, alike", 6, (2, 2), 1.0, _ONE, 0.15),
    Blocked("blocks: 4 of 3 plants a group, higher", 4, (3, 3), 1.0, (1.0,)),
    Blocked("blocks: 4 of 3 plants a group, higher, blocks alike", 4, (3, 3), 0.0, (1.0,)),
    Blocked("blocks: 5 of 2 and 6 plants, higher", 5, (2, 6), 1.0, (1.0,)),
    Blocked("blocks: 8 pairs of plots, higher", 8, (1, 1), 1.0, (1.0,)),
    Blocked("blocks: 12 pairs of plots, higher, blocks alike", 12, (1, 1), 0.0, (1.0,)),
    Blocked("grades: 4 groups in 4 blocks of 3, alike", 4, (3,) * 4, 1.0, (0.0,) * 3),
    Blocked("grades: 4 groups in 3 blocks of 6, alike", 3, (6,) * 4, 1.0, (0.0,) * 3),
    Blocked("grades: 4 groups in 4 blocks of 4, two higher", 4, (4,) * 4, 1.0, (0.0, 1.0, 1.0)),
)
_CUTS = np.array([-1.2, -0.4, 0.4, 1.2])


def simulate_blocked(case: Blocked, trials: int, seed: int) -> tuple[float, ...]:
    """Return for two groups the columns of the blocks' table, for several those of the grades'."""
    rng = np.random.default_rng((seed, *case.name.encode()))
    several, rows = len(case.sizes) > 2, []
    bounds = _bounds(case) if several else (0.0, np.zeros(0))
    while len(rows) < trials:
        level = rng.normal(0, case.unlike, case.blocks)
        samples, blocks = _graded(case, level, rng)
        true = {name: _truth(case, level, blocks, name) for name in samples if name != "0"}
        alone = {
            name: superiority(samples[name], samples["0"], blocks=(blocks[name], blocks["0"]))
            for name in true
        }
        own = [_holds(each.low, each.high, true[name]) for name, each in alone.items()]
        if several:
            pairs = {
                name: _pairs(samples[name], samples["0"], (blocks[name], blocks["0"]))
                for name in true
            }
            none = {name for place, name in enumerate(true) if not case.higher[place]}
            found = [
                _of_several(pairs[name], (alone[name].p or 1.0) < bounds[0], bounds[1], true[name])
                for name in true
            ]
            if len(rows) < 10:
                joint = grades_together(samples, "0", blocks=blocks)
                for (low, apart, held), (name, each) in zip(found, joint.items(), strict=True):
                    assert low == (each.p < 0.05), case.name
                    assert apart == _apart(each), case.name
                    assert held == _holds(each.low, each.high, true[name]), case.name
            by_p, told = (
                any(each[place] for each, name in zip(found, true, strict=True) if name in none)
                for place in (0, 1)
            )
            rows.append((by_p, told, all(each[2] for each in found), float(np.mean(own))))
        else:
            across = superiority(samples["1"], samples["0"]).p
            (within,) = alone.values()
            told = _apart(Joint(1.0 if within.p is None else within.p, within.low, within.high))
            rows.append(((across or 1) < 0.05, (within.p or 1) < 0.05, told, own[0]))
    return tuple(np.mean(np.array(rows, "float64"), axis=0).tolist())


def _bounds(case: Blocked) -> tuple[float, np.ndarray]:
    """Return the p from which Steel's is under 0.05, and how far joint intervals reach by df."""
    names = [str(place) for place in range(len(case.sizes))]
    samples = {
        name: np.zeros(case.blocks * size) for name, size in zip(names, case.sizes, strict=True)
    }
    blocks = {
        name: [str(place) for place in range(case.blocks) for _ in range(size)]
        for name, size in zip(names, case.sizes, strict=True)
    }
    shape = _correlation(names[1:], samples, "0", blocks)
    reach = [joint_quantile(shape, df, 0.95, 1) for df in _DF]
    return float(2 * stats.norm.sf(joint_quantile(shape, 1e7, 0.95, 1))), np.array(reach)


def _of_several(pairs: list, told: bool, reach: np.ndarray, true: float) -> tuple[bool, bool, bool]:
    """Whether p tells, p and joint interval tell, and the joint interval holds what is true."""
    angle = _angle(pairs)
    if angle is None:
        return told, told, True
    wide = float(np.interp(angle[2], _DF, reach)) * angle[1]
    apart = told and abs(angle[0] - np.pi / 4) > wide
    return told, apart, abs(angle[0] - np.arcsin(np.sqrt(true))) <= wide


def _graded(
    case: Blocked, level: np.ndarray, rng: np.random.Generator
) -> tuple[dict[str, np.ndarray], dict[str, list[str]]]:
    """Draw the grades of each group, and the block of each."""
    samples, blocks = {}, {}
    for place, size in enumerate(case.sizes):
        block = np.repeat(np.arange(case.blocks), size)
        block = block[rng.random(len(block)) >= case.lost]
        middle = level[block] + (0.0, *case.higher)[place]
        drawn = middle + rng.normal(0, 1, len(block))
        samples[str(place)] = 1.0 + np.searchsorted(_CUTS, drawn)
        blocks[str(place)] = [str(each) for each in block]
    return samples, blocks


def _truth(case: Blocked, level: np.ndarray, blocks: dict[str, list[str]], name: str) -> float:
    """Mean over the blocks, with van Elteren's weights, of the true chance of lying higher."""
    weights, chances = [], []
    for place, middle in enumerate(level):
        n, m = blocks[name].count(str(place)), blocks["0"].count(str(place))
        ends = np.array([-np.inf, *_CUTS, np.inf])
        group = np.diff(stats.norm.cdf(ends - middle - case.higher[int(name) - 1]))
        control = np.diff(stats.norm.cdf(ends - middle))
        weights.append(n * m / (n + m + 1))
        chances.append(_higher(tuple(group), tuple(control)))
    return float(np.average(chances, weights=weights))


def _apart(found: Joint) -> bool:
    """Whether p and interval tell a difference, as the verdict asks."""
    if found.low is None or found.high is None:
        return found.p < 0.05
    return found.p < 0.05 and not found.low <= 0.5 <= found.high


def _told(drawn: dict[str, np.ndarray], found: dict[str, Estimate]) -> bool:
    """Whether an adjusted p is under 0.05; none is where no plain one is."""
    _, covariance = unequal_covariance(drawn, "control")
    df = np.array([each.df for each in found.values()])
    t = {name: (each.value or 0) / (each.se or 1) for name, each in found.items()}
    return min(single_step(t, covariance, df, 1).values()) < 0.05


def _pooled(drawn: dict[str, np.ndarray]) -> bool:
    """Whether one of Dunnett's own p values is under 0.05."""
    base, *others = drawn.values()
    df = sum(map(len, drawn.values())) - len(drawn)
    shared = sum(float(each.var()) * len(each) for each in drawn.values()) / df
    t = max(
        abs(each.mean() - base.mean()) / np.sqrt(shared * (1 / len(each) + 1 / len(base)))
        for each in others
    )
    if t < stats.t.isf(0.025, df):
        return False
    rng = np.random.default_rng(1)
    return float(min(stats.dunnett(*others, control=base, rng=rng).pvalue)) < 0.05


def main(trials: int, seed: int, places: list[str]) -> None:
    """Write the table to stdout, of all cases or of those at these places."""
    known = {str(n): case for n, case in enumerate(CASES)}
    known |= {f"g{n}": case for n, case in enumerate(GRADED)}
    known |= {f"b{n}": case for n, case in enumerate(BLOCKED)}
    for case in [known[place] for place in places or known]:
        found: tuple[float, ...]
        if isinstance(case, Blocked):
            found = simulate_blocked(case, trials, seed)
        elif isinstance(case, Graded):
            found = simulate_grades(case, trials, seed)
        else:
            found = simulate(case, trials, seed)
        figures = " | ".join(f"{each:.3f}" for each in found)
        sys.stdout.write(f"| {case.name} | {figures} |\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]), sys.argv[3:])
