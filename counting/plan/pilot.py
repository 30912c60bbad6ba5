"""The spread of plants, estimated from a survey that was made."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import stats

from counting.errors import PlanError
from counting.plan.plants_needed import Spread

__all__ = ["spread_from_pilot"]


def spread_from_pilot(
    values: Sequence[float],
    groups: Sequence[str],
    plots: Sequence[str],
    *,
    control: str,
    kind: Literal["count", "measure"],
) -> tuple[Spread, list[str]]:
    """Estimate the spread from one survey.

    Parameters
    ----------
    values : sequence of float, length N
        One value per plant; NaN is left out.
    groups, plots : sequence of str, length N
        Where each plant stands.
    control : str
        The group whose mean is taken.
    kind : {"count", "measure"}
        How the measure is compared.

    Returns
    -------
    spread : Spread
        Variance within groups by moments; likeness by a one-way analysis of variance over plots
        within groups, 0 where plots hold one plant each.
    cautions : list of str
        What the estimate rests on.

    Raises
    ------
    PlanError
        If there are too few plants or they do not differ at all.
    """
    table = np.asarray(values, dtype=np.float64)
    there = np.isfinite(table)
    table, names, places = table[there], np.asarray(groups)[there], np.asarray(plots)[there]
    where = "the pilot survey"
    if len(table) - len(set(names)) < 3 or control not in names:
        expected = "several plants in each group, the control among them"
        raise PlanError(where, f"{len(table)} plants with a value", expected)
    mean = float(table[names == control].mean())
    variance, likeness = _components(table, names, places)
    if variance <= 0 or mean <= 0:
        found = f"mean {mean:.3g}, variance {variance:.3g}"
        raise PlanError(where, found, "plants that bear and that differ")
    freedom = len(table) - len(set(names))
    wide = math.sqrt(freedom / stats.chi2.ppf(0.1, freedom)) - 1
    cautions = [
        f"The spread comes from {len(table)} plants; the true one may well be"
        f" {wide:.0%} larger".replace("%", " %")
        + ", and the plants needed grow with its square."
    ]
    if kind == "measure":
        return Spread("measure", mean, sd=math.sqrt(variance), likeness=likeness), cautions
    # within groups each has its own mean; the squared means are averaged with the variances
    squares = np.array([table[names == name].mean() for name in names])
    over = variance - float(squares.mean())
    k = float((squares**2).mean()) / over if over > 0 else math.inf
    if math.isinf(k):
        cautions.append("The counts differ no more than chance alone makes them (Poisson).")
    return Spread("count", mean, k=k, likeness=likeness), cautions


def _components(
    values: npt.NDArray[np.float64], groups: npt.NDArray[np.str_], plots: npt.NDArray[np.str_]
) -> tuple[float, float]:
    """Return the variance between plants within groups and the likeness within plots."""
    cells = {(group, plot) for group, plot in zip(groups, plots, strict=True)}
    sizes, within, between = [], 0.0, 0.0
    for group, plot in cells:
        cell = values[(groups == group) & (plots == plot)]
        sizes.append(len(cell))
        within += float(((cell - cell.mean()) ** 2).sum())
        between += len(cell) * float((cell.mean() - values[groups == group].mean()) ** 2)
    count, plot_freedom = len(values), len(cells) - len(set(groups))
    inner_freedom = count - len(cells)
    if inner_freedom < 1 or plot_freedom < 1:
        return (within + between) / (count - len(set(groups))), 0.0
    usual = (count - sum(size**2 for size in sizes) / count) / (len(cells) - 1)
    inner = within / inner_freedom
    shared = max(0.0, (between / plot_freedom - inner) / usual)
    total = inner + shared
    return total, min(shared / total, 0.99) if total > 0 else 0.0
