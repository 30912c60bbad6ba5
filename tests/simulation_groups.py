"""Simulated trials of several groups of measures: differences from one control, all together.

Run as a script: ``python tests/simulation_groups.py TRIALS SEED [CASE...]``. Values are normal;
groups differ in number and spread. False alarms are of the whole trial: any group told to differ.
The cases g0, g1 and so on are of grades, where false alarms are by Steel's p and by Holm's.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
from scipy import stats
from statsmodels.stats.multitest import multipletests

from counting.analysis.estimates import Estimate
from counting.analysis.methods.differences import single_step, unequal_covariance, welch
from counting.analysis.methods.grades import grades_together, superiority


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
    """Return false alarms by Steel's p, the same with its interval, Holm's, and joint coverage."""
    rng = np.random.default_rng((seed, *case.name.encode()))
    names = ["control", *(f"g{n}" for n in range(1, len(case.sizes)))]
    truth = {
        name: _higher(share, case.shares[0]) for name, share in zip(names, case.shares, strict=True)
    }
    alike = [name for name in names[1:] if abs(truth[name] - 0.5) < 1e-9]
    counts = np.zeros(4)
    for _ in range(trials):
        drawn = {
            name: rng.choice(np.arange(1.0, 6.0), n, p=share)
            for name, n, share in zip(names, case.sizes, case.shares, strict=True)
        }
        if len(alike) == len(names) - 1 and _far(drawn) < _NEAR:
            counts[3] += 1
            continue
        own = {name: superiority(drawn[name], drawn["control"]) for name in names[1:]}
        sure = all(_holds(each.low, each.high, truth[name]) for name, each in own.items())
        p = {name: 1.0 if each.p is None else each.p for name, each in own.items()}
        if sure and min(p[name] for name in alike) >= 0.05:
            counts[3] += 1
            continue
        joint = grades_together(drawn, "control")
        told = [name for name in alike if name in joint and joint[name].p < 0.05]
        ends = {name: (each.low, each.high) for name, each in joint.items()}
        apart = [name for name in told if not _holds(*ends[name], 0.5)]
        holm = multipletests(list(p.values()), method="holm")[1]
        counts += [
            bool(told),
            bool(apart),
            any(x < 0.05 for name, x in zip(p, holm, strict=True) if name in alike),
            all(_holds(*each, truth[name]) for name, each in ends.items()),
        ]
    return tuple(float(each) for each in counts / trials)  # type: ignore[return-value]


_NEAR = 1.3
"""Mann and Whitney's statistics under which nothing is told, and all intervals hold."""


def _far(drawn: dict[str, np.ndarray]) -> float:
    """Return the largest of Mann and Whitney's statistics over its error, ties left alone."""
    base, *others = drawn.values()
    m = len(base)
    return max(
        abs(float(np.sign(np.subtract.outer(each, base)).sum())) / 2
        / np.sqrt(len(each) * m * (len(each) + m + 1) / 12)
        for each in others
    )  # fmt: skip


def _higher(group: tuple[float, ...], control: tuple[float, ...]) -> float:
    """Chance that a unit of the group lies above one of the control, ties counted half."""
    below = np.cumsum(control) - np.array(control)
    return float(np.array(group) @ (below + np.array(control) / 2))


def _holds(low: float | None, high: float | None, value: float) -> bool:
    return low is None or high is None or low <= value <= high


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
    for case in [known[place] for place in places or known]:
        of_grades = isinstance(case, Graded)
        found = simulate_grades(case, trials, seed) if of_grades else simulate(case, trials, seed)
        figures = " | ".join(f"{each:.3f}" for each in found)
        sys.stdout.write(f"| {case.name} | {figures} |\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]), sys.argv[3:])
