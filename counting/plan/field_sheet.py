"""The field sheet: a page to write on in walking order, and the same columns as a table.

`counting tally` reads the table back, from any spreadsheet program.
"""

from __future__ import annotations

import dataclasses
import io
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd

from counting.errors import PlanError
from counting.files import write_bytes
from counting.measures import measure
from counting.plan.map import placed
from counting.plan.print_shop import PAPERS, Page, Paper, new_canvas
from counting.plan.trial import Plan, Trial

__all__ = [
    "BANDS",
    "FieldSheet",
    "field_sheet_pdf",
    "field_table",
    "leaf_squares",
    "table_file",
    "walking_order",
    "write_field_table",
]

BANDS = (1, 5, 10, 20, 40, 60)
"""Percent of leaf area shown as standard leaves: the steps of the tomato diagrams that lifted
novices to the level of experienced raters (Lage et al. 2015, Crop Protection 67:26)."""

_ADVICE = (
    "Write 0 for none. No plant there to count? Leave it empty and say why:"
    " dead, broken, not found. Photos: square to the row, the next plants' tags in view."
)
_EDGE = 8.0
_TOP = 47.0
_HEAD = 13.0
_LINE = 10.0
"""Height of a line: room for a pencil in a wet hand."""
_FOOT = 28.5


@dataclass(frozen=True, slots=True)
class FieldSheet:
    """How a field sheet is made.

    Attributes
    ----------
    survey : date, optional
        Filled in where it is known beforehand.
    by : str
        The counter, filled in likewise.
    trusses : int
        How many boxes for fruit per truss, 0..10.
    there_and_back : bool
        Walk every other row backwards.
    paper : {"a4", "letter"}
        The sheet, laid on its side.
    harvest : bool
        Columns for a pick and what is left hanging by ripeness, instead of the usual ones.
    """

    survey: date | None = None
    by: str = ""
    trusses: int = 6
    there_and_back: bool = False
    paper: Paper = "a4"
    harvest: bool = False


@dataclass(frozen=True, slots=True)
class _Column:
    """A column: its name in the table, the same words on paper in one or two lines, its width."""

    name: str
    heading: tuple[str, ...]
    width: float


def walking_order(plants: pd.DataFrame, *, there_and_back: bool = False) -> pd.DataFrame:
    """Return the plants to count in the order in which one walks past them.

    Parameters
    ----------
    plants : DataFrame
        Columns `counting.tables.PLANTS`.
    there_and_back : bool
        Walk the second, fourth, ... row backwards.
    """
    table = placed(plants)
    table = table[~table["guard"]].reset_index(drop=True)
    if not there_and_back or table.empty:
        return table
    rows = [part for _, part in table.groupby("row", sort=False)]
    turned = [part.iloc[::-1] if number % 2 else part for number, part in enumerate(rows)]
    return pd.concat(turned, ignore_index=True)


def field_table(trial: Trial, sheet: FieldSheet) -> pd.DataFrame:
    """Return the table to fill in: one line per plant, the columns that `counting tally` reads.

    Returns
    -------
    DataFrame
        survey, plant, a column for each measure (fruit of single trusses as
        ``fruit truss 1`` ...), by, at, weather, note; all text, what is to be filled in empty.

    Raises
    ------
    PlanError
        If the number of trusses cannot be printed.
    """
    _check(sheet)
    plants = walking_order(trial.plants, there_and_back=sheet.there_and_back)
    filled = {
        "survey": sheet.survey.isoformat() if sheet.survey else "",
        "plant": plants["code"],
    }
    blank = [column.name for column in _columns(trial.plan, sheet)[1:-1]]
    columns = {**filled, **dict.fromkeys(blank, ""), "by": sheet.by}
    columns |= dict.fromkeys(("at", "weather", "note"), "")
    return pd.DataFrame(columns, index=plants.index)


def table_file(table: pd.DataFrame, form: Literal["csv", "xlsx", "ods"]) -> bytes:
    """Return a table as a file's content; CSV with a byte order mark, which Excel needs."""
    if form == "csv":
        return table.to_csv(index=False, lineterminator="\r\n").encode("utf-8-sig")
    stream = io.BytesIO()
    if form == "xlsx":
        table.to_excel(
            stream, sheet_name="tally", index=False, freeze_panes=(1, 2), engine="openpyxl"
        )
    else:
        table.to_excel(stream, sheet_name="tally", index=False, engine="odf")  # type: ignore[arg-type]
    return stream.getvalue()


def write_field_table(
    trial: Trial, sheet: FieldSheet, path: Path, *, replace: bool = False
) -> None:
    """Write the table to fill in; the ending of `path` decides the format.

    Raises
    ------
    PlanError
        If the ending is none of .csv, .xlsx and .ods.
    CountingError
        If the file exists and `replace` is false.
    """
    forms: dict[str, Literal["csv", "xlsx", "ods"]] = {
        ".csv": "csv",
        ".xlsx": "xlsx",
        ".ods": "ods",
    }
    form = forms.get(path.suffix.lower())
    if form is None:
        raise PlanError(path, f"ending {path.suffix!r} not known", ".csv, .xlsx or .ods")
    write_bytes(path, table_file(field_table(trial, sheet), form), replace=replace)


