"""Simulated seasons: the course over surveys, doses, looks, true counts of several groups.

Run as a script: ``python tests/simulation_course.py TRIALS SEED [PART...]``; the parts are course,
plots (the course, in plots), doses, looks, many (looks), beds (looks, in plots), true and picks.
Counts are negative binomial, k 5. Long runs are cut into several of other seeds, and averaged.
"""

from __future__ import annotations

import gc
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
import pandas as pd
from drawn_season import draw_season
from scipy import stats

from counting.analysis.calibrate import _cell, with_true_counts
from counting.analysis.compare import compare
from counting.analysis.data.surveys import _summary
from counting.analysis.estimates import NO_ESTIMATE
from counting.analysis.methods.count_model import fit_counts
from counting.analysis.methods.design import design_of, trend_of
from counting.analysis.methods.differences import within_blocks
from counting.analysis.methods.double_sampling import share_seen, shared_error
from counting.analysis.methods.looks import chance_of_showing, correlation_of, obrien_fleming
from counting.analysis.question import Question
from counting.analysis.result import Comparison
from counting.analysis.season.forecast import Weeks, forecast
from counting.analysis.true_counts import Cell, _true_contrast, together

RATIO = 1.3
K = 5
WEEKS = np.arange(5)
_CLOSE = 0.8
_TYPICAL = 10
"""Trials of which the looks' correlation is taken for that of all: the bounds take long."""
GROWTH = np.array([2.0, 8.0, 16.0, 22.0, 24.0])
"""Mean fruit of a plant of the control at five weekly surveys."""


def layout(blocks: int, plants: int) -> tuple[np.ndarray, np.ndarray]:
    """Return block and group (0, 1) of each plant."""
    block, treated, _ = (index.ravel() for index in np.indices((blocks, 2, plants)))
    return block, treated


