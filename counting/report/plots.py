"""Plots for the page, as SVG text that prints, scales and can be read aloud."""

from __future__ import annotations

import html
import io
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["bed_map", "course", "every_plant", "per_truss"]

# Okabe & Ito's palette for colour-blind readers (jfly.uni-koeln.de/color), with a shape each, so
# that no plot depends on colour alone
_COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9")
_SHAPES = ("o", "s", "^", "D", "v", "P")
_INK = "#2b2a27"
_BEFORE = pd.Timedelta(days=14)
"""Events longer before the first survey than two rounds are listed, but would squeeze the plot."""
_STYLE: dict[Any, Any] = {
    "axes.edgecolor": _INK,
    "axes.labelcolor": _INK,
    "axes.spines.right": False,
    "axes.spines.top": False,
    "font.family": "sans-serif",
    "font.size": 9.5,
    "svg.fonttype": "none",
    "svg.hashsalt": "counting",
    "text.color": _INK,
    "text.parse_math": False,  # a group's name may hold a dollar sign
    "xtick.color": _INK,
    "ytick.color": _INK,
}


def every_plant(table: pd.DataFrame, groups: Sequence[dict[str, Any]], label: str) -> str:
    """Draw every plant by group, with the group's mean and interval beside.

    Parameters
    ----------
    table : DataFrame
        Columns ``group``, ``value``; one row per plant.
    groups : sequence of dict
        In order, the comparison's ``groups``: group, mean, mean_low, mean_high.
    label : str
        What the axis shows.

    Returns
    -------
    str
        An ``<svg>`` element.
    """
    with mpl.rc_context(_STYLE):
        figure, axes = _figure(5.6, 3.3)
        for place, entry in enumerate(groups):
            values = table.loc[table["group"] == entry["group"], "value"].to_numpy(dtype=float)
            values = values[np.isfinite(values)]
            colour, shape = _COLOURS[place % 6], _SHAPES[place % 6]
            axes.scatter(
                place - 0.12 + _spread(values),
                values,
                s=26,
                marker=shape,
                color=colour,
                alpha=0.75,
                linewidths=0,
            )
            _interval(axes, place + 0.3, entry, colour)
        axes.set_xticks(range(len(groups)), [f"{g['group']}\n({g['n']})" for g in groups])
        axes.set_xlim(-0.6, len(groups) - 0.3)
        axes.set_ylim(bottom=min(0, axes.get_ylim()[0]))
        axes.yaxis.set_major_locator(MaxNLocator(nbins=6))
        axes.set_ylabel(label)
        return _svg(figure, f"{label}: every plant, with mean and 95 % interval of each group")


def per_truss(table: pd.DataFrame, groups: Sequence[str]) -> str:
    """Draw fruit per truss against the truss's number, as the mean of each group.

    Parameters
    ----------
    table : DataFrame
        Columns ``group``, ``truss``, ``value``; one row per truss of a plant.
    groups : sequence of str
        In the order of the legend.
    """
    with mpl.rc_context(_STYLE):
        figure, axes = _figure(5.6, 2.9)
        for place, group in enumerate(groups):
            part = table[table["group"] == group].groupby("truss")["value"].agg(["mean", "sem"])
            if part.empty:
                continue
            axes.errorbar(
                part.index.to_numpy(dtype=float) + 0.08 * (place - (len(groups) - 1) / 2),
                part["mean"],
                yerr=part["sem"].fillna(0),
                fmt=_SHAPES[place % 6] + "-",
                color=_COLOURS[place % 6],
                markersize=5,
                linewidth=1.4,
                label=group,
            )
        axes.set_xlabel("truss, numbered from the base")
        axes.set_ylabel("fruit per truss")
        axes.xaxis.set_major_locator(MaxNLocator(integer=True))
        axes.set_ylim(bottom=0)
        _legend(axes, "best")
        return _svg(figure, "Fruit per truss: mean and standard error by group")


def course(table: pd.DataFrame, groups: Sequence[str], label: str, events: pd.DataFrame) -> str:
    """Draw the mean of each group over the surveys, with the diary's events marked.

    Parameters
    ----------
    table : DataFrame
        Columns ``group``, ``survey`` (ISO date), ``value``; one row per plant and survey.
    groups : sequence of str
        In the order of the legend.
    label : str
        What the axis shows.
    events : DataFrame
        The diary, columns `counting.tables.EVENTS`.
    """
    with mpl.rc_context(_STYLE):
        figure, axes = _figure(5.6, 3.3)
        for place, group in enumerate(groups):
            part = table[table["group"] == group].groupby("survey")["value"].agg(["mean", "sem"])
            if part.empty:
                continue
            axes.errorbar(
                _dates(part.index),
                part["mean"],
                yerr=1.96 * part["sem"].fillna(0),
                fmt=_SHAPES[place % 6] + "-",
                color=_COLOURS[place % 6],
                markersize=5,
                linewidth=1.4,
                capsize=3,
                label=group,
            )
        surveys = sorted(set(table["survey"]))
        axes.set_xticks(_dates(pd.Index(surveys)), surveys)
        axes.set_ylim(bottom=0)
        top = axes.get_ylim()[1]
        early = min(_dates(pd.Index(surveys)), default=pd.Timestamp.max) - _BEFORE
        for number, (at, kind) in enumerate(
            zip(events["at"], events["kind"], strict=True), start=1
        ):
            when: Any = pd.to_datetime(str(at)[:10])
            if when < early:
                continue
            axes.axvline(when, color=_INK, linewidth=0.7, linestyle=(0, (2, 3)))
            axes.text(when, top, f" {number}", va="top", ha="left", fontsize=8, gid=f"event-{kind}")
        axes.set_ylabel(label)
        _legend(axes, "lower left")
        return _svg(figure, f"{label} over the surveys: mean and 95 % interval by group")