def field_sheet_pdf(trial: Trial, sheet: FieldSheet) -> bytes:
    """Return the field sheet as a PDF; the groups stand nowhere on it.

    Raises
    ------
    PlanError
        If there is no plant to count or the number of trusses cannot be printed.
    """
    _check(sheet)
    plants = walking_order(trial.plants, there_and_back=sheet.there_and_back)
    if plants.empty:
        raise PlanError(trial.directory, "no plant to count", mend="see plants.csv")
    stream = io.BytesIO()
    canvas = new_canvas(stream, sheet.paper, f"Field sheet: {trial.plan.title}")
    page = Page(canvas, *PAPERS[sheet.paper])
    room = page.width - 2 * _EDGE
    columns = _columns(trial.plan, sheet)
    columns[-1] = dataclasses.replace(
        columns[-1], width=room - sum(column.width for column in columns[:-1])
    )
    lines = int((page.height - _TOP - _HEAD - _FOOT) / _LINE)
    pages = _pages(plants, lines)
    for number, part in enumerate(pages, start=1):
        _page_head(page, trial.plan, sheet, f"{number} of {len(pages)}")
        _grid(page, columns, part)
        _page_foot(page)
        canvas.showPage()
    canvas.save()
    return stream.getvalue()


def _pages(plants: pd.DataFrame, lines: int) -> list[pd.DataFrame]:
    """Share the plants out to pages; a plot is torn apart only if it is longer than a page."""
    changes = (plants["plot"] != plants["plot"].shift()).cumsum()
    starts = [0]
    for _, plot in plants.groupby(changes):
        first, stop = int(plot.index[0]), int(plot.index[-1]) + 1
        if stop - starts[-1] > lines and first > starts[-1]:
            starts.append(first)
        while stop - starts[-1] > lines:
            starts.append(starts[-1] + lines)
    stops = [*starts[1:], len(plants)]
    return [plants.iloc[start:stop] for start, stop in zip(starts, stops, strict=True)]


def _check(sheet: FieldSheet) -> None:
    if not 0 <= sheet.trusses <= 10:
        where = "trusses"
        raise PlanError(where, f"{sheet.trusses} boxes for trusses", "0 to 10, to fit the page")


def _columns(plan: Plan, sheet: FieldSheet) -> list[_Column]:
    """Return the columns of the sheet, the plant first and the note last."""
    if sheet.harvest:
        return [_Column("plant", ("plant",), 31.0), *_HARVEST, _Column("note", ("note",), 0.0)]
    narrow = 11.0 if sheet.trusses <= 6 else 8.5
    boxes = [
        _Column(f"fruit truss {truss}", ("fruit", f"truss {truss}"), narrow)
        for truss in range(1, sheet.trusses + 1)
    ]
    columns = [
        _Column("plant", ("plant",), 31.0),
        _Column("fruit", ("fruit",), 18.0),
        *boxes,
        _Column("trusses", ("trusses",), 17.0),
        _Column("flowers", ("flowers",), 17.0),
        _Column("picked fruit", ("picked", "fruit"), 17.0),
        _Column("leaves removed", ("leaves", "removed"), 17.0),
        _Column("height mm", ("height", "mm"), 21.0),
        _Column("disease %", ("disease", "%"), 18.0),
    ]
    main = plan.main_measure
    if main not in {column.name.removesuffix(" mm").removesuffix(" %").replace(" ", "_")
                    for column in columns}:  # fmt: skip
        name = main.replace("_", " ") + {"mm": " mm", "percent": " %"}.get(measure(main).unit, "")
        columns.insert(1, _Column(name, tuple(name.rsplit(" ", 1)), 20.0))
    return [*columns, _Column("note", ("note",), 0.0)]


_HARVEST = (
    _Column("picked fruit", ("picked", "fruit"), 22.0),
    _Column("picked weight g", ("picked", "weight, g"), 26.0),
    _Column("marketable weight g", ("fit for sale", "weight, g"), 26.0),
    _Column("damaged weight g", ("damaged", "weight, g"), 26.0),
    _Column("green fruit", ("left: green", "fruit"), 24.0),
    _Column("turning fruit", ("left: turning", "fruit"), 24.0),
    _Column("ripe fruit", ("left: ripe", "fruit"), 24.0),
)


def _page_head(page: Page, plan: Plan, sheet: FieldSheet, number: str) -> None:
    """Write the title, the blanks for date, counter and weather, and the rule."""
    right = page.width - _EDGE
    page.fitted(_EDGE, 15, plan.title, 5.0, right - _EDGE - 50, bold=True)
    page.text(right, 15, f"Field sheet {number}", 3.2, at="right")
    share = (right - _EDGE) / 281  # of the room on A4
    blanks = (
        ("Date", 58.0, sheet.survey.isoformat() if sheet.survey else ""),
        ("Counter", 84.0, sheet.by),
        ("Weather", 80.0, ""),
        ("From – to", 0.0, ""),
    )
    x = _EDGE
    for words, width, filled in blanks:
        page.text(x, 27, words, 3.2)
        start = x + page.wide(words, 3.2) + 2
        stop = x + width * share - 4 if width else right
        page.line((start, 28), (stop, 28), 0.4)
        page.fitted(start + 2, 27, filled, 3.4, stop - start - 3, bold=True)
        x += width * share
    rule = plan.rule
    parts = [
        f"Fruit from {rule.smallest_fruit_mm:g} mm across count",
        f"damaged ones {'count' if rule.count_damaged else 'do not'}",
        f"fallen ones {'count' if rule.count_fallen else 'do not'}",
        "picked: since the last survey",
    ]
    page.text(_EDGE, 36.5, "; ".join(parts) + ".", 2.9)
    page.text(_EDGE, 42.5, _ADVICE, 2.9)


