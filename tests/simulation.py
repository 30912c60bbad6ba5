"""Simulated trials: how often the comparison says what is not so, and finds what is.

Run as a script to make the table in `simulation.md`: ``python tests/simulation.py 1000``; the
numbers of a first and a last layout may follow.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
import pandas as pd

from counting.analysis.design import Design, design_of
from counting.analysis.differences import welch, within_blocks
from counting.analysis.models import ratio_model


@dataclass(frozen=True)
class Layout:
    """A trial of two groups: plants vary by k, plots and blocks by the SD of their logarithm."""

    name: str
    blocks: int
    plots: int  # of each group in a block; 0: plants are allotted one by one
    plants: int  # of a plot, or of each group in a block
    mean: float
    k: float
    block_sd: float = 0.0
    plot_sd: float = 0.0


LAYOUTS = (
    Layout("24 plants a group, k 2", 1, 0, 24, 20, 2),
    Layout("24 plants a group, k 5", 1, 0, 24, 20, 5),
    Layout("50 plants a group, k 2", 1, 0, 50, 20, 2),
    Layout("20 plants a group, mean 2, k 1", 1, 0, 20, 2, 1),
    Layout("4 blocks of 3 plants a group, k 5", 4, 0, 3, 20, 5, 0.3),
    Layout("4 blocks of 6 plants a group, k 5", 4, 0, 6, 20, 5, 0.3),
    Layout("12 blocks of pairs of plants, k 5", 12, 0, 1, 20, 5, 0.3),
    Layout("4 blocks, plots of 3 plants, k 5", 4, 1, 3, 20, 5, 0.3, 0.15),
    Layout("4 blocks, plots of 6, unlike plots", 4, 1, 6, 20, 5, 0.3, 0.3),
    Layout("4 blocks, 2 plots of 3 a group", 4, 2, 3, 20, 5, 0.3, 0.15),
    Layout("8 unlike blocks, plots of 3", 8, 1, 3, 20, 5, 0.5, 0.3),
    Layout("6 plots of 4, no blocks", 1, 6, 4, 20, 5, 0.0, 0.3),
    Layout("4 blocks, plots of 3, mean 3, k 2", 4, 1, 3, 3, 2, 0.3, 0.15),
    Layout("6 blocks, plots of 3, mean 1, k 2", 6, 1, 3, 1, 2, 0.3, 0.15),
)


Figures = tuple[float, float, float, float]


@dataclass(frozen=True)
class Rates:
    """Shares of the simulated trials."""

    false_alarms: float  # ratio, p < 0.05 without an effect
    coverage: float  # ratio, the interval holds a true ratio of 1.3
    found: float  # ratio, p < 0.05 with that ratio
    difference: float  # difference (within blocks where there are any), p < 0.05 without an effect
    plants_alone: float  # the same ratio test with plots taken for nothing: plants as units
    trials: int


@dataclass(frozen=True)
class Beds:
    """Where the plants of a layout stand, and the model matrices of plants and of units."""

    treated: np.ndarray  # of plants
    block: np.ndarray
    plot: np.ndarray
    unit_treated: np.ndarray  # of units
    unit_block: np.ndarray
    plants: Design
    units: Design
    size: np.ndarray  # plants of each unit

    @classmethod
    def of(cls, layout: Layout) -> Beds:
        """Lay the beds out."""
        cells = max(layout.plots, 1)
        block, group, cell, _ = (
            index.ravel() for index in np.indices((layout.blocks, 2, cells, layout.plants))
        )
        plot = (block * 2 + group) * cells + cell
        places = pd.DataFrame({"group": np.where(group == 1, "b", "a"), "block": block.astype(str)})
        first = np.unique(plot, return_index=True)[1] if layout.plots else np.arange(len(plot))
        blocked = layout.blocks > 1
        plants = design_of(places, ("a", "b"), blocked)
        units = design_of(places.iloc[first], ("a", "b"), blocked)
        if plants is None or units is None:
            raise ValueError(layout.name)
        size = np.full(len(first), len(plot) / len(first))
        treated = group == 1
        return cls(treated, block, plot, treated[first], block[first], plants, units, size)


def draw(layout: Layout, beds: Beds, ratio: float, rng: np.random.Generator) -> np.ndarray:
    """Draw the counts of the plants of one trial."""
    level = np.exp(_log_normal(rng, layout.block_sd, layout.blocks)[beds.block])
    level = level * np.exp(_log_normal(rng, layout.plot_sd, beds.plot.max() + 1)[beds.plot])
    mean = layout.mean * level * np.where(beds.treated, ratio, 1.0)
    counts: np.ndarray = rng.poisson(mean * rng.gamma(layout.k, 1 / layout.k, len(mean)))
    return counts.astype("float64")


def _log_normal(rng: np.random.Generator, sd: float, n: int) -> np.ndarray:
    return rng.normal(0, sd, n) - sd**2 / 2 if sd else np.zeros(n)


def analyse(layout: Layout, beds: Beds, counts: np.ndarray, *, plants: bool = False) -> Figures:
    """Return p and interval of the ratio and p of the difference, as the comparison has them.

    `plants` takes plants for the units although plots were allotted.
    """
    totals = bool(layout.plots) and not plants
    y, size, design = counts, np.ones(len(counts)), beds.plants
    if totals:
        y, size, design = np.bincount(beds.plot, counts), beds.size, beds.units
    treated = beds.unit_treated if totals else beds.treated
    if not y[treated].sum() or not y[~treated].sum():
        return (np.nan,) * 4
    if design.blocked:
        blocks = np.bincount(beds.unit_block if totals else beds.block, y)
        if not blocks.all():
            # the comparison leaves such a block out; the simulation passes the trial over
            return (np.nan,) * 4
    ratio = ratio_model(y, size, design, totals=totals).ratio("b", 0.95)
    value = y / size
    if design.blocked:
        difference = within_blocks(design.matrix, 1, value)
    else:
        difference = welch(value[treated], value[~treated])
    found = (ratio.p, ratio.low, ratio.high, difference.p)
    p, low, high, other = (np.nan if figure is None else figure for figure in found)
    return (p, low, high, other)


def simulate(layout: Layout, trials: int, seed: int, ratio: float = 1.3) -> Rates:
    """Simulate a layout without an effect and with one."""
    rng = np.random.default_rng(seed)
    beds = Beds.of(layout)
    none = np.array([analyse(layout, beds, draw(layout, beds, 1.0, rng)) for _ in range(trials)])
    some = np.array([analyse(layout, beds, draw(layout, beds, ratio, rng)) for _ in range(trials)])
    alone = np.nan
    if layout.plots:
        drawn = (draw(layout, beds, 1.0, rng) for _ in range(max(trials // 4, 1)))
        p = np.array([analyse(layout, beds, counts, plants=True)[0] for counts in drawn])
        alone = float((p < 0.05).mean())
    none, some = none[~np.isnan(none).any(axis=1)], some[~np.isnan(some).any(axis=1)]
    return Rates(
        false_alarms=float((none[:, 0] < 0.05).mean()),
        coverage=float(((some[:, 1] <= ratio) & (ratio <= some[:, 2])).mean()),
        found=float((some[:, 0] < 0.05).mean()),
        difference=float((none[:, 3] < 0.05).mean()),
        plants_alone=alone,
        trials=trials,
    )


def main() -> None:
    trials = int(sys.argv[1])
    first, last = (int(text) for text in sys.argv[2:4] or ("0", str(len(LAYOUTS))))
    chance = 1.96 * np.sqrt(0.05 * 0.95 / trials)
    sys.stdout.write(
        f"{trials} trials each; chance error of a share near 0.05: +-{chance:.3f}\n\n"
        "| layout | ratio: p < 0.05 without effect | ratio 1.3: interval holds it | found | "
        "difference: p < 0.05 without effect | plants taken as units |\n"
        "| --- | --- | --- | --- | --- | --- |\n"
    )
    for number, layout in enumerate(LAYOUTS[first:last], start=first):
        rates = simulate(layout, trials, seed=100 + number)
        alone = "" if np.isnan(rates.plants_alone) else f"{rates.plants_alone:.3f}"
        sys.stdout.write(
            f"| {layout.name} | {rates.false_alarms:.3f} | {rates.coverage:.3f} | "
            f"{rates.found:.2f} | {rates.difference:.3f} | {alone} |\n"
        )
        sys.stdout.flush()


if __name__ == "__main__":
    main()
