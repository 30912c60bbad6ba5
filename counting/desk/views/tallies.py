"""Hand counts and other measures: typed into a grid by plant, or dropped as a spreadsheet."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from counting.desk.asked import LARGEST_FORM, Asked
from counting.desk.desk import Desk
from counting.errors import CountingError
from counting.files import write_text
from counting.measures import MEASURES
from counting.plan.map import placed
from counting.plan.trial import Trial
from counting.records.observations import observations
from counting.records.tallies import take_tallies

__all__ = ["sheet_in", "tallies", "typed"]

_OFFERED = tuple(name for name in MEASURES if name != "fruit_total")
_FOLDER = "tallies"
"""Folder of the trial for what was typed or dropped, as it came: the ledger says the rest."""


def tallies(desk: Desk, asked: Asked) -> Response:
    """Show the grid, with what is recorded for the survey already."""
    trial = desk.trial(asked.trial)
    survey = asked.query.get("survey") or desk.season(trial).survey
    wanted = [name for name in asked.query.get("measures", "fruit").split(",") if name]
    plants = placed(trial.plants)
    codes = [str(code) for code in plants.loc[~plants["guard"], "code"]]
    return desk.trial_page(
        "tallies.html",
        trial,
        here="tallies",
        survey=survey,
        wanted=wanted,
        offered=[MEASURES[name] for name in _OFFERED],
        codes=codes,
        held=_held(trial, survey, wanted),
        command=f"counting tally {trial.directory.name} FILE --survey {survey or 'DATE'}",
    )


def _held(trial: Trial, survey: str, wanted: list[str]) -> dict[str, dict[str, str]]:
    """Return what is tallied already, by plant and measure, as it is typed."""
    with trial.ledger() as ledger:
        table = observations(trial, ledger)
    now = table[
        (table["survey"] == survey)
        & (table["source"] == "tally")
        & table["truss"].isna()
        & table["measure"].isin(wanted)
        & table["value"].notna()
    ]
    held: dict[str, dict[str, str]] = {}
    for plant, name, value in zip(now["plant"], now["measure"], now["value"], strict=True):
        held.setdefault(str(plant), {})[str(name)] = f"{value:g}"
    return held


def typed(desk: Desk, asked: Asked) -> dict[str, Any]:
    """Take typed values in: as a table in the trial's folder, then as the command takes it."""
    trial = desk.trial(asked.trial)
    told = asked.value if isinstance(asked.value, dict) else {}
    survey, by = str(told.get("survey", "")), str(told.get("by", ""))
    rows = [
        row for row in told.get("rows", []) if any(str(row.get(m, "")).strip() for m in MEASURES)
    ]
    if not rows:
        return {"refused": "nothing is typed yet"}
    names = list(dict.fromkeys(name for row in rows for name in row if name in MEASURES))
    stream = io.StringIO()
    writer = csv.DictWriter(stream, ["survey", "plant", *names, "by"])
    writer.writeheader()
    for row in rows:
        values = {name: str(row.get(name, "")).strip() for name in names}
        writer.writerow({"survey": survey, "plant": row.get("plant", ""), "by": by} | values)
    path = _free(trial, f"{survey or 'no-date'}-typed.csv")
    write_text(path, stream.getvalue())
    return _taken(trial, path, survey, by)


async def sheet_in(desk: Desk, request: Request) -> Response:
    """Take a spreadsheet in that was dropped on the page."""
    trial = desk.trial(request.path_params["trial"])
    name = Path(request.query_params.get("name", "")).name
    if Path(name).suffix.lower() not in {".csv", ".xlsx", ".ods"}:
        return JSONResponse({"refused": f"{name}: expected a CSV, XLSX or ODS table"})
    body = bytearray()
    async for piece in request.stream():
        body += piece
        if len(body) > 10 * LARGEST_FORM:
            return JSONResponse({"refused": f"{name}: too large for a table of tallies"})
    path = _free(trial, re.sub(r"[^\w.\-]+", "_", name))
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(bytes(body))
    survey = request.query_params.get("survey", "")
    return JSONResponse(_taken(trial, path, survey, request.query_params.get("by", "")))


def _taken(trial: Trial, path: Path, survey: str, by: str) -> dict[str, Any]:
    """Take a table in and say what became of it; a refused one is not kept."""
    try:
        result = take_tallies(trial, [path], survey=survey, by=by)
    except CountingError as error:
        path.unlink(missing_ok=True)
        return {"refused": error.found + (f"; {error.mend}" if error.mend else "")}
    said = [f"Took in {result.added} values of {result.rows['plant'].nunique()} plants."]
    if result.corrected:
        said.append(f"{result.corrected} correct an earlier value; the ledger keeps both.")
    if result.again:
        said.append(f"{result.again} were recorded already.")
    return {"said": said}


def _free(trial: Trial, name: str) -> Path:
    folder = trial.directory / _FOLDER
    folder.mkdir(exist_ok=True)
    path, number = folder / name, 2
    while path.exists():
        path = folder / f"{Path(name).stem}-{number}{Path(name).suffix}"
        number += 1
    return path
