"""The answer: a sentence, a picture, the cautions; the report and the tables behind it."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence
from typing import Any

import pandas as pd
from starlette.responses import FileResponse, HTMLResponse, Response

from counting.analysis.recapture import ASSUMED, recapture_lines
from counting.analysis.season.coming import Coming, picked_and_coming
from counting.analysis.season.harvest import Harvest
from counting.analysis.words.short import each_in_short
from counting.desk.asked import Asked
from counting.desk.desk import Desk
from counting.desk.spoken import spoken
from counting.errors import AnalysisError
from counting.records.observations import observations
from counting.report import tables
from counting.report.export import export
from counting.report.figures import Figures, figures
from counting.report.pictures import plots
from counting.report.report import REPORT_NAME, make_report
from counting.report.words import answer_parts

__all__ = ["answer", "picture", "report", "report_file", "tables_file"]

_CAUTIONS = 3
"""Cautions shown at once; the rest stand one press away."""


def answer(desk: Desk, asked: Asked) -> Response:
    """Show what the counts say by now."""
    trial = desk.trial(asked.trial)
    name = trial.directory.name
    shown: dict[str, Any] = {
        "here": "answer",
        "command": f"counting report {name} --replace; counting export {name}",
    }
    try:
        with trial.ledger() as ledger:
            numbers = figures(trial, ledger)
    except AnalysisError as error:
        with trial.ledger() as ledger:
            picked, coming = picked_and_coming(trial, ledger, observations(trial, ledger))
        return desk.trial_page(
            "answer.html",
            trial,
            numbers=None,
            why=spoken(str(error)),
            first=(),
            more=(),
            **_harvest(name, picked, coming),
            **shown,
        )
    said = [spoken(line) for line in numbers.main.cautions]
    return desk.trial_page(
        "answer.html",
        trial,
        numbers=numbers,
        parts=answer_parts(numbers.main),
        each_group=each_in_short(numbers.main),
        why="",
        first=said[:_CAUTIONS],
        more=said[_CAUTIONS:],
        behind=_behind(numbers),
        views=recapture_lines(numbers.views),
        assumed=ASSUMED,
        **_harvest(name, numbers.harvest, numbers.coming),
        **shown,
    )


def _harvest(name: str, found: Harvest | None, coming: Sequence[Coming]) -> dict[str, Any]:
    """Return what the page says of the picks: what is to come first, then what was picked."""
    if found is None:
        return {"picks": (), "coming": (), "picked": None, "harvest_command": ""}
    return {
        "picks": found.picks,
        "coming": [each.sentence for each in coming],
        "picked": tables.harvest_told(found),
        "harvest_command": f"counting harvest {name}",
    }


def picture(desk: Desk, asked: Asked) -> Response:
    """Draw every plant, the groups side by side."""
    trial = desk.trial(asked.trial)
    with trial.ledger() as ledger:
        drawn = _every_plant(figures(trial, ledger))
    headers = {"Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'"}
    return Response(drawn, media_type="image/svg+xml", headers=headers)


def _every_plant(numbers: Figures) -> str:
    label = f"{numbers.main.measure.replace('_', ' ')} per plant"
    return plots.every_plant(_now(numbers), tables.plant_means(numbers), label)


def _now(numbers: Figures) -> pd.DataFrame:
    """Return the plants' values behind the answer."""
    main, table = numbers.main, numbers.table
    asked = (table["measure"] == main.measure) & (table["source"] == (main.source or ""))
    return table[asked & table["truss"].isna() & (table["survey"] == (main.survey or ""))]


def _behind(numbers: Figures) -> dict[str, list[tuple[str, str]]]:
    """Return each group's plants with their values as they are read."""
    now = _now(numbers)
    listed = [group.group for group in numbers.main.groups]
    groups: dict[str, list[tuple[str, str]]] = {name: [] for name in listed}
    for group, plant, value in zip(now["group"], now["plant"], now["value"], strict=True):
        shown = "missing" if pd.isna(value) else f"{value:g}"
        groups.setdefault(str(group), []).append((str(plant), shown))
    return groups


def report(desk: Desk, asked: Asked) -> Response:
    """Write the report anew, as the command does, and show it."""
    trial = desk.trial(asked.trial)
    path = make_report(trial, replace=True)
    policy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox"
    return HTMLResponse(
        path.read_text(encoding="utf-8"), headers={"Content-Security-Policy": policy}
    )


def report_file(desk: Desk, asked: Asked) -> Response:
    """Return the report as a file to send."""
    trial = desk.trial(asked.trial)
    path = make_report(trial, replace=True)
    headers = {"Content-Disposition": f'attachment; filename="{trial.directory.name}-report.html"'}
    return FileResponse(path, media_type="text/html", filename=REPORT_NAME, headers=headers)


def tables_file(desk: Desk, asked: Asked) -> Response:
    """Return every table in one archive; it is kept in the trial's folder, as the command does."""
    trial = desk.trial(asked.trial)
    made = export(trial, replace=True)
    folder = made.folder
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted(folder.rglob("*")):
            if path.is_file():
                archive.write(path, path.relative_to(folder))
    name = f"{trial.directory.name}-tables.zip"
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(stream.getvalue(), media_type="application/zip", headers=headers)
