"""The spread of plants, estimated from a survey that was made."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from counting.errors import PlanError
from counting.plan.needed.plants import Spread

__all__ = ["spread_from_pilot"]

_ROUNDS = 200
"""Proportional fitting halves its distance in a round or better; 200 is far more than it takes."""


def spread_from_pilot(
    values: Sequence[float],
    groups: Sequence[str],
    plots: Sequence[str],
    *,
    control: str,
    kind: Literal["count", "measure"],
    blocks: Sequence[str] | None = None,
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
    blocks : sequence of str, length N, optional
        The blocks within which the groups will be compared: what blocks differ by is then no part
        of the spread. Counts are first brought to the level of the mean block.

    Returns
    -------
    spread : Spread
        Variance within groups (and blocks) by moments; likeness by an analysis of variance over
        plots within groups (and blocks), 0 where plots hold one plant each.
    cautions : list of str
        What the estimate rests on.

    Raises
    ------
    PlanError
        If there are too few plants or they do not differ at all.
    """
    table = pd.DataFrame(
        {
            "value": np.asarray(values, dtype=np.float64),
            "group": np.asarray(groups),
            "plot": np.asarray(plots),
            "block": "" if blocks is None else np.asarray(blocks),
        }
    )
    table = table[np.isfinite(table["value"])].reset_index(drop=True)
    where = "the pilot survey"
    freedom = len(table) - table["group"].nunique() - max(table["block"].nunique() - 1, 0)
    if freedom < 3 or control not in set(table["group"]):
        expected = "several plants in each group, the control among them"
        raise PlanError(where, f"{len(table)} plants with a value", expected)
    mean = float(table.loc[table["group"] == control, "value"].mean())
    level = _levels(table) if kind == "count" else np.ones(len(table))
    variance, likeness = _components(table.assign(value=table["value"] / level))
    if variance <= 0 or mean <= 0:
        found = f"mean {mean:.3g}, variance {variance:.3g}"
        raise PlanError(where, found, "plants that bear and that differ")
    wide = math.sqrt(freedom / stats.chi2.ppf(0.1, freedom)) - 1
    apart = "" if blocks is None else " within their blocks"
    cautions = [
        f"The spread comes from {len(table)} plants{apart}; the true one may well be"
        f" {wide:.0%} larger".replace("%", " %")
        + ", and the plants needed grow with its square."
    ]
    if kind == "measure":
        return Spread("measure", mean, sd=math.sqrt(variance), likeness=likeness), cautions
    # each group has its own mean; a block's level divides the variance of chance once too often
    means = table["value"].div(level).groupby(table["group"]).transform("mean").to_numpy()
    over = variance - float((means / level).mean())
    k = float((means**2).mean()) / over if over > 0 else math.inf
    if math.isinf(k):
        cautions.append("The counts differ no more than chance alone makes them (Poisson).")
    return Spread("count", mean, k=k, likeness=likeness), cautions


def _levels(table: pd.DataFrame) -> npt.NDArray[np.float64]:
    """Return by which factor each plant's block bears more than the mean block.

    The fit of group times block to the totals, by proportional fitting: what a Poisson model of
    both gives. A block that bears nothing keeps its level of 1.
    """
    groups, blocks = table["group"], table["block"]
    group = pd.Series(1.0, index=groups.unique())
    block = pd.Series(1.0, index=blocks.unique())
    borne = {"group": table.groupby("group")["value"].sum()}
    borne["block"] = table.groupby("block")["value"].sum()
    for _ in range(_ROUNDS):
        expected = block.reindex(blocks).groupby(groups.to_numpy()).sum()
        group = borne["group"] / expected
        expected = group.reindex(groups).groupby(blocks.to_numpy()).sum()
        block = (borne["block"] / expected.where(expected > 0, 1)).where(borne["block"] > 0, 1.0)
    found = block.reindex(blocks).to_numpy(dtype=np.float64)
    return np.asarray(found / found.mean(), dtype=np.float64)


def _components(table: pd.DataFrame) -> tuple[float, float]:
    """Return the variance between plants within groups and blocks, and the likeness in plots."""
    values = table["value"].to_numpy()
    layout = _columns(table["group"] + "\0group")
    if len(set(table["block"])) > 1:
        layout = np.hstack([layout, _columns(table["block"])])
    cells = _columns(table["group"] + "\0" + table["plot"])
    rank = int(np.linalg.matrix_rank(layout))
    both = int(np.linalg.matrix_rank(np.hstack([layout, cells])))
    inner_freedom, plot_freedom = len(values) - both, both - rank
    left = _residual(layout, values[:, None])[:, 0]
    around = float((left**2).sum())
    if inner_freedom < 1 or plot_freedom < 1:
        return around / (len(values) - rank), 0.0
    within = float((_residual(np.hstack([layout, cells]), values[:, None]) ** 2).sum())
    # the mean of a plot's own part that the layout leaves, Searle, Casella & McCulloch (1992),
    # Variance Components, sec. 5.3 (from memory): one-way it is (N - sum n^2 / N) / (plots - 1)
    usual = float((cells * _residual(layout, cells)).sum()) / plot_freedom
    inner = within / inner_freedom
    shared = max(0.0, ((around - within) / plot_freedom - inner) / usual)
    total = inner + shared
    return total, min(shared / total, 0.99) if total > 0 else 0.0


def _columns(names: pd.Series[str]) -> npt.NDArray[np.float64]:
    """Return a column of 0 and 1 for each name."""
    return pd.get_dummies(names).to_numpy(dtype=np.float64)


def _residual(
    design: npt.NDArray[np.float64], values: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """Return what a least-squares fit leaves of each column."""
    fitted = design @ np.linalg.lstsq(design, values, rcond=None)[0]
    return np.asarray(values - fitted, dtype=np.float64)
