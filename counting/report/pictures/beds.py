"""The map of the beds: one square a plant, where it stands."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from string import ascii_uppercase
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import numpy as np
import pandas as pd

from counting.report.pictures.drawing import INK, colour_of, drawing, svg

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.patches import Patch

__all__ = ["bed_map", "short_names"]

_SQUARE = 0.52
"""Side of a plant's square in inches, while the row fits on the page."""
_WIDEST = 7.0
"""Inches between the margins of A4."""
_LETTER = 0.08
"""Width of a letter of a row's name, in inches."""
_LETTERS = 3
"""More do not fit into the corner of a square."""
_LEAST_PX, _MOST_PX = 26, 76
"""A square narrower than the first on the screen holds no number that can be read; one wider than
the second is larger than it need be."""


@dataclass(frozen=True, slots=True)
class _Look:
    """How the squares are drawn: largest value, points of the number, colour and letters."""

    highest: float
    points: float
    colours: dict[str, str]
    letters: dict[str, str]


def short_names(groups: Sequence[str]) -> dict[str, str]:
    """Return for each group the fewest first letters that tell it from the others.

    Where that takes more than three, they are A, B, C and so on in their order.
    """
    for length in range(1, _LETTERS + 1):
        cut = [group[:length].strip().capitalize() for group in groups]
        if len(set(cut)) == len(groups):
            return dict(zip(groups, cut, strict=True))
    return {group: ascii_uppercase[place % 26] for place, group in enumerate(groups)}


def bed_map(
    table: pd.DataFrame,
    groups: Sequence[str],
    label: str,
    links: Mapping[str, tuple[str, str]] | None = None,
) -> str:
    """Draw the beds, one square a plant, its number written in and shaded by it.

    Parameters
    ----------
    table : DataFrame
        Columns ``code``, ``group``, ``block``, ``plot``, ``row``, ``position``, ``guard`` and
        ``value``.
    groups : sequence of str
        Their `short_names` stand in the corner of each square.
    label : str
        What the number is.
    links : mapping, optional
        Plant to an address in the page and what opens there.

    Returns
    -------
    str
        An ``<svg>`` element; empty where no plant has a place.
    """
    links = links or {}
    laid, rows = _laid(table.dropna(subset=["row", "position"]))
    if laid.empty:
        return ""
    across, down = int(laid["position"].max()), len(rows)
    side = min(_SQUARE, (_WIDEST - 0.6) / across)
    look = _Look(
        highest=float(np.nanmax([*laid["value"].astype(float), 1.0])),
        points=min(9.5, 72 * side * 0.3),
        colours={group: colour_of(place) for place, group in enumerate(groups)},
        letters=short_names(groups),
    )
    beside = 0.6 + _LETTER * max(0, max(map(len, rows)) - len("row 1 "))
    with drawing(beside + side * across, 0.2 + side * down) as (figure, axes):
        for plant in laid.itertuples():
            _square(axes, plant, look).set_url(links.get(str(plant.code), (None,))[0])
        axes.set_xlim(0.5, across + 0.5)
        axes.set_ylim(down + 0.5, 0.5)
        axes.set_aspect("equal")
        axes.set_yticks(range(1, down + 1), rows)
        axes.set_xticks([])
        for edge in axes.spines.values():
            edge.set_visible(False)
        axes.tick_params(length=0)
        title = f"Map of the beds, each plant with its {label}"
        widths = (_LEAST_PX * across, _MOST_PX * across)
        return svg(figure, title, widths=widths, links=dict(links.values()))


def _laid(table: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Return the plants, each with a place of its own, and the names of the rows.

    Where rows and positions are numbered anew in each block or plot these lie one below another;
    a plan that gives two plants one place even there has no map.
    """
    place = ["row", "position"]
    if not table.duplicated(place).any():
        down = int(table["row"].max()) if len(table) else 0
        return table, [f"row {row}" for row in range(1, down + 1)]
    for part in ("block", "plot"):
        if part in table and not table.duplicated([part, *place]).any():
            lines = sorted(set(zip(table[part].astype(str), table["row"], strict=True)))
            at = {line: number for number, line in enumerate(lines, start=1)}
            line = [at[each] for each in zip(table[part].astype(str), table["row"], strict=True)]
            return table.assign(row=line), [f"{name}, row {row:g}" for name, row in lines]
    return table.iloc[:0], []


def _square(axes: Axes, plant: Any, look: _Look) -> Patch:
    """Draw one plant of the map and return its square."""
    known = bool(np.isfinite(plant.value)) and not plant.guard
    shade = 0.12 + 0.75 * plant.value / look.highest if known else 0.0
    group = str(plant.group)
    paint = 1 - shade * (1 - np.asarray(mpl.colors.to_rgb(look.colours.get(group, INK))))
    x, y = float(plant.position), float(plant.row)
    square = axes.add_patch(
        mpl.patches.Rectangle(
            (x - 0.46, y - 0.46),
            0.92,
            0.92,
            facecolor=tuple(paint),
            edgecolor=INK,
            linewidth=0.6,
            hatch="" if known or plant.guard else "///",
        )
    )
    text = "guard" if plant.guard else (f"{plant.value:g}" if known else "")
    size = look.points * (0.72 if plant.guard else 1)
    ink = _ink_on(paint)
    axes.text(x, y + 0.1, text, ha="center", va="center", fontsize=size, color=ink)
    letter = look.letters.get(group, "")
    small = look.points * 0.7
    axes.text(x - 0.41, y - 0.41, letter, ha="left", va="top", fontsize=small, color=ink)
    return square


def _ink_on(paint: np.ndarray) -> str:
    """Return the ink, dark or white, with more contrast (WCAG 2.2, relative luminance)."""
    linear = np.where(paint <= 0.04045, paint / 12.92, ((paint + 0.055) / 1.055) ** 2.4)
    luminance = float(linear @ [0.2126, 0.7152, 0.0722])
    return "white" if 1.05 / (luminance + 0.05) > (luminance + 0.05) / 0.07 else INK
