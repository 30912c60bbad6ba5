"""Simulated trials of what a season adds: a count before the treatment, a margin that matters.

Run as a script to make the tables of `simulation.md`: ``python tests/simulation_season.py TRIALS
[PART...]``.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from scipy import stats

from counting.analysis.methods.count_model import fit_counts
from counting.analysis.methods.design import design_of


@dataclass(frozen=True)
class Season:
    """Two groups of plants: their levels differ by k and stay in part from survey to survey."""

    name: str
    blocks: int
    plants: int  # of each group in a block
    mean: float
    k: float
    stays: float  # correlation of a plant's log level before and after


SEASONS = (
    Season("12 plants a group, 4 blocks, levels stay 0.7", 4, 3, 20, 5, 0.7),
    Season("24 plants a group, no blocks, levels stay 0.7", 1, 24, 20, 5, 0.7),
    Season("12 plots a group, no blocks, levels stay 0.5", 1, 12, 60, 10, 0.5),
    Season("12 plants a group, 4 blocks, levels do not stay", 4, 3, 20, 5, 0.0),
)
RATIO = 1.3
WORTH = 0.2


@dataclass(frozen=True)
class Rates:
    """Shares of the trials, with the count before and without."""

    alarms: float
    alarms_bare: float
    coverage: float
    found: float
    found_bare: float
    alarms_unlike: float  # where the groups happened to differ before
    alarms_unlike_bare: float


def levels(season: Season, n: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return each plant's level before and after: gamma of size k, tied by a normal copula."""
    first = rng.normal(size=n)
    second = season.stays * first + math.sqrt(1 - season.stays**2) * rng.normal(size=n)
    return tuple(  # type: ignore[return-value]
        stats.gamma.ppf(stats.norm.cdf(each), season.k) / season.k for each in (first, second)
    )


def simulate(season: Season, trials: int, seed: int) -> Rates:
    """Draw and analyse the trials of one season."""
    rng = np.random.default_rng((seed, *season.name.encode()))
    block, treated, _ = (index.ravel() for index in np.indices((season.blocks, 2, season.plants)))
    group = np.where(treated == 1, "b", "a").tolist()
    blocks = block.astype(str).tolist() if season.blocks > 1 else None
    bare = design_of(group, blocks, ("a", "b"))
    assert bare is not None
    one = np.ones(len(group))
    rows = []
    for _ in range(trials):
        before, after = levels(season, len(group), rng)
        early = rng.poisson(season.mean * before).astype("float64")
        adjusted = design_of(group, blocks, ("a", "b"), np.log(early + 0.5 * (early.min() == 0)))
        assert adjusted is not None
        none = rng.poisson(season.mean * after).astype("float64")
        some = rng.poisson(season.mean * after * np.where(treated == 1, RATIO, 1)).astype("float64")
        fits = [
            fit_counts(counts, one, design).ratio("b", 0.95)
            for counts in (none, some)
            for design in (adjusted, bare)
        ]
        chance = np.log((early[treated == 1].sum() + 0.5) / (early[treated == 0].sum() + 0.5))
        rows.append(
            [each.p if each.p is not None else 1.0 for each in fits]
            + [(fits[2].low or 0) <= RATIO <= (fits[2].high or 0), abs(chance)]
        )
    found = np.array(rows, "float64")
    unlike = found[:, 5] >= np.quantile(found[:, 5], 0.9)
    low = found[:, :4] < 0.05
    return Rates(
        alarms=low[:, 0].mean(),
        alarms_bare=low[:, 1].mean(),
        coverage=found[:, 4].mean(),
        found=low[:, 2].mean(),
        found_bare=low[:, 3].mean(),
        alarms_unlike=low[unlike, 0].mean(),
        alarms_unlike_bare=low[unlike, 1].mean(),
    )


def margins(trials: int, seed: int) -> dict[str, float]:
    """How often a true ratio at, or within, the margin is called smaller than the margin."""
    rng = np.random.default_rng(seed)
    shares = {}
    for name, ratio, plants in (
        ("true ratio 1.2, 100 plants a group", 1.2, 100),
        ("true ratio 0.8, 100 plants a group", 0.8, 100),
        ("true ratio 1, 100 plants a group", 1.0, 100),
        ("true ratio 1, 24 plants a group", 1.0, 24),
    ):
        group = ["a"] * plants + ["b"] * plants
        design = design_of(group, None, ("a", "b"))
        assert design is not None
        mean = 20 * np.where(np.array(group) == "b", ratio, 1.0)
        called = 0
        for _ in range(trials):
            counts = rng.poisson(mean * rng.gamma(5, 1 / 5, 2 * plants)).astype("float64")
            fit = fit_counts(counts, np.ones(2 * plants), design).ratio("b", 0.95)
            called += (fit.low or 0) > 1 - WORTH and (fit.high or 9) < 1 + WORTH
        shares[name] = called / trials
    return shares


def main(trials: int, parts: Sequence[str] = ()) -> None:
    """Write the tables to stdout; `parts` are places in `SEASONS`, or ``margins``."""
    head = (
        "season", "p < 0.05 without effect, allowing for it", "without it",
        "ratio 1.3: interval holds it", "found", "found without it",
        "tenth most unlike before: p < 0.05", "without it",
    )  # fmt: skip
    _line(head)
    _line(["---"] * len(head))
    for place, season in enumerate(SEASONS):
        if parts and str(place) not in parts:
            continue
        r = simulate(season, trials, 1)
        _line([season.name, *(f"{getattr(r, each.name):.3f}" for each in fields(r))])
    if parts and "margins" not in parts:
        return
    for name, share in margins(trials, 2).items():
        _line([name, f"{share:.3f}"])


def _line(cells: Sequence[str]) -> None:
    sys.stdout.write(f"| {' | '.join(cells)} |\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main(int(sys.argv[1]), sys.argv[2:])
