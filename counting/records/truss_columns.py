"""Fruit of single trusses written beside the plant: ``fruit truss 2`` is a line of its own."""

from __future__ import annotations

import re
from dataclasses import replace

from counting.spreadsheet import Row, Sheet

__all__ = ["unfold_trusses"]

_HEADING = re.compile(r"(?P<measure>.+?)[ _]truss[ _]?(?P<truss>[1-9]\d?)")


def unfold_trusses(sheet: Sheet) -> Sheet:
    """Return a sheet in which every filled cell of a truss's column has become a row.

    Parameters
    ----------
    sheet : Sheet
        As read; columns such as ``fruit truss 1`` stand for the measure on that truss.

    Returns
    -------
    Sheet
        Without those columns, with the rows; the same sheet if it has no such column.
    """
    found = {name: match for name in sheet.columns if (match := _HEADING.fullmatch(name))}
    if not found:
        return sheet
    rows = []
    for row in sheet.rows:
        plain = {name: text for name, text in row.cells.items() if name not in found}
        rows.append(Row(row.line, plain))
        shared = {name: plain[name] for name in _SHARED if name in plain}
        rows += [
            Row(row.line, shared | {"truss": match["truss"], match["measure"]: row.get(name)})
            for name, match in found.items()
            if row.get(name)
        ]
    columns = [name for name in sheet.columns if name not in found]
    columns += ["truss", *(match["measure"] for match in found.values())]
    return replace(sheet, columns=tuple(dict.fromkeys(columns)), rows=tuple(rows))


_SHARED = ("survey", "plant", "by", "at", "weather", "source")
"""What a truss's row takes from the plant's; a note on the plant explains the plant's blanks."""
