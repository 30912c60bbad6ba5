"""The beds as a picture: what stands where, with the groups for whoever treats, or blind."""

from __future__ import annotations

import io
from itertools import cycle
from typing import TYPE_CHECKING, Any, Literal

import pandas as pd

from counting.plan.trial import Trial

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["EVEN_FOR", "map_picture", "placed", "row_places"]

EVEN_FOR = 2
"""Plants along a row over which a bed is taken to be even: a tag further off tells too little of
where a plant stands."""

_STEP = 1.0
"""Distance of two plants in a row, in the map's own unit."""
_GAP = 0.9
"""Between two plots."""
_BED = 3.1
"""Between two rows."""
_INK = "#1c2621"
_FAINT = "#6b7770"
_HATCHES = ("", "////", "....", "xxxx", "----", "\\\\\\\\", "++++", "oo")
"""Groups differ by their pattern and name, not by colour: a grey copy says as much."""


def placed(plants: pd.DataFrame) -> pd.DataFrame:
    """Return the plants in walking order, each with a row and a position.

    A row or position that the table does not give, or gives twice, is taken from the order of the
    lines: one row per block.

    Parameters
    ----------
    plants : DataFrame
        Columns `counting.tables.PLANTS`.

    Returns
    -------
    DataFrame
        The same columns; `row` and `position` are complete.
    """
    table = plants.copy()
    order = {block: number for number, block in enumerate(dict.fromkeys(table["block"]), start=1)}
    table["row"] = table["row"].fillna(table["block"].map(order).astype("Int64"))
    # positions counted anew in each plot say nothing of the row
    if table["position"].isna().any() or table.duplicated(["row", "position"]).any():
        table["position"] = (table.groupby("row").cumcount() + 1).astype("Int64")
    return table.sort_values(["row", "position"], kind="stable", ignore_index=True)


def row_places(plants: pd.DataFrame) -> dict[str, tuple[int, int]]:
    """Return each plant's row and position in it, by code; see `placed`."""
    table = placed(plants)
    columns = (table["code"], table["row"], table["position"])
    return {str(code): (int(row), int(at)) for code, row, at in zip(*columns, strict=True)}


def map_picture(
    trial: Trial, *, form: Literal["svg", "png", "pdf"] = "svg", blind: bool = False
) -> bytes:
    """Draw the map of the beds.

    Parameters
    ----------
    trial : Trial
        The trial; row and position of its plants place them.
    form : {"svg", "png", "pdf"}
        The kind of picture.
    blind : bool
        Leave the groups out, for those who count.

    Returns
    -------
    bytes
        The picture as a file's content; the same trial gives the same picture.
    """
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    plants = placed(trial.plants)
    rows = list(dict.fromkeys(plants["row"]))
    spans = [_row_width(plants[plants["row"] == row]) for row in rows]
    width, height = max([*spans, 9.0]) + 2.2, len(rows) * _BED + 3.0
    names = [] if blind else [group.name for group in trial.plan.groups]
    style: Any = {"svg.hashsalt": trial.plan.id, "svg.fonttype": "path", "hatch.linewidth": 1.2}
    style["text.parse_math"] = False  # a group's name may hold a dollar sign
    with mpl.rc_context(style | {"font.family": "DejaVu Sans", "text.color": _INK}):
        figure = Figure(figsize=(width * 0.62, height * 0.62), facecolor="white")
        FigureCanvasAgg(figure)
        axes = figure.add_axes((0, 0, 1, 1))
        axes.set(xlim=(-1.6, width - 1.6), ylim=(-height + 2.0, 2.0), aspect="equal")
        axes.axis("off")
        _title(axes, trial, blind=blind)
        patterns = dict(zip(names, cycle(_HATCHES), strict=False))
        for line, row in enumerate(rows):
            _draw_row(axes, plants[plants["row"] == row], -line * _BED, patterns)
        spacing = trial.plan.layout.spacing_mm
        _footer(axes, plants, -height + 2.0, spacing, blind=blind)
        if spacing:
            _draw_spacing(axes, spans[0], spacing)
        stream = io.BytesIO()
        metadata = {"Date": None} if form == "svg" else None
        figure.savefig(stream, format=form, dpi=150, metadata=metadata)
    return stream.getvalue()


def _row_width(plants: pd.DataFrame) -> float:
    """Return how long a row is on the map."""
    return len(plants) * _STEP + (plants["plot"].nunique() - 1) * _GAP


