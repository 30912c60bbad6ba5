"""Hand counts and other measures: typed into a grid by plant, or dropped as a spreadsheet."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from counting.desk.asked import Asked, objects
from counting.desk.desk import Desk
from counting.desk.dropped import Refused, received
from counting.errors import CountingError, TallyError
from counting.files import inside, now, write_bytes, write_text
from counting.measures import MEASURES
from counting.plan.map import placed
from counting.plan.trial import Trial
from counting.records.observations import observations
from counting.records.sheets.doubt import Doubt
from counting.records.sheets.mend import column_of, mended
from counting.records.sheets.shown import preview_json, told_of, what_was_read
from counting.records.sheets.told import Told, recall, remember
from counting.records.sheets.understand import Reading, understand
from counting.records.sheets.vocabulary import Vocabulary, plain
from counting.records.tallies import read_values, take_back, take_tallies
from counting.text import few, many
from counting.typed import day_readings

__all__ = ["sheet_in", "sheet_read", "tallies", "typed"]

_OFFERED = tuple(name for name in MEASURES if name != "fruit_total")
_NAMED = 8
"""Cells named in a line; further ones are numbered."""
_FOLDER = "tallies"
"""Folder of the trial for what was typed or dropped, as it came: the ledger says the rest."""


def tallies(desk: Desk, asked: Asked) -> Response:
    """Show the grid, with what is recorded for the survey already."""
    trial = desk.trial(asked.trial)
    survey = asked.query.get("survey") or desk.season(trial).survey
    wanted = [name for name in asked.query.get("measures", "fruit").split(",") if name in MEASURES]
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
    told = asked.told
    survey, by = str(told.get("survey", "")), str(told.get("by", ""))
    all_rows = objects(told.get("rows"))
    rows = [row for row in all_rows if not all(_empty(row, name) for name in MEASURES)]
    cleared = [
        (survey, str(row.get("plant", "")), name)
        for row in all_rows
        for name in MEASURES
        if name in row and _empty(row, name)
    ]
    if not rows and not cleared:
        return {"refused": "nothing is typed yet"}
    said: list[str] = []
    try:
        if rows:
            said += _typed_in(trial, rows, survey, by)
        back = take_back(trial, cleared, by=by)
    except CountingError as error:
        return {"said": said, "refused": error.found + (f"; {error.mend}" if error.mend else "")}
    if back:
        told_before = [f"{each.measure.replace('_', ' ')} of {each.plant}" for each in back]
        said.append(f"Taken back: {few(told_before, _NAMED)}. The ledger keeps what was told.")
    return {"said": said or ["Nothing is typed that was not so before."]}


def _empty(row: Mapping[str, Any], name: str) -> bool:
    """Whether a cell of the grid holds nothing; a dash stands for nothing."""
    return str(row.get(name, "")).strip() in {"", "-", "–", "—"}  # noqa: RUF001


def _typed_in(trial: Trial, rows: Sequence[Mapping[str, Any]], survey: str, by: str) -> list[str]:
    """Take typed rows in; each carries its time, so that it stands over what was told before."""
    names = list(dict.fromkeys(name for row in rows for name in row if name in MEASURES))
    stream = io.StringIO()
    writer = csv.DictWriter(stream, ["survey", "plant", *names, "by", "at"])
    writer.writeheader()
    at = now()
    for row in rows:
        values = {name: str(row.get(name, "")).strip() for name in names}
        plant = str(row.get("plant", ""))
        writer.writerow({"survey": survey, "plant": plant, "by": by, "at": at} | values)
    path = _free(trial, f"{_plain(survey) or 'no-date'}-typed.csv")
    write_text(path, stream.getvalue())
    try:
        _, doubts = read_values(trial, understand(trial, path, Told()), survey, by)
        if doubts:
            wrong = [f"{each.plant}: {each.what}" for each in doubts]
            raise TallyError(path, "\n".join(["nothing was written", *wrong]))
        return _take(trial, path, survey, by, Told())
    except CountingError:
        path.unlink()
        raise


async def sheet_in(desk: Desk, request: Request) -> Response:
    """Keep a spreadsheet that was dropped on the page, and show how it would be read."""
    trial = desk.trial(request.path_params["trial"])
    name = Path(request.query_params.get("name", "")).name
    try:
        body = await received(desk, request, name)
    except Refused as fault:
        return JSONResponse({"refused": str(fault)})
    path = _free(trial, _plain(name))
    write_bytes(path, body)
    query = request.query_params
    try:
        shown = await run_in_threadpool(
            _shown, trial, path, recall(trial.directory), query.get("survey", ""), ""
        )
    except TallyError as error:
        path.unlink()
        return JSONResponse({"refused": f"{name}: {error.found}; {error.mend}"})
    return JSONResponse(shown)


def sheet_read(desk: Desk, asked: Asked) -> dict[str, Any]:
    """Read a kept spreadsheet as the person now says, and take it in where nothing is unclear."""
    trial = desk.trial(asked.trial)
    told = asked.told
    path = inside(trial.directory, f"{_FOLDER}/{told.get('file', '')}")
    if not path.is_file():
        raise CountingError(str(told.get("file", "")), "not there any more", mend="drop it again")
    if told.get("drop"):
        path.unlink(missing_ok=True)
        return {"said": ["Nothing was taken in."]}
    known = Vocabulary(trial).choices
    columns = {
        plain(str(heading)): str(meaning)
        for each in objects([told.get("columns")])
        for heading, meaning in each.items()
        if meaning in known
    }
    first = told.get("day_first")
    said = Told(
        columns,
        first if isinstance(first, bool) else None,
        str(told.get("page", "")),
        bool(told.get("as_written")),
    ).over(recall(trial.directory))
    survey, by = str(told.get("survey", "")), str(told.get("by", ""))
    mends = {
        (each["line"], each["place"]): str(each.get("text", ""))
        for each in objects(told.get("mends"))
        if type(each.get("line")) is int and type(each.get("place")) is int
    }
    if mends:
        content = mended(understand(trial, path, said), mends)
        path = _free(trial, f"{path.stem}-mended.csv")
        write_bytes(path, content)
    shown = _shown(trial, path, said, survey, by)
    if shown["clear"]:
        return {"said": _take(trial, path, survey, by, said)}
    return shown


def _shown(trial: Trial, path: Path, told: Told, survey: str, by: str) -> dict[str, Any]:
    """Return how a file is read, what is unclear, and what is to be asked."""
    reading = understand(trial, path, told)
    shown = preview_json(reading) | {
        "file": path.name,
        "choices": list(Vocabulary(trial).choices),
        "notes": what_was_read(reading),
        "ask_dates": _dates(reading),
        "doubts": [],
        "unclear": "",
    }
    if not shown["ask_dates"]:
        try:
            _, doubts = read_values(trial, reading, survey, by)
            shown["doubts"] = [_doubt(reading, each) for each in doubts]
        except TallyError as error:
            shown["unclear"] = f"{error.found}. {error.mend}"
    open_ = reading.unknown or shown["ask_dates"] or shown["doubts"] or shown["unclear"]
    return shown | {"clear": not open_}


def _doubt(reading: Reading, doubt: Doubt) -> dict[str, Any]:
    return asdict(doubt) | {"place": column_of(reading, doubt)}


def _dates(reading: Reading) -> list[str]:
    """Return the two ways in which a file's dates can be meant; none where that is clear."""
    if reading.dates != "?":
        return []
    texts = (row.get("survey") for row in reading.sheet.rows)
    text = next(text for text in texts if len(day_readings(text)) == 2)
    return [f"{text} is the {day.day} of {day:%B}" for day in day_readings(text)]


def _take(trial: Trial, path: Path, survey: str, by: str, told: Told) -> list[str]:
    """Take a table in and say what became of it."""
    result = take_tallies(trial, [path], survey=survey, by=by, told=told)
    said = []
    if result.added or not result.again:
        plants = result.rows["plant"].nunique()
        said.append(f"Took in {many(result.added, 'value')} of {many(plants, 'plant')}.")
    said += result.corrections
    if result.again:
        said.append(f"Recorded already: {many(result.again, 'value')}.")
    for reading in result.readings:
        if remember(trial.directory, told_of(reading, told)):
            said.append("How such a file is to be read is remembered for the next one.")
    return said


def _plain(name: str) -> str:
    """Return a name that leads nowhere: no folders, nothing that a system reads otherwise."""
    return re.sub(r"[^\w.\-]+", "_", name)[-100:]


def _free(trial: Trial, name: str) -> Path:
    folder = trial.directory / _FOLDER
    folder.mkdir(exist_ok=True)
    path, number = folder / name, 2
    while path.exists():
        path = folder / f"{Path(name).stem}-{number}{Path(name).suffix}"
        number += 1
    return path
