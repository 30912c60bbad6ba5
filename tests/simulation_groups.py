"""Simulated trials of several groups of measures: differences from one control, all together.

Run as a script: ``python tests/simulation_groups.py TRIALS SEED [CASE...]``. Values are normal;
groups differ in number and spread. False alarms are of the whole trial: any group told to differ.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
from scipy import stats

from counting.analysis.estimates import Estimate
from counting.analysis.methods.differences import single_step, unequal_covariance, welch


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
    for case in [CASES[int(place)] for place in places] or CASES:
        figures = " | ".join(f"{each:.3f}" for each in simulate(case, trials, seed))
        sys.stdout.write(f"| {case.name} | {figures} |\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]), sys.argv[3:])