def bed_map(table: pd.DataFrame, groups: Sequence[str], label: str) -> str:
    """Draw the beds, one square a plant, its number written in and shaded by it.

    Parameters
    ----------
    table : DataFrame
        Columns ``code``, ``group``, ``plot``, ``row``, ``position``, ``guard``, ``value``.
    groups : sequence of str
        Their first letters stand in the corner of each square.
    label : str
        What the number is.
    """
    laid = table.dropna(subset=["row", "position"])
    if laid.empty:
        return ""
    colours = {group: _COLOURS[place % 6] for place, group in enumerate(groups)}
    highest = float(np.nanmax([*laid["value"].astype(float), 1.0]))
    across = int(laid["position"].max())
    down = int(laid["row"].max())
    with mpl.rc_context(_STYLE):
        figure, axes = _figure(min(7.0, 1.0 + 0.5 * across), 0.7 + 0.55 * down)
        for plant in laid.itertuples():
            _square(axes, plant, highest, colours[str(plant.group)])
        axes.set_xlim(0.4, across + 0.6)
        axes.set_ylim(down + 0.6, 0.4)
        axes.set_aspect("equal")
        axes.set_yticks(range(1, down + 1), [f"row {row}" for row in range(1, down + 1)])
        axes.set_xticks([])
        for side in axes.spines.values():
            side.set_visible(False)
        axes.tick_params(length=0)
        return _svg(figure, f"Map of the beds, each plant with its {label}")


def _square(axes: Axes, plant: Any, highest: float, colour: str) -> None:
    """Draw one plant of the map."""
    known = np.isfinite(plant.value)
    shade = 0.12 + 0.75 * plant.value / highest if known and not plant.guard else 0.0
    x, y = float(plant.position), float(plant.row)
    axes.add_patch(
        mpl.patches.Rectangle(
            (x - 0.46, y - 0.46),
            0.92,
            0.92,
            facecolor=(*mpl.colors.to_rgb(colour), shade),
            edgecolor=_INK,
            linewidth=0.6,
            hatch="" if known or plant.guard else "///",
        )
    )
    text = "guard" if plant.guard else (f"{plant.value:g}" if known else "-")
    dark = shade > 0.55
    axes.text(
        x,
        y + 0.1,
        text,
        ha="center",
        va="center",
        fontsize=7 if plant.guard else 9.5,
        color="white" if dark else _INK,
    )
    axes.text(
        x - 0.4,
        y - 0.4,
        str(plant.group)[:1].upper(),
        ha="left",
        va="top",
        fontsize=6.5,
        color="white" if dark else _INK,
    )


def _figure(width: float, height: float) -> tuple[Figure, Axes]:
    figure = Figure(figsize=(width, height), layout="constrained")
    return figure, figure.subplots()


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
    axes.annotate(f"{mean:.1f}", (x, mean), (8, 0), textcoords="offset points", va="center")


def _legend(axes: Axes, place: Literal["best", "lower left"]) -> None:
    if axes.get_legend_handles_labels()[1]:
        axes.legend(frameon=False, loc=place)


def _dates(index: pd.Index) -> Any:
    return pd.to_datetime(pd.Series(list(index)))


def _svg(figure: Figure, title: str) -> str:
    """Return a figure as an inline element with a title for screen readers."""
    stream = io.StringIO()
    figure.savefig(stream, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    text = stream.getvalue()
    # the style that comes with a figure speaks of every element, so of the whole page around it
    body = re.sub(r"<style.*?</style>", "", text[text.index("<svg") :], flags=re.DOTALL)
    body = re.sub(r"<metadata>.*?</metadata>", "", body, flags=re.DOTALL)
    named = html.escape(title)
    start = f'<svg role="img" aria-label="{named}" stroke-linejoin="round" stroke-linecap="butt" '
    body = re.sub(r'<svg width="[\d.]+pt" height="[\d.]+pt" ', lambda _: start, body, count=1)
    # a function, since the name may hold what a pattern's replacement would read as a group
    return re.sub(r"(<svg[^>]*>)", lambda tag: f"{tag[1]}<title>{named}</title>", body, count=1)
