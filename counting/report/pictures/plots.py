"""Plots for the page, as SVG text that prints, scales and can be read aloud."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from textwrap import fill
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from counting.analysis.describe import mean_interval
from counting.records.tapped import NOTE
from counting.report.pictures.drawing import INK, colour_of, drawing, shape_of, svg

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["course", "every_plant", "per_truss", "shown_events"]

_BEFORE = pd.Timedelta(days=14)
"""Events longer before the first survey than two rounds are listed, but would squeeze the plot."""
_WIDTH = 4.8
"""Inches: letters of 10 points can then be read on a phone's page of 350 px."""
_LEGEND_LETTERS = 46
"""More letters than this do not stand beside one another above or under a plot."""
_LINES = ("-", "--", "-.", ":")
"""Groups differ by their line too, not by colour alone."""
_NEAR = 0.03
"""Event numbers nearer than this share of the plot's width would stand on one another."""
_UPRIGHT = 8
"""More event numbers than this are turned, so that they find room beside one another."""


def every_plant(
    table: pd.DataFrame,
    groups: Sequence[dict[str, Any]],
    label: str,
    links: Mapping[str, tuple[str, str]] | None = None,
    *,
    by_key: bool = True,
) -> str:
    """Draw every plant by group, with the group's mean and interval beside.

    Parameters
    ----------
    table : DataFrame
        Columns ``group``, ``value``; one row per plant.
    groups : sequence of dict
        In order, the comparison's ``groups``: group, mean, mean_low, mean_high.
    label : str
        What the axis shows.
    links : mapping, optional
        Plant to an address in the page and what opens there; `table` has the column ``plant``.
    by_key : bool
        Whether the links are for the keyboard and the ear too.

    Returns
    -------
    str
        An ``<svg>`` element.
    """
    links = links or {}
    with drawing(_WIDTH, 3.0) as (figure, axes):
        for place, entry in enumerate(groups):
            mine = table[(table["group"] == entry["group"]) & table["value"].notna()]
            values = mine["value"].to_numpy(dtype=float)
            points = axes.scatter(
                place - 0.12 + _spread(values),
                values,
                s=26,
                marker=shape_of(place),
                color=colour_of(place),
                alpha=0.75,
                linewidths=0,
            )
            if links:
                points.set_urls([links.get(str(plant), (None,))[0] for plant in mine["plant"]])
            _interval(axes, place + 0.3, entry, colour_of(place))
        room = max(_LEGEND_LETTERS // max(len(groups), 1), 6)
        names = [f"{fill(g['group'], room)}\n({g['n']})" for g in groups]
        axes.set_xticks(range(len(groups)), names)
        axes.set_xlim(-0.6, len(groups) - 0.3)
        axes.set_ylim(bottom=min(0, axes.get_ylim()[0]))
        axes.yaxis.set_major_locator(MaxNLocator(nbins=6))
        axes.set_ylabel(label)
        title = f"{label}: every plant, with mean and 95 % interval of each group"
        return svg(figure, title, links=dict(links.values()), by_key=by_key)


def per_truss(table: pd.DataFrame, groups: Sequence[str]) -> str:
    """Draw fruit per truss against the truss's number, as the mean of each group.

    Parameters
    ----------
    table : DataFrame
        Columns ``group``, ``truss``, ``value``; one row per truss of a plant.
    groups : sequence of str
        In the order of the legend.

    Returns
    -------
    str
        An ``<svg>`` element; a mean of one truss alone has a hollow mark and no bar.
    """
    with drawing(_WIDTH, 2.9) as (figure, axes):
        for place, group in enumerate(groups):
            part = table[table["group"] == group].groupby("truss")["value"]
            means = part.agg(["mean", "sem", "count"])
            if means.empty:
                continue
            x = means.index.to_numpy(dtype=float) + 0.08 * (place - (len(groups) - 1) / 2)
            bars = np.vstack([means["sem"], means["sem"]])
            _line(axes, place, group, (x, means["mean"].to_numpy(), bars))
            alone = (means["count"] == 1).to_numpy()
            _hollow(axes, place, x[alone], means["mean"].to_numpy()[alone])
        axes.set_xlabel("truss, numbered from the base")
        axes.set_ylabel("fruit per truss")
        axes.xaxis.set_major_locator(MaxNLocator(integer=True))
        axes.set_ylim(bottom=0)
        _legend(figure, axes)
        return svg(figure, "Fruit per truss: mean and standard error by group")


def course(table: pd.DataFrame, groups: Sequence[str], label: str, events: pd.DataFrame) -> str:
    """Draw the mean of each group over the surveys, with the diary's events marked.

    Parameters
    ----------
    table : DataFrame
        Columns ``group``, ``survey`` (ISO date), ``value``; one row per survey and unit of
        analysis, so that the intervals are those of the comparison.
    groups : sequence of str
        In the order of the legend.
    label : str
        What the axis shows.
    events : DataFrame
        The diary, columns `counting.tables.EVENTS`.

    Returns
    -------
    str
        An ``<svg>`` element; the events' numbers stand above the plot.
    """
    surveys = sorted(set(table["survey"]))
    with drawing(_WIDTH, 3.3) as (figure, axes):
        for place, group in enumerate(groups):
            part = table[table["group"] == group].groupby("survey")["value"]
            if part.ngroups:
                _band(axes, place, group, _means(part))
        slant: dict[str, Any] = {"rotation": 40, "ha": "right"} if len(surveys) > 3 else {}
        axes.set_xticks(_dates(pd.Index(surveys)), surveys, **slant)
        axes.set_ylim(bottom=0)
        _mark_events(axes, shown_events(events, surveys))
        axes.set_ylabel(label)
        _legend(figure, axes)
        return svg(figure, f"{label} over the surveys: mean and 95 % interval by group")


def shown_events(events: pd.DataFrame, surveys: Sequence[str]) -> dict[int, pd.Timestamp]:
    """Return the events that the course shows, notes on plants not: number in the diary to day."""
    early = pd.to_datetime(min(surveys)) - _BEFORE if surveys else pd.Timestamp.max
    told = enumerate(zip(events["at"], events["kind"], strict=True), 1)
    days = {number: pd.to_datetime(str(at)[:10]) for number, (at, kind) in told if kind != NOTE}
    return {number: day for number, day in days.items() if day >= early}


def _means(part: Any) -> tuple[Any, np.ndarray, np.ndarray]:
    """Return days, means and how far their intervals reach below and above."""
    means = part.mean()
    reach = []
    for survey in means.index:
        values = part.get_group(survey).to_numpy(dtype=float)
        low, high = mean_interval(values) or (np.nan, np.nan)
        reach.append((means[survey] - low, high - means[survey]))
    return _dates(means.index), means.to_numpy(), np.transpose(reach)


def _line(axes: Axes, place: int, group: str, points: tuple[Any, np.ndarray, np.ndarray]) -> None:
    """Draw a group's means with their bars; where no bar is known there is none."""
    x, y, reach = points
    axes.errorbar(
        x,
        y,
        yerr=np.nan_to_num(reach),
        fmt=shape_of(place) + "-",
        color=colour_of(place),
        markersize=5,
        linewidth=1.4,
        capsize=3,
        label=group,
    )


def _band(axes: Axes, place: int, group: str, points: tuple[Any, np.ndarray, np.ndarray]) -> None:
    """Draw a group's means with the band of their intervals; where none is known there is none."""
    x, y, reach = points
    colour = colour_of(place)
    low, high = y - reach[0], y + reach[1]
    axes.fill_between(x, np.maximum(low, 0.0), high, color=colour, alpha=0.16, linewidth=0)
    for edge in (np.maximum(low, 0.0), high):  # so that bands show where they lie on one another
        axes.plot(x, edge, color=colour, linewidth=0.6, linestyle=_LINES[place % len(_LINES)])
    axes.plot(
        x, y, shape_of(place) + _LINES[place % len(_LINES)], color=colour, ms=5.5, lw=1.6,
        label=group,
    )  # fmt: skip


def _hollow(axes: Axes, place: int, x: np.ndarray, y: np.ndarray) -> None:
    """Draw marks over those of a line that rest on one value alone."""
    colour = colour_of(place)
    axes.plot(x, y, shape_of(place), ms=6, mfc="white", mec=colour, zorder=5)


def _mark_events(axes: Axes, days: dict[int, pd.Timestamp]) -> None:
    """Draw a line for each event, its number above the plot; near ones share a number's place."""
    ordered = sorted(days.items(), key=lambda item: item[1])
    for _, day in ordered:
        axes.axvline(day, color=INK, linewidth=0.7, linestyle=(0, (2, 3)))  # type: ignore[arg-type]
    left, right = axes.get_xlim()  # in days, and only now as wide as the events ask
    near = pd.Timedelta(days=(right - left) * _NEAR)
    together: list[tuple[pd.Timestamp, list[int]]] = []
    for number, day in ordered:
        if together and day - together[-1][0] < near:
            together[-1][1].append(number)
        else:
            together.append((day, [number]))
    for day, numbers in together:
        text = ", ".join(map(str, numbers))
        x: Any = day
        above = axes.get_xaxis_transform()
        turned = 90 if len(together) > _UPRIGHT else 0
        style = {"va": "bottom", "ha": "center", "fontsize": 8.5, "rotation": turned}
        axes.text(x, 1.01, text, transform=above, fontdict=style)


def _spread(values: np.ndarray) -> np.ndarray:
    """Return sideways offsets that keep equal values apart, the same at every drawing."""
    offsets = np.zeros(len(values))
    if len(values) == 0:
        return offsets
    step = max((values.max() - values.min()) / 25, 1e-9)
    for level in np.unique(np.round(values / step)):
        same = np.flatnonzero(np.round(values / step) == level)
        places = np.arange(len(same)) - (len(same) - 1) / 2
        offsets[same] = np.clip(places * 0.055, -0.28, 0.28)
    return offsets


def _interval(axes: Axes, x: float, entry: dict[str, Any], colour: str) -> None:
    """Draw a group's mean with its interval, where they are known."""
    mean, low, high = entry["mean"], entry["mean_low"], entry["mean_high"]
    if mean is None:
        return
    axes.plot([x], [mean], marker="_", markersize=16, markeredgewidth=2.2, color=colour)
    if low is not None and high is not None:
        axes.plot([x, x], [low, high], color=colour, linewidth=2.2)
    axes.annotate(f"{mean:.1f}", (x, mean), (10, 0), textcoords="offset points", va="center")


def _legend(figure: Figure, axes: Axes) -> None:
    """Name the groups above the plot, where nothing is drawn."""
    handles, names = axes.get_legend_handles_labels()
    if not names:
        return
    columns = len(names) if sum(map(len, names)) <= _LEGEND_LETTERS else 1
    figure.legend(handles, names, loc="outside upper left", ncols=columns, frameon=False)


def _dates(index: pd.Index) -> Any:
    return pd.to_datetime(pd.Series(list(index)))
