"""Any table of values as observations: which column is what."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from counting.errors import AnalysisError
from counting.files import read_text

__all__ = ["Columns", "RawTable", "read_raw", "read_table"]


@dataclass(frozen=True, slots=True)
class Columns:
    """The columns of a table, by the names its author gave them; None where there is none."""

    value: str
    group: str
    block: str | None = None
    plot: str | None = None
    plant: str | None = None
    per: str | None = None
    survey: str | None = None
    source: str | None = None
    before: str | None = None
    dose: str | None = None
    across: str | None = None

    def wanted(self) -> dict[str, str]:
        """Return the named columns under the names that observations have for them."""
        named = {
            "value": self.value,
            "group": self.group,
            "block": self.block,
            "plot": self.plot,
            "plant": self.plant,
            "exposure": self.per,
            "survey": self.survey,
            "source": self.source,
            "before": self.before,
            "dose": self.dose,
            "across": self.across,
        }
        return {name: column for name, column in named.items() if column is not None}


@dataclass(frozen=True, slots=True)
class RawTable:
    """A table as it stands in its file.

    Attributes
    ----------
    path : Path
    cells : DataFrame
        Text without spaces around it.
    decimal_commas : bool
        Whether the columns are separated by semicolons, so that commas are decimal.
    """

    path: Path
    cells: pd.DataFrame
    decimal_commas: bool


def read_raw(path: Path) -> RawTable:
    """Read a CSV file, separated by commas, semicolons (then with decimal commas) or tabs.

    Raises
    ------
    AnalysisError
        If the file is no table.
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
    return RawTable(path, raw.apply(lambda column: column.str.strip()), separator == ";")


def read_table(raw: RawTable, columns: Columns) -> pd.DataFrame:
    """Return a table's named columns as observations.

    Returns
    -------
    DataFrame
        ``value, group`` and, where named, ``block, plot, plant, exposure, survey, source, before,
        dose``, all text: the comparison reads the numbers.

    Raises
    ------
    AnalysisError
        If the table lacks a column.
    """
    wanted = columns.wanted()
    missing = [name for name in wanted.values() if name not in raw.cells.columns]
    if missing:
        there = f"columns {', '.join(raw.cells.columns)}"
        raise AnalysisError(raw.path, f"no column {', '.join(missing)}", there)
    table = pd.DataFrame({name: raw.cells[column] for name, column in wanted.items()})
    if raw.decimal_commas:
        for name in {"value", "exposure", "before", "dose"} & set(table.columns):
            table[name] = table[name].str.replace(",", ".", regex=False)
    return table
