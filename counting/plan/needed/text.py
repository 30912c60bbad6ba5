"""What `counting plants-needed` reads and says."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Literal

from counting.errors import PlanError
from counting.plan.needed.plants import Need, Spread

__all__ = ["needed_text", "typed_spread"]


def typed_spread(
    kind: Literal["count", "measure"],
    *,
    mean: float | None,
    sd: float | None,
    k: float | None,
    likeness: float | None,
) -> Spread:
    """Return the spread from values typed in.

    Parameters
    ----------
    kind : {"count", "measure"}
        How the measure is compared.
    mean, sd, k, likeness : float or None
        As typed; a count wants `k` or `sd`, another measure `sd`.

    Raises
    ------
    PlanError
        If what is needed is missing or cannot be.
    """
    where = "plants-needed"
    if mean is None:
        mend = "give --mean and --sd (or --k), or take them from a survey with --trial DIR"
        raise PlanError(where, "no mean", "the control's mean per plant", mend)
    if sd is not None and k is not None:
        raise PlanError(where, "both --sd and --k", "one of them")
    shared = likeness or 0.0
    if kind == "measure":
        if sd is None:
            raise PlanError(where, "no spread", "--sd, the standard deviation between plants")
        return Spread("measure", mean, sd=sd, likeness=shared)
    if k is None and sd is None:
        mend = "for counts that differ by chance alone, which is rare, give --k inf"
        raise PlanError(where, "no spread", "--sd between plants, or --k", mend)
    if k is None and sd is not None:
        over = sd**2 - mean
        if over < 0:
            found = f"a standard deviation of {sd:g} is less than chance alone makes at {mean:g}"
            expected = f"{math.sqrt(max(mean, 0)):.3g} or more"
            raise PlanError(where, found, expected, "is it a standard error?")
        k = mean**2 / over if over else math.inf
    return Spread("count", mean, k=k if k is not None else math.inf, likeness=shared)


def needed_text(need: Need, measure: str) -> str:
    """Return what is needed as text: the sentence, two tables, the cautions."""
    spread, aim = need.spread, need.aim
    between = f"k {spread.k:.3g}" if spread.kind == "count" else f"SD {spread.sd:.4g}"
    lines = [
        need.sentence,
        f"({measure}: mean {spread.mean:.4g}, {between}, likeness within a plot"
        f" {spread.likeness:.2g}, level {aim.level:g}, two-sided)",
        "",
        f"At {need.plants_per_plot} to a plot, by difference:",
        "  difference   plots per group   plants per group",
    ]
    lines += [
        f"  {row['difference'] * 100:>8.3g} %{_cell(row, 'plots_per_group', 17)}"
        f"{_cell(row, 'plants_per_group', 19)}"
        for row in need.by_difference
    ]
    lines += [
        "",
        f"To see {aim.difference * 100:.3g} %, by plants per plot:",
        "  plants per plot   plots per group   plants per group",
    ]
    lines += [
        f"  {row['plants_per_plot']:>15}{_cell(row, 'plots_per_group', 18)}"
        f"{_cell(row, 'plants_per_group', 19)}"
        for row in need.by_plot_size
    ]
    return "\n".join([*lines, "", *(f"Note: {caution}" for caution in need.cautions)])


def _cell(row: Mapping[str, Any], name: str, width: int) -> str:
    value = "too many" if row[name] is None else str(row[name])
    return f"{value:>{width}}"
