"""Simulated trials: how often the comparison says what is not so, and finds what is.

Run as a script to make the table in `simulation.md`: ``python tests/simulation.py TRIALS SEED``;
it keeps all cores that the machine lets it have busy.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import groupby

import numpy as np
import pandas as pd

from counting.analysis.methods.count_model import fit_counts
from counting.analysis.methods.design import Design, design_of
from counting.analysis.methods.differences import welch, within_blocks
from counting.plan.needed.plants import Aim, Spread, power_for

RATIO = 1.3
CHUNK = 250
"""Trials drawn from one seed, so that the figures do not depend on the number of cores."""


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
    Layout("57 plants a group, k 5", 1, 0, 57, 20, 5),
    Layout("6 plants a group, k 5", 1, 0, 6, 20, 5),
    Layout("20 plants a group, mean 2, k 1", 1, 0, 20, 2, 1),
    Layout("12 plants a group, mean 5, Poisson", 1, 0, 12, 5, 1e6),
    Layout("4 blocks of 3 plants a group, k 5", 4, 0, 3, 20, 5, 0.3),
    Layout("4 blocks of 6 plants a group, k 5", 4, 0, 6, 20, 5, 0.3),
    Layout("4 blocks of 3 plants, mean 3, k 2", 4, 0, 3, 3, 2, 0.3),
    Layout("12 blocks of pairs of plants, k 5", 12, 0, 1, 20, 5, 0.3),
    Layout("12 blocks of pairs of plants, k 2", 12, 0, 1, 20, 2, 0.3),
    Layout("3 blocks, plots of 4 plants, k 5", 3, 1, 4, 20, 5, 0.3, 0.2),
    Layout("4 blocks, plots of 3 plants, k 5", 4, 1, 3, 20, 5, 0.3, 0.15),
    Layout("4 blocks, plots of 6, unlike plots", 4, 1, 6, 20, 5, 0.3, 0.3),
    Layout("4 blocks, 2 plots of 3 a group", 4, 2, 3, 20, 5, 0.3, 0.15),
    Layout("8 unlike blocks, plots of 3", 8, 1, 3, 20, 5, 0.5, 0.3),
    Layout("6 plots of 4, no blocks", 1, 6, 4, 20, 5, 0.0, 0.3),
    Layout("23 plots of 4, no blocks", 1, 23, 4, 20, 5, 0.0, 0.2),
    Layout("4 blocks, plots of 3, mean 3, k 2", 4, 1, 3, 3, 2, 0.3, 0.15),
    Layout("6 blocks, plots of 3, mean 1, k 2", 6, 1, 3, 1, 2, 0.3, 0.15),
)


Figures = tuple[float, float, float, float]


@dataclass(frozen=True)
class Rates:
    """Shares of the simulated trials."""

    false_alarms: float  # ratio, p < 0.05 without an effect
    coverage: float  # ratio, the interval holds the true one
    found: float  # ratio, p < 0.05 with that effect
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
        label, where = places["group"].tolist(), places["block"].tolist()
        plants = design_of(label, where if blocked else None, ("a", "b"))
        units = design_of(
            [label[at] for at in first],
            [where[at] for at in first] if blocked else None,
            ("a", "b"),
        )
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
    ratio = fit_counts(y, size, design).ratio("b", 0.95)
    value = y / size
    if design.blocked:
        difference = within_blocks(design.matrix, 1, value)
    else:
        difference = welch(value[treated], value[~treated])
    found = (ratio.p, ratio.low, ratio.high, difference.p)
    p, low, high, other = (np.nan if figure is None else figure for figure in found)
    return (p, low, high, other)


@dataclass(frozen=True)
class Chunk:
    """Trials of one layout, and the seed that they are drawn from."""

    layout: Layout
    trials: int
    seed: tuple[int, ...]
    ratio: float
    plants: bool  # whether to try plants as units too


@dataclass(frozen=True)
class Drawn:
    """Figures of a chunk's trials: without an effect, with one, and with plants as units."""

    none: np.ndarray
    some: np.ndarray
    alone: np.ndarray