def _title(axes: Axes, trial: Trial, *, blind: bool) -> None:
    kind = "for counting: no groups shown" if blind else "with groups: keep it from those who count"
    said = axes.text(-1.2, 1.5, trial.plan.title, fontsize=17, fontweight="bold", va="center")
    drawn, room = said.get_window_extent(), axes.get_window_extent()
    if drawn.x1 > room.x1 - drawn.x0:  # as much room to the right as to the left
        said.set_fontsize(17 * (room.width - 2 * drawn.x0) / drawn.width)
    axes.text(-1.2, 0.98, f"Map {kind}", fontsize=10.5, color=_FAINT, va="center")


def _draw_row(axes: Axes, plants: pd.DataFrame, y: float, patterns: dict[str, str]) -> None:
    """Draw one row: its block's name, its plots from left to right, their plants."""
    block = " / ".join(dict.fromkeys(plants["block"].replace("", pd.NA).dropna()))
    axes.text(-0.75, y - 1.2, block, fontsize=24, fontweight="bold", ha="center", va="center")
    x = 0.0
    for plot, members in plants.groupby("plot", sort=False):
        long = len(members) * _STEP
        groups = list(dict.fromkeys(group for group in members["group"] if group))
        _draw_plot(axes, (x, y), long, patterns.get(groups[0], "") if len(groups) == 1 else "")
        name = str(plot)
        axes.text(x, y + 0.02, name, fontsize=14, fontweight="bold", ha="left", va="bottom")
        if patterns:
            axes.text(x, y - 2.0, ", ".join(groups), fontsize=10.5, ha="left", va="top")
        for place, plant in enumerate(members.itertuples()):
            label = str(plant.code).removeprefix(f"{name}-")
            _draw_plant(axes, (x + (place + 0.5) * _STEP, y - 1.0), label, guard=bool(plant.guard))
        x += long + _GAP


def _draw_plot(axes: Axes, corner: tuple[float, float], long: float, pattern: str) -> None:
    from matplotlib.patches import FancyBboxPatch

    place, shape = (corner[0] + 0.06, corner[1] - 1.85), "round,pad=0,rounding_size=0.18"
    edge = _FAINT if pattern else _INK
    # hatches are drawn in the colour of the edge, so the frame is a box of its own
    hatched: dict[str, Any] = {"facecolor": "white", "edgecolor": edge, "hatch": pattern, "lw": 0}
    frame: dict[str, Any] = {"fill": False, "edgecolor": _INK, "lw": 2}
    for style in (hatched, frame):
        axes.add_patch(FancyBboxPatch(place, long - 0.12, 1.75, boxstyle=shape, **style))


def _draw_plant(axes: Axes, place: tuple[float, float], label: str, *, guard: bool) -> None:
    from matplotlib.patches import Circle

    style = ":" if guard else "-"
    edge = _FAINT if guard else _INK
    axes.add_patch(Circle(place, 0.4, facecolor="white", edgecolor=edge, lw=1.8, ls=style))
    size = 12 if len(label) < 3 else 8
    axes.text(*place, label, fontsize=size, color=edge, ha="center", va="center")


def _draw_spacing(axes: Axes, span: float, spacing: float) -> None:
    """Draw the distance from stem to stem between the first two plants of the first row."""
    y = -2.32
    if span < 2 * _STEP:
        return
    ends = (0.5 * _STEP, 1.5 * _STEP)
    style = {"arrowstyle": "<->", "color": _INK, "lw": 1.2, "shrinkA": 0, "shrinkB": 0}
    axes.annotate("", xy=(ends[1], y), xytext=(ends[0], y), arrowprops=style)
    text = f"{spacing:g} mm"
    axes.text(ends[1] + 0.15, y, text, fontsize=9.5, color=_INK, ha="left", va="center")


def _footer(
    axes: Axes, plants: pd.DataFrame, bottom: float, spacing: float | None, *, blind: bool
) -> None:
    """Say how the map is read."""
    parts = ["Rows from above, plants from left to right; a plant's code is plot-plant, as A1-2."]
    if spacing:
        parts.append(f"In a row the plants stand {spacing:g} mm apart, stem to stem.")
    if plants["guard"].any():
        parts.append("Dotted: guard plants, grown but not counted.")
    if not blind:
        parts.append("Pattern and name: the group.")
    text = "\n".join(parts)
    axes.text(-1.2, bottom + 0.3, text, fontsize=9.5, color=_FAINT, va="bottom", linespacing=1.5)
