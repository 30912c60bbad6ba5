"""The diary: what is done to the plants, and the weather; a wrong line is struck, and why."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd
from starlette.requests import Request
from starlette.responses import Response

from counting.desk.asked import Asked
from counting.desk.desk import Desk
from counting.desk.dropped import dropped_table
from counting.errors import CountingError
from counting.records.diary import (
    CAUTIONS,
    KINDS,
    Written,
    as_lines,
    events,
    read_events,
    strike,
    write_events,
)

__all__ = ["diary", "sheet_in", "struck", "write"]

_FIELDS = (
    "kind", "at", "scope", "product", "dilution", "amount_litre", "weather", "low_c", "high_c",
    "by", "note",
)  # fmt: skip


def diary(
    desk: Desk,
    asked: Asked,
    *,
    fault: str = "",
    said: tuple[str, ...] = (),
) -> Response:
    """List the events, newest last, with a form for one more, and a way to strike each."""
    trial = desk.trial(asked.trial)
    with trial.ledger() as ledger:
        listed = _listed(events(ledger))
    return desk.trial_page(
        "diary.html",
        trial,
        here="diary",
        status=422 if fault else 200,
        events=listed,
        kinds=KINDS,
        texts=dict.fromkeys(_FIELDS, "") | (dict(asked.form) if fault else {}),
        fault=fault,
        said=said,
        now=datetime.now().astimezone().strftime("%Y-%m-%dT%H:%M"),
        cautions=CAUTIONS,
        command=f'counting diary {trial.directory.name} --kind pruning --at "2026-07-01 07:30"; '
        f"counting diary {trial.directory.name} --kind temperature --at 2026-07-01 --low 14 "
        f"--high 29; counting diary {trial.directory.name} --strike ID --note WHY",
    )


def _listed(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return each event with its lines to read."""
    return [
        {"event": str(table["event"].iloc[row]), "lines": as_lines(table.iloc[[row]], ids=False)}
        for row in range(len(table))
    ]


def write(desk: Desk, asked: Asked) -> Response:
    """Write one event."""
    trial = desk.trial(asked.trial)
    row = {name: asked.form.get(name, "").strip() for name in _FIELDS}
    row["at"] = row["at"].replace("T", " ")
    for name in ("low_c", "high_c"):  # no thousands are meant here
        row[name] = row[name].replace(",", ".")
    try:
        written = write_events(trial, [row])
    except CountingError as error:
        return diary(desk, asked, fault=str(error))
    return diary(desk, asked, said=tuple(_said(written)))


def _said(written: Written) -> list[str]:
    number = len(written.events)
    said = "Written." if written.added else "That stood already."
    if number > 1:
        said = f"{written.added} of {number} events are new."
    told: Sequence[str] = written.remarks
    if written.cautions:
        told = (*told, f"Before and after an application: {' '.join(written.cautions)}")
    return [said, *told]


def struck(desk: Desk, asked: Asked) -> Response:
    """Strike an event, with the reason; the ledger keeps it."""
    trial = desk.trial(asked.trial)
    form = asked.form
    by = form.get("by", "").strip() or "desk"
    try:
        strike(trial, form.get("event", ""), form.get("reason", ""), by=by)
    except CountingError as error:
        return diary(desk, asked, fault=str(error))
    return diary(desk, asked, said=("Struck. The ledger keeps the line, and why.",))


async def sheet_in(desk: Desk, request: Request) -> Response:
    """Take the events of a dropped table in: all of them or, if one cannot be used, none."""
    trial = desk.trial(request.path_params["trial"])
    name = Path(request.query_params.get("name", "")).name

    def take(path: Path) -> list[str]:
        return _said(read_events(trial, path))

    return await dropped_table(desk, request, name, take)
