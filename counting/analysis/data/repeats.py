"""Rows of a table that are no units: several rows of one plant, which nobody said."""

from __future__ import annotations

import re

import pandas as pd

from counting.analysis.data.table_file import Columns, RawTable

__all__ = ["repeats"]

_PLANTS = frozenset(
    "plant plants tree trees vine vines bush cane pot pots id code tag subject".split()  # noqa: SIM905
)
_PLACES = frozenset(("plot", "plots", "bed", "beds", "tray", "bench"))
_TIMES = frozenset(
    "survey surveys date visit round week day truss photo side picking".split()  # noqa: SIM905
)
_SEVERAL = 1.5
"""Rows for each name from which on a column seems to name what was measured again; chosen."""


def repeats(raw: RawTable, columns: Columns) -> str:
    """Say why the rows of a table cannot be taken for plants; empty where they can.

    A column that the person did not name gives it away: it is called as plants or plots are and
    holds fewer names than there are rows; or it is called as surveys are and every group was seen
    at several; or every one of its names lies in one group and has several rows.

    Parameters
    ----------
    raw : RawTable
    columns : Columns
        Those that the person named.
    """
    if columns.plant is not None or columns.plot is not None:
        return ""
    cells = raw.cells
    named = set(columns.wanted().values())
    place = [columns.group, *([columns.block] if columns.block else [])]
    if not set(place) <= set(cells.columns):
        return ""
    for name in cells.columns:
        if name in named:
            continue
        words = {name.lower(), *re.split(r"[^a-z]+", name.lower())}
        n = len(cells[[*place, name]].drop_duplicates())
        if words & _PLANTS and n < len(cells):
            return _text(name, n, len(cells), "plant")
        if words & _PLACES and n < len(cells):
            return _text(name, n, len(cells), "plot")
        if words & _TIMES and _crossed(cells, columns.group, name):
            times = cells[name].nunique()
            return (
                f"the column {name} names {times} rounds at which every group was seen, so that "
                "the rows are not separate plants: name the column of plants, --plant COL"
            )
        if _nested(cells, place, name):
            return (
                f"every name in the column {name} lies in one group and most have several rows "
                f"({n} names, {len(cells)} rows): if these are plants say --plant {name}, if "
                f"plots or beds --plot {name}"
            )
    return ""


def _text(name: str, n: int, rows: int, what: str) -> str:
    return (
        f"the column {name} names {n} {what}s in {rows} rows, and rows of one {what} are not "
        f"separate {'plants' if what == 'plant' else 'units'}: say --{what} {name}"
    )


def _crossed(cells: pd.DataFrame, group: str, name: str) -> bool:
    """Whether every group was seen at each of several rounds."""
    seen = pd.crosstab(cells[group], cells[name])
    return seen.shape[1] > 1 and bool((seen > 0).all().all())


def _nested(cells: pd.DataFrame, place: list[str], name: str) -> bool:
    """Whether a column's names each lie in one group (and block) and mostly have several rows."""
    text = cells[name]
    if (text == "").any() or text.str.contains(r"[.,]").any():
        return False
    times = text.value_counts()
    groups = cells[place[0]].nunique()
    if len(times) <= groups or len(cells) < _SEVERAL * len(times):
        return False
    alone = cells.groupby(name)[place[0]].nunique().eq(1).all()
    return bool(alone) and bool((times > 1).mean() > 0.7)
