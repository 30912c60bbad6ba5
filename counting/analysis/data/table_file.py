"""Any table of values as observations: which column is what."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from counting.errors import AnalysisError
from counting.files import read_text

__all__ = ["Columns", "read_table"]


@dataclass(frozen=True, slots=True)
class Columns:
    """The columns of a table, by the names its author gave them; None where there is none."""

    value: str
    group: str
    block: str | None = None
    plot: str | None = None
    plant: str | None = None
    per: str | None = None


def read_table(path: Path, columns: Columns) -> pd.DataFrame:
    """Read a CSV file, separated by commas, semicolons (then with decimal commas) or tabs.

    Returns
    -------
    DataFrame
        ``value, group`` and, where named, ``block, plot, plant, exposure``, all text: the
        comparison reads the numbers.

    Raises
    ------
    AnalysisError
        If the file is no table or lacks a column.
    """
    text = read_text(path)
    first = text.split("\n", 1)[0]
    separator = max(",;\t", key=first.count) if any(mark in first for mark in ";\t,") else ","
    try:
        raw = pd.read_csv(
            io.StringIO(text), sep=separator, dtype=str, keep_default_na=False, index_col=False
        )
    except (pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        raise AnalysisError(path, f"not a table ({error})", "a CSV file with a header") from error
    raw.columns = [str(name).strip() for name in raw.columns]
    wanted = {
        "value": columns.value,
        "group": columns.group,
        "block": columns.block,
        "plot": columns.plot,
        "plant": columns.plant,
        "exposure": columns.per,
    }
    missing = [name for name in wanted.values() if name is not None and name not in raw.columns]
    if missing:
        there = f"columns {', '.join(raw.columns)}"
        raise AnalysisError(path, f"no column {', '.join(missing)}", there)
    table = pd.DataFrame(
        {name: raw[column].str.strip() for name, column in wanted.items() if column is not None}
    )
    if separator == ";":
        for name in ("value", "exposure"):
            if name in table.columns:
                table[name] = table[name].str.replace(",", ".", regex=False)
    return table