def work(chunk: Chunk) -> Drawn:
    """Draw and analyse a chunk."""
    rng = np.random.default_rng(chunk.seed)
    beds = Beds.of(chunk.layout)

    def figures(ratio: float, *, plants: bool = False) -> np.ndarray:
        drawn = (draw(chunk.layout, beds, ratio, rng) for _ in range(chunk.trials))
        found = [analyse(chunk.layout, beds, counts, plants=plants) for counts in drawn]
        return np.array(found).reshape(-1, 4)

    none, some = figures(1.0), figures(chunk.ratio)
    alone = figures(1.0, plants=True) if chunk.plants else np.empty((0, 4))
    return Drawn(none, some, alone)


def chunks(layout: Layout, trials: int, seed: int, ratio: float = RATIO) -> Iterator[Chunk]:
    """Cut the trials of a layout into chunks; plants as units are tried in every fourth."""
    for number, start in enumerate(range(0, trials, CHUNK)):
        seeds = (seed, *layout.name.encode(), number)
        some = bool(layout.plots) and number % 4 == 0
        yield Chunk(layout, min(CHUNK, trials - start), seeds, ratio, some)


def gather(drawn: Iterable[Drawn], ratio: float = RATIO) -> Rates:
    """Put chunks of one layout together."""
    parts = list(drawn)
    none, some, alone = (
        np.concatenate([getattr(part, name) for part in parts])
        for name in ("none", "some", "alone")
    )
    trials = len(none)
    none, some = none[~np.isnan(none).any(axis=1)], some[~np.isnan(some).any(axis=1)]
    return Rates(
        false_alarms=float((none[:, 0] < 0.05).mean()),
        coverage=float(((some[:, 1] <= ratio) & (ratio <= some[:, 2])).mean()),
        found=float((some[:, 0] < 0.05).mean()),
        difference=float((none[:, 3] < 0.05).mean()),
        plants_alone=float((alone[:, 0] < 0.05).mean()) if len(alone) else np.nan,
        trials=trials,
    )


def simulate(layout: Layout, trials: int, seed: int, ratio: float = RATIO) -> Rates:
    """Simulate a layout without an effect and with one."""
    return gather(map(work, chunks(layout, trials, seed, ratio)), ratio)


def promised(layout: Layout, ratio: float = RATIO) -> float:
    """Return the power that plants-needed promises for as many plants or plots.

    What plots do adds to the plants' own variation; every block is taken for an average one.
    """
    shared = float(np.expm1(layout.plot_sd**2))
    own = (1 + shared) / layout.k
    likeness = shared / (1 / layout.mean + own + shared)
    spread = Spread("count", layout.mean, k=1 / (own + shared), likeness=likeness)
    plots, plants = (layout.plots, layout.plants) if layout.plots else (layout.plants, 1)
    return power_for(spread, Aim(ratio - 1), layout.blocks * plots, plants, layout.blocks)


def main() -> None:
    trials, seed = int(sys.argv[1]), int(sys.argv[2])
    share, half = 1.96 * np.sqrt(0.05 * 0.95 / trials), 1.96 * np.sqrt(0.25 / trials)
    sys.stdout.write(
        f"{trials} trials each, seed {seed}. Chance error: +-{share:.3f} of a share near 0.05 or "
        f"0.95, up to +-{half:.3f} of a power.\n\n"
        "| layout | ratio: p < 0.05 without effect | ratio 1.3: interval holds it | found | "
        "promised | difference: p < 0.05 without effect | plants taken as units |\n"
        "| --- | --- | --- | --- | --- | --- | --- |\n"
    )
    asked = [chunk for layout in LAYOUTS for chunk in chunks(layout, trials, seed)]
    with ProcessPoolExecutor() as pool:
        done = zip(asked, pool.map(work, asked), strict=True)
        for layout, parts in groupby(done, key=lambda pair: pair[0].layout):
            rates = gather(drawn for _, drawn in parts)
            alone = "" if np.isnan(rates.plants_alone) else f"{rates.plants_alone:.3f}"
            sys.stdout.write(
                f"| {layout.name} | {rates.false_alarms:.3f} | {rates.coverage:.3f} | "
                f"{rates.found:.2f} | {promised(layout):.2f} | {rates.difference:.3f} | {alone} |\n"
            )
            sys.stdout.flush()


if __name__ == "__main__":
    main()