def _grid(page: Page, columns: list[_Column], plants: pd.DataFrame) -> None:
    """Draw the lines to write on, a thick one where the plot changes."""
    bottom = _TOP + _HEAD + len(plants) * _LINE
    right = page.width - _EDGE
    page.box(_EDGE, _TOP, right - _EDGE, _HEAD, 232)
    x = _EDGE
    for column in columns:
        heading = column.heading
        for line, words in enumerate(heading):
            y = _TOP + _HEAD / 2 + 1.4 + (line - (len(heading) - 1) / 2) * 5.0
            size = min(2.6, 2.6 * (column.width - 1.5) / page.wide(words, 2.6, bold=True))
            page.text(x + column.width / 2, y, words, size, bold=True, at="middle")
        boxed = column.name.startswith("fruit truss") and not column.name.endswith(" 1")
        page.line((x, _TOP), (x, bottom), 0.2 if boxed else 0.5)
        x += column.width
    page.line((right, _TOP), (right, bottom), 0.5)
    page.line((_EDGE, _TOP), (right, _TOP), 0.9)
    plots = plants["plot"].to_list()
    for index, code in enumerate(plants["code"]):
        y = _TOP + _HEAD + index * _LINE
        changed = index == 0 or plots[index] != plots[index - 1]
        page.line((_EDGE, y), (right, y), 0.9 if changed else 0.3)
        page.fitted(_EDGE + 2, y + 7.1, str(code), 4.4, columns[0].width - 4, bold=True)
    page.line((_EDGE, bottom), (right, bottom), 0.9)


def _page_foot(page: Page) -> None:
    """Draw the standard leaves."""
    y = page.height - _FOOT + 4
    page.text(_EDGE, y + 6, "Disease: the nearest percent", 2.9, bold=True)
    page.text(_EDGE, y + 12, "of the leaf area, all leaves of", 2.7)
    page.text(_EDGE, y + 17, "the plant together", 2.7)
    step = (page.width - _EDGE - 76) / len(BANDS)
    for number, percent in enumerate(BANDS):
        _leaf(page, (76 + number * step, y), percent)


_LEAF = (88, 44)
"""A standard leaf's columns and rows of small squares."""


def leaf_squares(percent: float) -> tuple[np.ndarray, np.ndarray]:
    """Return a standard leaf as squares: which belong to it, which of those are diseased.

    Parameters
    ----------
    percent : float
        Share of the leaf's area that is diseased, 0..100.

    Returns
    -------
    leaf, diseased : ndarray of bool, shape (44, 88)
        The share of diseased squares is `percent` to within half a square.
    """
    columns, rows = _LEAF
    x = (np.arange(columns) + 0.5) / columns * 2 - 1
    y = (np.arange(rows) + 0.5) / rows * 2 - 1
    # pointed at both ends, as a leaflet is
    leaf = np.abs(y)[:, None] <= (1 - np.abs(x) ** 1.7)[None, :]
    rng = np.random.default_rng(20)
    spots = np.zeros((rows, columns))
    for reach in (4.0, 8.0):
        for _ in range(26):
            u, v = rng.uniform(0, columns), rng.uniform(0, rows)
            away = np.hypot(np.arange(columns)[None, :] - u, np.arange(rows)[:, None] - v)
            spots = np.maximum(spots, np.exp(-((away / reach) ** 2)) * rng.uniform(0.4, 1))
    order = np.argsort(-np.where(leaf, spots, -1), axis=None, kind="stable")
    diseased = np.zeros(leaf.size, dtype=bool)
    diseased[order[: round(percent / 100 * int(leaf.sum()))]] = True
    return leaf, diseased.reshape(leaf.shape)


def _leaf(page: Page, corner: tuple[float, float], percent: int) -> None:
    """Draw one standard leaf with its percent."""
    x, y = corner
    side = 0.28
    leaf, diseased = leaf_squares(percent)
    for cells, level in ((leaf, 222), (diseased, 40)):
        for row, line in enumerate(cells):
            edges = np.flatnonzero(np.diff(np.concatenate([[0], line.astype(int), [0]])))
            for start, stop in edges.reshape(-1, 2):
                width = (stop - start) * side
                page.box(x + start * side, y + row * side, width, side + 0.02, level)
    words = f"{percent} %"
    page.text(x + _LEAF[0] * side / 2, y + 19.5, words, 3.2, bold=True, at="middle")
