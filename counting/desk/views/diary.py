"""The diary: what is done to the plants, and the weather."""

from __future__ import annotations

from datetime import datetime

from starlette.responses import Response

from counting.desk.asked import Asked
from counting.desk.desk import Desk
from counting.errors import CountingError
from counting.records.diary import CAUTIONS, as_lines, events, write_events

__all__ = ["diary", "write"]

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
    """List the events, newest last, with a form for one more."""
    trial = desk.trial(asked.trial)
    with trial.ledger() as ledger:
        lines = as_lines(events(ledger), ids=False)
    return desk.trial_page(
        "diary.html",
        trial,
        here="diary",
        status=422 if fault else 200,
        lines=lines,
        texts=dict.fromkeys(_FIELDS, "") | (dict(asked.form) if fault else {}),
        fault=fault,
        said=said,
        now=datetime.now().astimezone().strftime("%Y-%m-%dT%H:%M"),
        cautions=CAUTIONS,
        command=f'counting diary {trial.directory.name} --kind pruning --at "2026-07-01 07:30"; '
        f"counting diary {trial.directory.name} --kind temperature --at 2026-07-01 --low 14 "
        "--high 29",
    )


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
    said = ["Written." if written.added else "That stood already.", *written.remarks]
    if written.cautions:
        said += [f"Before and after an application: {' '.join(written.cautions)}"]
    return diary(desk, asked, said=tuple(said))
