"""The trial's tables for other programs: CSV, XLSX, and a description of them as a data package."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from io import BytesIO
from pathlib import Path
from typing import Any

import pandas as pd

from counting.analysis.season.pool import COMPARISON_NAME
from counting.analysis.trial import EVERY_MEASURE
from counting.analysis.trial import answers as answers_of
from counting.errors import AnalysisError
from counting.files import sha256_bytes, write_bytes
from counting.ledger import Checkpoint, Ledger
from counting.ledger.facts import answers, left_out, photos, proposals
from counting.plan.trial import Trial
from counting.records.diary import events
from counting.records.observations import observations
from counting.report.package import package
from counting.spreadsheet import safe_cell
from counting.tables import (
    ANSWERS,
    CANDIDATES,
    EXCLUSIONS,
    MARKS,
    PHOTOS,
    as_text,
    frame,
    people_text,
)
from counting.text import shown

__all__ = ["PACKAGE_NAME", "Exported", "export"]

PACKAGE_NAME = "datapackage.json"
_PEOPLE = ("by", "reviewer")
"""Columns that hold people's names: one, or a tuple where a value rests on several."""


@dataclass(frozen=True, slots=True)
class Exported:
    """What was written.

    Attributes
    ----------
    folder : Path
    files : tuple of Path
        Each table as CSV, all as one workbook, the comparisons, and the description.
    rows : dict
        Table to its number of rows.
    """

    folder: Path
    files: tuple[Path, ...]
    rows: dict[str, int]


def export(
    trial: Trial, folder: Path | None = None, *, anonymous: bool = False, replace: bool = False
) -> Exported:
    """Write the trial's tables as CSV, as one XLSX workbook and as a Data Package.

    Text that a spreadsheet program would run as a formula is written so that it is shown.

    Parameters
    ----------
    trial : Trial
    folder : Path, optional
        By default ``export`` in the trial's folder.
    anonymous : bool
        Write ``person 1``, ``person 2`` ... for people's names.
    replace : bool
        Write over an earlier export.

    Raises
    ------
    CountingError
        If a file exists and `replace` is false; nothing is written then.
    """
    target = folder or trial.directory / "export"
    with trial.ledger() as ledger:
        checkpoint = Checkpoint.of(ledger, trial.plan.id)
    tables = _tables(trial)
    if anonymous:
        tables = _without_names(tables)
    tables = {name: as_text(table) for name, table in tables.items()}
    contents = {f"{name}.csv": _csv(table) for name, table in tables.items()}
    described = package(trial, tables, contents, checkpoint)
    contents["tables.xlsx"] = _workbook(tables)
    compared = _compared(trial)
    if compared:
        text = json.dumps(compared, indent=1, ensure_ascii=False)
        contents[COMPARISON_NAME] = text.encode("utf-8")
        described["comparisons"] = {
            "path": COMPARISON_NAME,
            "description": "every measure's comparison, the main measure first",
            "hash": f"sha256:{sha256_bytes(contents[COMPARISON_NAME])}",
        }
    contents[PACKAGE_NAME] = json.dumps(described, indent=2, ensure_ascii=False).encode("utf-8")
    for name, content in contents.items():
        write_bytes(target / name, content, replace=replace)
    rows = {name: len(table) for name, table in tables.items()}
    return Exported(target, tuple(target / name for name in contents), rows)


def _tables(trial: Trial) -> dict[str, pd.DataFrame]:
    """Return every table of a trial by name."""
    with trial.ledger() as ledger:
        return {
            "plants": trial.plants,
            "observations": observations(trial, ledger),
            "photos": frame((photo.row for photo in photos(ledger).values()), PHOTOS),
            "candidates": frame(_candidates(ledger), CANDIDATES),
            "marks": frame(_marks(ledger), MARKS),
            "answers": frame((answer.to_body() for answer in answers(ledger)), ANSWERS),
            "exclusions": frame(map(asdict, left_out(ledger).exclusions), EXCLUSIONS),
            "diary": events(ledger),
        }


def _compared(trial: Trial) -> list[dict[str, Any]]:
    """Return every measure's comparison, so that trials can be pooled from their exports."""
    try:
        return [each.to_json() for each in answers_of(trial, EVERY_MEASURE)]
    except AnalysisError:  # nothing to compare yet
        return []


def _candidates(ledger: Ledger) -> list[dict[str, Any]]:
    return [
        each.row | {"photo": proposal.photo}
        for proposal in proposals(ledger).values()
        for each in proposal.candidates
    ]


def _marks(ledger: Ledger) -> list[dict[str, Any]]:
    return [
        mark.to_body() | {"photo": answer.photo, "reviewer": answer.reviewer}
        for answer in answers(ledger)
        for mark in answer.marks
    ]


def _without_names(tables: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Replace each name by a number, the same in every table."""
    columns = [(key, name) for key, table in tables.items() for name in _PEOPLE if name in table]
    cells = [cell for key, name in columns for cell in tables[key][name]]
    people = sorted({name for cell in cells for name in _names(cell)})
    alias = {name: f"person {number}" for number, name in enumerate(people, start=1)}
    hidden = dict(tables)
    for key, name in columns:
        numbered = [people_text(alias[one] for one in _names(cell)) for cell in tables[key][name]]
        hidden[key] = hidden[key].assign(**{name: pd.Series(numbered, dtype="str")})
    return hidden


def _names(cell: object) -> tuple[str, ...]:
    """Return the people in a cell, of one kind or the other."""
    if isinstance(cell, tuple):
        return cell
    return (str(cell),) if cell else ()


def _safe(table: pd.DataFrame) -> pd.DataFrame:
    texts = table.select_dtypes(include=["str", "object"]).columns
    return table.assign(**{name: table[name].map(_shown_cell) for name in texts})


def _shown_cell(text: Any) -> Any:
    """Return a cell that no program runs, obeys or chokes on; an entry may be older than that."""
    return safe_cell(shown(text)) if isinstance(text, str) else text


def _csv(table: pd.DataFrame) -> bytes:
    return _safe(table).to_csv(index=False, lineterminator="\n").encode("utf-8")


def _workbook(tables: dict[str, pd.DataFrame]) -> bytes:
    stream = BytesIO()
    with pd.ExcelWriter(stream, engine="openpyxl") as writer:
        for name, table in tables.items():
            _safe(table).to_excel(writer, sheet_name=name, index=False)
    return stream.getvalue()