def plots(blocks: int, cells: int, plants: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return block, group (0, 1) and plot of each plant; each group has `cells` plots a block."""
    block, treated, cell, _ = (index.ravel() for index in np.indices((blocks, 2, cells, plants)))
    return block, treated, (block * 2 + treated) * cells + cell


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
    yield from _rates(rows, "12 plants a group in 4 blocks, 5 surveys")


def _rates(rows: dict[str, list[list[float]]], where: str) -> Iterator[tuple[str, list[float]]]:
    """Return false alarms without an effect, coverage and share found with one."""
    for name, each in rows.items():
        table = np.array(each, "float64")
        none, some = table[table[:, 0] == 1], table[table[:, 0] != 1]
        figures = [none[:, 1].mean(), some[:, 2].mean(), some[:, 1].mean()]
        yield f"{name}, {where}", [float(f) for f in figures]


def courses_in_plots(trials: int, seed: int) -> Iterator[tuple[str, list[float]]]:
    """The same where plots of 3 plants were allotted: the plot's mean is its value."""
    block, treated, plot = plots(5, 2, 3)
    first = np.unique(plot, return_index=True)[1]
    names = np.where(treated == 1, "b", "a")[first]
    design = design_of(names.tolist(), block[first].astype(str).tolist(), ("a", "b"))
    assert design is not None
    days = 7.0 * WEEKS
    truth = {name: _summary(name, days, GROWTH) for name in ("area", "slope")} | {"change": 0.0}
    rng = np.random.default_rng((seed, 7))
    rows: dict[str, list[list[float]]] = {name: [] for name in truth}
    for _ in range(trials):
        place = np.exp(rng.normal(0, 0.3, 5))[block] * np.exp(rng.normal(0, 0.15, len(first)))[plot]
        level = place * rng.gamma(K, 1 / K, len(plot))
        for effect in (1.0, RATIO):
            mean = np.outer(level * np.where(treated == 1, effect, 1.0), GROWTH)
            visits = rng.poisson(mean).astype("float64")
            for name, one in truth.items():
                y = np.array([_summary(name, days, each) for each in visits])
                found = within_blocks(design.matrix, 1, np.bincount(plot, y) / np.bincount(plot))
                true = one * (effect - 1) * float(np.mean(place[treated == 0]))
                held = (found.low or 0) <= true <= (found.high or 0)
                rows[name].append([effect, (found.p or 1) < 0.05, held])
    yield from _rates(rows, "5 blocks, 2 plots of 3 plants a group, 5 surveys")


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
        yield from _rates({f"{plants} plants of each dose": rows}, "4 blocks")


def looks(trials: int, seed: int) -> Iterator[tuple[str, list[float]]]:
    """How often some look shows a difference, what the page says, and what the bounds leave."""
    yield from (_looks(trials, seed, number, stays) for number, stays in ((4, 0.7), (4, 0.0)))


def many_looks(trials: int, seed: int) -> Iterator[tuple[str, list[float]]]:
    """The same of eight looks."""
    yield from (_looks(trials, seed, 8, stays) for stays in (0.7, 0.0))


def looks_in_plots(trials: int, seed: int) -> Iterator[tuple[str, list[float]]]:
    """The same of the totals of plots: 4 blocks, 2 plots of 3 plants a group in each."""
    yield from (_looks(trials, seed, number, 0.7, beds=True) for number in (4, 8))


def _looks(
    trials: int, seed: int, number: int, stays: float, *, beds: bool = False
) -> tuple[str, list[float]]:
    block, treated, plot = plots(4, 2, 3) if beds else plots(1, 24, 1)
    first = np.unique(plot, return_index=True)[1]
    where = block[first].astype(str).tolist() if beds else None
    design = design_of(np.where(treated == 1, "b", "a")[first].tolist(), where, ("a", "b"))
    assert design is not None
    off = np.eye(len(first)) - design.matrix @ np.linalg.pinv(design.matrix)
    size = np.bincount(plot).astype("float64")
    rng = np.random.default_rng((seed, number, int(10 * stays), int(beds)))
    shown = 0
    said, alike, every = [], [], []
    for trial in range(trials):
        levels = np.ones(len(plot))
        if beds:
            levels = np.exp(rng.normal(0, 0.3, 4)[block] + rng.normal(0, 0.15, len(first))[plot])
        counts = _surveys(rng, number, stays, levels)
        totals = [np.bincount(plot, count) for count in counts]
        near = _alike(np.array(totals), design.matrix)
        fits = [
            NO_ESTIMATE if close else fit_counts(total, size, design).ratio("b", 0.95)
            for total, close in zip(totals, near, strict=True)
        ]
        p = np.array([each.p if each.p is not None else 1.0 for each in fits])
        shown += bool((p < 0.05).any())
        every.append(p)
        if trial < _TYPICAL:
            alike.append(correlation_of(off @ np.array(totals).T))
            said.append(chance_of_showing(alike[-1]))
    shares = [(n + 1) / number for n in range(number)]
    bounds = np.array(obrien_fleming(shares, 0.95, np.mean(alike, axis=0)))
    bounded = int((np.array(every) < 2 * _upper(bounds)).any(axis=1).sum())
    figures = [shown / trials, float(np.mean(said)), bounded / trials]
    kind = "plants keep 0.7 of their level" if stays else "plants keep no level"
    return f"{number} looks, {kind}{', plots' * beds}", figures


def _alike(totals: np.ndarray, matrix: np.ndarray) -> np.ndarray:
    """Looks at which the groups are so alike that a fit, which takes long, cannot tell them apart.

    By the logarithms, under `_CLOSE` standard errors: of 505 such fits none had a p under 0.11.
    """
    y = np.log(totals + 0.5).T
    found, squares, *_ = np.linalg.lstsq(matrix, y)
    variance = np.sum((y - matrix @ found) ** 2, axis=0) / (len(y) - matrix.shape[1])
    error = np.sqrt(variance * np.linalg.inv(matrix.T @ matrix)[1, 1])
    return np.asarray(np.abs(found[1]) < _CLOSE * error)


def _surveys(rng: np.random.Generator, number: int, stays: float, place: np.ndarray) -> np.ndarray:
    """Draw counts at each survey; plants' own levels are tied from one to the next."""
    plants = len(place)
    deviate = rng.normal(size=plants)
    rows = []
    for _ in range(number):
        level = stats.gamma.ppf(stats.norm.cdf(deviate), K) / K
        rows.append(rng.poisson(20 * level * place))
        deviate = stays * deviate + np.sqrt(1 - stays**2) * rng.normal(size=plants)
    return np.array(rows, "float64")


def _upper(bounds: np.ndarray) -> np.ndarray:
    return np.asarray(stats.norm.sf(bounds))


GROUPS = ("a", "b", "c", "d")
ASKED = Question("fruit", control="a", groups=GROUPS, source="photo", survey="2026-07-01", draws=1)


def true_counts(trials: int, seed: int) -> Iterator[tuple[str, list[float]]]:
    """Photos show 70 % of each of four groups; 8 of 24 plants of each are counted by hand.

    False alarms, trials in which the joint intervals hold all ratios, and both of each group's own.

    Each trial goes through the steps of `with_true_counts` on arrays; the first through the whole
    comparison too, which must say the same.
    """
    rng = np.random.default_rng(seed)
    design = design_of(np.repeat(GROUPS, 24).tolist(), None, GROUPS)
    assert design is not None
    whole = None
    cells: dict[str, Cell] = {}
    alarms = alone = held = joint = 0
    for _ in range(trials):
        true = rng.poisson(20 * rng.gamma(K, 1 / K, (4, 24))).astype("float64")
        photo = rng.binomial(true.astype("int64"), 0.7).astype("float64")
        if whole is None:
            whole = _whole_trial(photo, true)
            expected = [each.p_told() for each in whole.comparisons]
        model = fit_counts(photo.ravel(), np.ones(96), design)
        by_group = list(zip(GROUPS, photo, true, strict=True))
        cells = cells or {name: _counted(name, *each) for name, *each in by_group}
        at = {name: _quickly(cells[name], *each) for name, *each in by_group}
        ratios = [replace(e, ratio=model.ratio(e.group, 0.95)) for e in whole.comparisons]
        found = [_true_contrast(each, at[each.group], at["a"], ASKED) for each in ratios]
        alone += min(each.ratio.p or 1.0 for each in found) < 0.05
        held += sum((each.ratio.low or 0) <= 1 <= (each.ratio.high or 0) for each in found)
        if not expected and min(each.ratio.p or 1.0 for each in found) >= 0.05:
            joint += 1  # what no interval of a group's own leaves out none of all together does
            continue
        covariance = tuple(tuple(row) for row in model.covariance.tolist())
        photos = replace(whole, comparisons=tuple(ratios), log_covariance=covariance)
        ends = [each.ratio for each in together(photos, found, at["a"], ASKED)]
        told = [each.p_adjusted or 1.0 for each in ends]
        if expected:
            assert np.allclose(np.array(told), np.array(expected, "float64"))
            expected = []
        alarms += min(told) < 0.05
        joint += all((each.low_joint or 0) <= 1 <= (each.high_joint or 9) for each in ends)
    yield (
        "true counts of four groups, 8 of 24 plants by hand",
        [alarms / trials, joint / trials, alone / trials, held / trials / 3],
    )


def _counted(group: str, photo: np.ndarray, true: np.ndarray) -> Cell:
    tally = np.where(np.arange(24) < 8, true, np.nan)
    return _cell(pd.DataFrame({"photo": photo, "tally": tally}), group, "2026-07-01", ASKED)


def _quickly(cell: Cell, photo: np.ndarray, true: np.ndarray) -> Cell:
    """Return what the ratio of true counts needs of another trial's plants, without the rest."""
    seen = share_seen(photo[:8], true[:8], 0.95)
    error = shared_error(photo[:8], true[:8], 24)
    return replace(cell, share=seen.share, share_se_log=seen.se_log, shared_error=error)


def _whole_trial(photo: np.ndarray, true: np.ndarray) -> Comparison:
    """Compare a trial's true counts as the program does, from its table of observations."""
    rows = []
    for group, seen, there in zip(GROUPS, photo, true, strict=True):
        for n in range(24):
            plant = {"survey": "2026-07-01", "plant": f"{group}{n}", "group": group}
            plant |= {"measure": "fruit", "unit": "count", "truss": pd.NA}
            rows.append(plant | {"source": "photo", "value": float(seen[n])})
            if n < 8:
                rows.append(plant | {"source": "tally", "value": float(there[n])})
    table = pd.DataFrame(rows).assign(block="", plot="", by="", note="", at="")
    found = with_true_counts(compare(table, ASKED), table, ASKED)
    assert all(each.basis == "true counts" for each in found.comparisons)
    return found


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
    "plots": courses_in_plots,
    "doses": doses,
    "looks": looks,
    "many": many_looks,
    "beds": looks_in_plots,
    "true": true_counts,
    "picks": picks,
}


def main(trials: int, seed: int, parts: list[str]) -> None:
    """Write the tables to stdout."""
    gc.freeze()  # statsmodels collects garbage at each adjustment, which takes longer than all else
    for part in parts or list(PARTS):
        for name, figures in PARTS[part](trials, seed):
            told = " | ".join(f"{each:.4f}" for each in figures)
            sys.stdout.write(f"| {part}: {name} | {told} |\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]), sys.argv[3:])
