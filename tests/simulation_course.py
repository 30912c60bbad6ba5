"""Simulated seasons: the course over surveys, doses, looks, true counts of several groups.

Run as a script: ``python tests/simulation_course.py TRIALS [PART...]``; the parts are course,
doses, looks, many (looks), true and picks. Counts are negative binomial, k 5.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd
from drawn_season import draw_season
from scipy import stats

from counting.analysis.calibrate import with_true_counts
from counting.analysis.compare import compare
from counting.analysis.data.surveys import _summary
from counting.analysis.methods.count_model import fit_counts
from counting.analysis.methods.design import design_of, trend_of
from counting.analysis.methods.differences import within_blocks
from counting.analysis.methods.looks import chance_of_showing, correlation_of, obrien_fleming
from counting.analysis.question import Question
from counting.analysis.season.forecast import Weeks, forecast

RATIO = 1.3
K = 5
WEEKS = np.arange(5)
GROWTH = np.array([2.0, 8.0, 16.0, 22.0, 24.0])
"""Mean fruit of a plant of the control at five weekly surveys."""


def layout(blocks: int, plants: int) -> tuple[np.ndarray, np.ndarray]:
    """Return block and group (0, 1) of each plant."""
    block, treated, _ = (index.ravel() for index in np.indices((blocks, 2, plants)))
    return block, treated


def courses(trials: int, seed: int) -> Iterator[tuple[str, list[float]]]:
    """Area, slope, peak and change: false alarms, coverage, share found, 12 plants in 4 blocks."""
    block, treated = layout(4, 3)
    names = np.where(treated == 1, "b", "a")
    design = design_of(names.tolist(), block.astype(str).tolist(), ("a", "b"))
    assert design is not None
    area = float(np.trapezoid(GROWTH, 7.0 * WEEKS))
    off = WEEKS - WEEKS.mean()
    rise = float(off @ GROWTH / (off @ off))
    truth = {"area": area, "slope": rise, "change": 0.0}
    rng = np.random.default_rng(seed)
    rows: dict[str, list[list[float]]] = {name: [] for name in truth}
    for _ in range(trials):
        place = np.exp(rng.normal(0, 0.3, 4))
        level = rng.gamma(K, 1 / K, len(names)) * place[block]
        for effect in (1.0, RATIO):
            mean = np.outer(level * np.where(treated == 1, effect, 1.0), GROWTH)
            visits = rng.poisson(mean).astype("float64")
            for name, one in truth.items():
                y = np.array([_summary(name, 7.0 * WEEKS, each) for each in visits])
                found = within_blocks(design.matrix, 1, y)
                true = one * (effect - 1) * float(place.mean())
                held = (found.low or 0) <= true <= (found.high or 0)
                rows[name].append([effect, (found.p or 1) < 0.05, held])
    for name, each in rows.items():
        table = np.array(each, "float64")
        none, some = table[table[:, 0] == 1], table[table[:, 0] != 1]
        figures = [none[:, 1].mean(), some[:, 2].mean(), some[:, 1].mean()]
        yield f"{name}, 12 plants a group in 4 blocks, 5 surveys", [float(f) for f in figures]


def doses(trials: int, seed: int) -> Iterator[tuple[str, list[float]]]:
    """A trend over the doses 0, 1, 2 in 4 blocks: false alarms, coverage of 1.15 a step, found."""
    for plants in (3, 6):
        block, step, _ = (index.ravel() for index in np.indices((4, 3, plants)))
        design = trend_of(step.astype("float64"), block.astype(str).tolist())
        assert design is not None
        rng = np.random.default_rng((seed, plants))
        rows = []
        for _ in range(trials):
            place = np.exp(rng.normal(0, 0.3, 4))[block] * rng.gamma(K, 1 / K, len(block))
            for effect in (1.0, 1.15):
                counts = rng.poisson(20 * place * effect**step).astype("float64")
                found = fit_counts(counts, np.ones(len(counts)), design).ratio("dose", 0.95)
                held = (found.low or 0) <= effect <= (found.high or 0)
                rows.append([effect, (found.p or 1) < 0.05, held])
        table = np.array(rows, "float64")
        none, some = table[table[:, 0] == 1], table[table[:, 0] != 1]
        figures = [none[:, 1].mean(), some[:, 2].mean(), some[:, 1].mean()]
        yield f"{plants} plants of each dose in 4 blocks", [float(f) for f in figures]


def looks(trials: int, seed: int) -> Iterator[tuple[str, list[float]]]:
    """How often some look shows a difference, what the page says, and what the bounds leave."""
    yield from (_looks(trials, seed, number, stays) for number, stays in ((4, 0.7), (4, 0.0)))


def many_looks(trials: int, seed: int) -> Iterator[tuple[str, list[float]]]:
    """The same of eight looks."""
    yield _looks(trials, seed, 8, 0.7)


def _looks(trials: int, seed: int, number: int, stays: float) -> tuple[str, list[float]]:
    _, treated = layout(1, 24)
    names = np.where(treated == 1, "b", "a")
    design = design_of(names.tolist(), None, ("a", "b"))
    assert design is not None
    rng = np.random.default_rng((seed, number, int(10 * stays)))
    shown = 0
    said, alike, every = [], [], []
    for trial in range(trials):
        counts = _surveys(rng, number, stays, len(names))
        fits = [fit_counts(count, np.ones(len(count)), design).ratio("b", 0.95) for count in counts]
        p = np.array([each.p if each.p is not None else 1.0 for each in fits])
        shown += bool((p < 0.05).any())
        every.append(p)
        if trial < 100:
            means = np.array([[row[names == g].mean() for g in names] for row in counts])
            alike.append(correlation_of((counts - means).T))
            said.append(chance_of_showing(alike[-1]))
    shares = [(n + 1) / number for n in range(number)]
    bounds = np.array(obrien_fleming(shares, 0.95, np.mean(alike, axis=0)))
    bounded = int((np.array(every) < 2 * _upper(bounds)).any(axis=1).sum())
    figures = [shown / trials, float(np.mean(said)), bounded / trials]
    kind = "plants keep 0.7 of their level" if stays else "plants keep no level"
    return f"{number} looks, {kind}", figures


def _surveys(rng: np.random.Generator, number: int, stays: float, plants: int) -> np.ndarray:
    """Draw counts at each survey; levels are tied from one to the next."""
    deviate = rng.normal(size=plants)
    rows = []
    for _ in range(number):
        level = stats.gamma.ppf(stats.norm.cdf(deviate), K) / K
        rows.append(rng.poisson(20 * level))
        deviate = stays * deviate + np.sqrt(1 - stays**2) * rng.normal(size=plants)
    return np.array(rows, "float64")


def _upper(bounds: np.ndarray) -> np.ndarray:
    return np.asarray(stats.norm.sf(bounds))


def true_counts(trials: int, seed: int) -> Iterator[tuple[str, list[float]]]:
    """Photos show 70 % of each of four groups; 8 of 24 plants of each are counted by hand."""
    groups = ("a", "b", "c", "d")
    rng = np.random.default_rng(seed)
    alarms = alone = held = 0
    asked = Question(
        "fruit", control="a", groups=groups, source="photo", survey="2026-07-01", draws=1
    )
    for _ in range(trials):
        rows = []
        for group in groups:
            true = rng.poisson(20 * rng.gamma(K, 1 / K, 24))
            photo = rng.binomial(true, 0.7)
            for n in range(24):
                plant = {"survey": "2026-07-01", "plant": f"{group}{n}", "group": group}
                plant |= {"measure": "fruit", "unit": "count", "truss": pd.NA}
                rows.append(plant | {"source": "photo", "value": float(photo[n])})
                if n < 8:
                    rows.append(plant | {"source": "tally", "value": float(true[n])})
        table = pd.DataFrame(rows).assign(block="", plot="", by="", note="", at="")
        found = with_true_counts(compare(table, asked), table, asked)
        best = [each.headline() for each in found.comparisons]
        told = [each.p_told() for each in found.comparisons]
        assert all(each.basis == "true counts" for each in found.comparisons)
        alarms += min(1.0 if p is None else p for p in told) < 0.05
        alone += min(1.0 if each.p is None else each.p for each in best) < 0.05
        held += sum((each.low or 0) <= 1 <= (each.high or 0) for each in best)
    yield (
        "true counts of four groups, 8 of 24 plants by hand",
        [alarms / trials, alone / trials, held / trials / 3],
    )


def picks(trials: int, seed: int) -> Iterator[tuple[str, list[float]]]:
    """Drawn seasons: forecasts told, their intervals that held, spread of the error, their width.

    The warmth to come is not known: that of the last two weeks is taken for it.
    """
    for surveys, ahead in ((7, 1), (10, 1), (10, 2)):
        told = inside = of = 0
        errors, widths = [], []
        for number in range(trials):
            drawn = draw_season(seed + number, surveys=surveys + ahead)
            parts = (drawn.hanging, drawn.picked, drawn.clock, drawn.coming)
            found = forecast(Weeks(*(part[:surveys] for part in parts)), ahead)
            true = drawn.picked[surveys + ahead - 1]
            errors.append(np.log((true + 0.5) / (found.value + 0.5)))
            if found.holds:
                told += 1
                inside += int(((found.low <= true) & (true <= found.high)).sum())
                of += len(true)
                widths.append(float(np.mean(found.high / np.maximum(found.low, 0.5))))
        figures = [told / trials, inside / max(of, 1), float(np.std(errors)), np.median(widths)]
        yield f"after {surveys} weeks, {ahead} ahead", [float(each) for each in figures]


PARTS: dict[str, Callable[[int, int], Iterator[tuple[str, list[float]]]]] = {
    "course": courses,
    "doses": doses,
    "looks": looks,
    "many": many_looks,
    "true": true_counts,
    "picks": picks,
}


def main(trials: int, parts: list[str]) -> None:
    """Write the tables to stdout."""
    for part in parts or list(PARTS):
        for name, figures in PARTS[part](trials, 1):
            told = " | ".join(f"{each:.3f}" for each in figures)
            sys.stdout.write(f"| {part}: {name} | {told} |\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main(int(sys.argv[1]), sys.argv[2:])
