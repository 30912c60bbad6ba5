"""Simulated reviews of a sample: does the interval hold, and what does it cost.

Run as a script: ``python tests/simulation_sample.py TRIALS``. Expected counts err by group: the
finder sees 90 % of the control's fruit and 75 % of the group's, each plant with its own error.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np

from counting.analysis.methods.design import design_of
from counting.analysis.methods.difference_estimator import corrected, ratio_of_corrected

RATIO = 1.3


@dataclass(frozen=True)
class Case:
    """Two groups in blocks of single plots, a share of the plants reviewed."""

    name: str
    blocks: int
    plants: int  # of each plot
    share: float


CASES = (
    Case("10 blocks, plots of 30 plants, 20 % reviewed", 10, 30, 0.2),
    Case("10 blocks, plots of 30 plants, 10 % reviewed", 10, 30, 0.1),
    Case("6 blocks, plots of 20 plants, 20 % reviewed", 6, 20, 0.2),
)


def simulate(case: Case, trials: int, seed: int) -> tuple[float, float, float, float, float]:
    """Return alarms, coverage, bias of the log ratio, and half width: of the sample and of all."""
    rng = np.random.default_rng((seed, *case.name.encode()))
    block, treated, _ = (i.ravel() for i in np.indices((case.blocks, 2, case.plants)))
    plot = block * 2 + treated
    unit_treated = np.arange(case.blocks * 2) % 2 == 1
    design = design_of(
        np.where(unit_treated, "b", "a").tolist(),
        (np.arange(case.blocks * 2) // 2).astype(str).tolist(),
        ("a", "b"),
    )
    assert design is not None
    group = np.where(treated == 1, "b", "a")
    rows = []
    for number in range(2 * trials):
        ratio = RATIO if number % 2 else 1.0
        level = np.exp(
            rng.normal(0, 0.3, case.blocks)[block] + rng.normal(0, 0.1, plot.max() + 1)[plot]
        )
        mean = 20 * level * np.where(treated == 1, ratio, 1)
        true = rng.poisson(mean * rng.gamma(5, 1 / 5, len(plot))).astype("float64")
        seen = np.where(treated == 1, 0.75, 0.9)
        expected = np.maximum(0, seen * true + rng.normal(0, 0.15 * true + 1))
        off = np.abs(rng.normal(0.15 * true + 1, 1))  # what the finder says of its own error
        reviewed, chance = np.full(len(true), np.nan), np.ones(len(true))
        for name in range(2):
            for place in range(case.blocks):
                cell = np.flatnonzero((treated == name) & (block == place))
                half = np.argsort(-off[cell]) < len(cell) // 2
                for part, weight in ((cell[half], 1.5), (cell[~half], 0.5)):
                    n = max(1, round(weight * case.share * len(part)))
                    chance[part] = n / len(part)
                    drawn = rng.permutation(part)[:n]
                    reviewed[drawn] = true[drawn]
        found = corrected(expected, reviewed, np.minimum(chance, 0.999), group)
        units = np.bincount(plot, found.values) / case.plants
        sampled = ratio_of_corrected(units, design.matrix, 1, unit_treated)
        whole = ratio_of_corrected(
            np.bincount(plot, true) / case.plants, design.matrix, 1, unit_treated
        )
        rows.append(
            [
                ratio,
                (sampled.p or 1) < 0.05,
                (sampled.low or 0) <= ratio <= (sampled.high or 0),
                np.log(sampled.value or np.nan) - np.log(ratio),
                np.log((sampled.high or 1) / (sampled.low or 1)) / 2,
                np.log((whole.high or 1) / (whole.low or 1)) / 2,
            ]
        )
    table = np.array(rows, "float64")
    none, some = table[table[:, 0] == 1], table[table[:, 0] != 1]
    return (
        float(none[:, 1].mean()),
        float(some[:, 2].mean()),
        float(some[:, 3].mean()),
        float(some[:, 4].mean()),
        float(some[:, 5].mean()),
    )


def main(trials: int) -> None:
    """Write the table to stdout."""
    for case in CASES:
        figures = " | ".join(f"{each:.3f}" for each in simulate(case, trials, 1))
        sys.stdout.write(f"| {case.name} | {figures} |\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main(int(sys.argv[1]))
