"""The comparison of any table, its rows looked at before they count as plants."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd

from counting.analysis.compare import compare
from counting.analysis.data.repeats import repeats
from counting.analysis.data.table_file import Columns, RawTable, read_raw, read_table
from counting.analysis.question import ALL_SURVEYS, Before, Question
from counting.analysis.result import Comparison
from counting.errors import AnalysisError
from counting.measures import measure as known

__all__ = ["compare_table"]


def compare_table(
    path: Path, columns: Columns, measure: str | None = None, **choices: Any
) -> Comparison:
    """Compare the groups of a table in a CSV file.

    Parameters
    ----------
    path : Path
    columns : Columns
        What is what.
    measure : str, optional
        How to call the values; the column's name if not given.
    **choices
        Fields of `counting.analysis.question.Question`. A survey or source is looked for in the
        column of that name.

    Raises
    ------
    AnalysisError
        If the file is no table, lacks a column, or a choice needs a column that is not there.
    """
    raw = read_raw(path)
    named = {
        name: _column(raw, name, str(choices[name]))
        for name in ("survey", "source")
        if choices.get(name) is not None
    }
    columns = Columns(**{**_fields(columns), **named})
    table = read_table(raw, columns)
    notes = []
    if choices.get("kind") is None and _measured(table, measure or columns.value):
        choices["kind"] = "length"
        notes.append(
            f"The values from before ({columns.before}) are no whole numbers, so {columns.value} "
            "is taken for measured, not counted; say --kind count if it is counted."
        )
    question = Question(
        measure=measure or columns.value,
        main=False,
        untested=repeats(_rows_of(raw, columns, choices), columns),
        before=_before(columns, choices.get("kind")),
        **choices,
    )
    found = compare(table, question)
    guessed = []
    if question.kind is None and found.kind == "count" and not known(question.measure).unit:
        guessed.append(
            f"{question.measure} was read as counts, since all values are whole numbers from 0; "
            "if it was measured, say --kind length."
        )
    return replace(found, cautions=(*notes, *found.cautions, *guessed))


def _rows_of(raw: RawTable, columns: Columns, choices: dict[str, Any]) -> RawTable:
    """Return the rows of the survey and source asked for: those of others are not compared."""
    cells = raw.cells
    for name, column in (("survey", columns.survey), ("source", columns.source)):
        wanted = choices.get(name)
        if column is not None and wanted not in {None, ALL_SURVEYS}:
            cells = cells[cells[column] == wanted]
    return replace(raw, cells=cells)


def _before(columns: Columns, kind: str | None) -> Before | None:
    """Return the column of earlier values; of the same kind as the values themselves."""
    if columns.before is None:
        return None
    return Before(columns.before, None, kind in {None, "count"})


def _measured(table: pd.DataFrame, name: str) -> bool:
    """Whether the values from before say that an unknown measure is not a count."""
    if "before" not in table or known(name).unit:
        return False
    earlier = pd.to_numeric(table["before"], errors="coerce").dropna()
    return bool((earlier % 1 != 0).any())


def _fields(columns: Columns) -> dict[str, Any]:
    return {name: getattr(columns, name) for name in Columns.__dataclass_fields__}


def _column(raw: RawTable, name: str, wanted: str) -> str:
    """Return the column of that name, however it is written."""
    for column in raw.cells.columns:
        if column.lower() == name:
            return str(column)
    there = f"columns {', '.join(raw.cells.columns)}"
    mend = f"add a column called {name}, or leave --{name} out"
    raise AnalysisError(raw.path, f"no column {name} to look for {wanted!r} in", there, mend)
