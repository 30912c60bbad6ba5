"""Simulated trials: how often the comparison says what is not so, and finds what is.

Run as a script to make the table in `simulation.md`: ``python tests/simulation.py 4000``.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
import pandas as pd

from counting.analysis.design import design_of
from counting.analysis.differences import welch, within_blocks
from counting.analysis.models import count_model
from counting.analysis.selection import Selection
from counting.analysis.units import to_units


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


@dataclass(frozen=True)
class Rates:
    """Shares of the simulated trials."""

    false_alarms: float  # ratio, p < 0.05 without an effect
    coverage: float  # ratio, the interval holds a true ratio of 1.3
    found: float  # ratio, p < 0.05 with that ratio
    difference: float  # difference (within blocks where there are any), p < 0.05 without an effect
    plants_alone: float  # the same ratio test with plots taken for nothing: plants as units
    trials: int


def trial(layout: Layout, ratio: float, rng: np.random.Generator) -> pd.DataFrame:
    """Draw one trial as a table of plants."""
    cells = max(layout.plots, 1)
    block, group, plot, _ = (
        index.ravel() for index in np.indices((layout.blocks, 2, cells, layout.plants))
    )
    places = (block * 2 + group) * cells + plot
    level = np.exp(_log_normal(rng, layout.block_sd, layout.blocks)[block])
    level = level * np.exp(_log_normal(rng, layout.plot_sd, layout.blocks * 2 * cells)[places])
    mean = layout.mean * level * np.where(group == 1, ratio, 1.0)
    table = pd.DataFrame(
        {
            "plant": "",
            "exposure": 1.0,
            "total": rng.poisson(mean * rng.gamma(layout.k, 1 / layout.k, len(mean))).astype(float),
            "group": np.where(group == 1, "b", "a"),
            "block": block.astype(str) if layout.blocks > 1 else "",
        }
    )
    return table.assign(plot=places.astype(str) if layout.plots else "")


def _log_normal(rng: np.random.Generator, sd: float, n: int) -> np.ndarray:
    return rng.normal(0, sd, n) - sd**2 / 2 if sd else np.zeros(n)


def analyse(table: pd.DataFrame, unit: str | None = None) -> tuple[float, float, float, float]:
    """Return p and interval of the ratio and p of the difference; NaN where there is none."""
    selection = Selection(table, "count", "count", "a", ("a", "b"), None, None, ())
    units = to_units(selection, unit)  # type: ignore[arg-type]
    model = count_model(units, ("a", "b"))
    if model is None or "b" not in model.groups:
        return (np.nan,) * 4
    ratio = model.ratio("b", 0.95)
    values = units.table["value"].to_numpy("float64")
    treated = (units.table["group"] == "b").to_numpy()
    design = design_of(units.table, ("a", "b"), units.blocked)
    if design is not None and design.blocked:
        difference = within_blocks(design.matrix, 1, values)
    else:
        difference = welch(values[treated], values[~treated])
    return tuple(
        np.nan if figure is None else figure
        for figure in (ratio.p, ratio.low, ratio.high, difference.p)
    )  # type: ignore[return-value]


def simulate(layout: Layout, trials: int, seed: int, ratio: float = 1.3) -> Rates:
    """Simulate a layout without an effect and with one."""
    rng = np.random.default_rng(seed)
    none = np.array([analyse(trial(layout, 1.0, rng)) for _ in range(trials)])
    some = np.array([analyse(trial(layout, ratio, rng)) for _ in range(trials)])
    plants = np.nan
    if layout.plots:
        fewer = [analyse(trial(layout, 1.0, rng), "plant")[0] for _ in range(max(trials // 4, 1))]
        plants = float(np.mean(np.array(fewer) < 0.05))
    known = ~np.isnan(none[:, 0])
    told = ~np.isnan(some[:, 0])
    return Rates(
        false_alarms=float((none[known, 0] < 0.05).mean()),
        coverage=float(((some[told, 1] <= ratio) & (ratio <= some[told, 2])).mean()),
        found=float((some[told, 0] < 0.05).mean()),
        difference=float((none[~np.isnan(none[:, 3]), 3] < 0.05).mean()),
        plants_alone=plants,
        trials=trials,
    )


def main() -> None:
    trials = int(sys.argv[1])
    chance = 1.96 * np.sqrt(0.05 * 0.95 / trials)
    sys.stdout.write(
        f"{trials} trials each; chance error of a share near 0.05: +-{chance:.3f}\n\n"
        "| layout | ratio: p < 0.05 without effect | ratio 1.3: interval holds it | found | "
        "difference: p < 0.05 without effect | plants taken as units |\n"
        "| --- | --- | --- | --- | --- | --- |\n"
    )
    for number, layout in enumerate(LAYOUTS):
        rates = simulate(layout, trials, seed=100 + number)
        alone = "" if np.isnan(rates.plants_alone) else f"{rates.plants_alone:.3f}"
        sys.stdout.write(
            f"| {layout.name} | {rates.false_alarms:.3f} | {rates.coverage:.3f} | "
            f"{rates.found:.2f} | {rates.difference:.3f} | {alone} |\n"
        )
        sys.stdout.flush()


if __name__ == "__main__":
    main()
