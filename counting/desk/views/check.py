"""The contact sheet inside the desk, sheets for others, and their corrections."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

from starlette.responses import FileResponse, Response

from counting.desk.asked import Asked, objects
from counting.desk.desk import Desk, Sheet
from counting.desk.phones.codes import code_of
from counting.desk.views.walk import propose_behind
from counting.errors import CountingError
from counting.finding.lesson.learn import worth_learning
from counting.plan.trial import Trial
from counting.review.corrections import take_corrections
from counting.review.first import propose_first, unproposed
from counting.review.frames import frames, uncovered
from counting.review.live import Place
from counting.review.live import app as live_sheet
from counting.review.sheet import SheetOptions, make_sheets
from counting.settings import Settings

__all__ = ["check", "confirm", "make", "opened", "sheet_file", "start"]

_AT_ONCE = 3
"""Photos on which fruit is proposed while a person waits; more are done behind the page."""


def check(desk: Desk, asked: Asked, *, fault: str = "", said: tuple[str, ...] = ()) -> Response:
    """Show how far the check is, the way to the sheet, and sheets made for others."""
    trial = desk.trial(asked.trial)
    made = sorted((trial.directory / "sheets").glob("*.html"))
    listed = frames(trial)
    name, phone = trial.directory.name, desk.for_phones
    return desk.trial_page(
        "check.html",
        trial,
        here="check",
        status=422 if fault else 200,
        photos=len(listed),
        uncovered=uncovered(sum(not frame.card for frame in listed), len(listed)),
        phone=phone and phone.link("t", name, "sheet", ""),
        code=code_of(phone.link("t", name, "sheet", "")) if phone else "",
        sheets=[path.name for path in made],
        fault=fault,
        said=said,
        command=f"counting review {name}; counting sheet {name}; counting confirm {name} FILE",
    )


def start(desk: Desk, asked: Asked) -> Response:
    """Serve the sheet of what there is to check, and go to it."""
    trial = desk.trial(asked.trial)
    with trial.ledger() as ledger:
        waiting = len(unproposed(ledger))
        teaches = worth_learning(ledger, Settings().stages)
    if teaches:
        if not desk.work.busy(asked.trial):
            propose_behind(desk, trial)
        said = (
            "The finder learns from what you checked, and looks at the photos that wait once more."
            " Then press Check them now again."
        )
        return check(desk, asked, said=(said,))
    if waiting > _AT_ONCE:
        if not desk.work.busy(asked.trial):
            propose_behind(desk, trial)
        said = f"First fruit is proposed on {waiting} photos. Then press Check them now again."
        return check(desk, asked, said=(said,))
    desk.sheets.pop(asked.trial, None)
    try:
        opened(desk, asked.trial)
    except CountingError as error:
        return check(desk, asked, fault=str(error))
    return desk.go("t", asked.trial, "sheet", "")


def opened(desk: Desk, name: str) -> Sheet:
    """Return the sheet that is open for a trial; where none is, open one.

    Raises
    ------
    CountingError
        If there is no such trial, or no photo to check.
    """
    held = desk.sheets.get(name)
    if held is None:
        trial = desk.trial(name)
        _propose_few(desk, trial)
        place = Place(desk.host, desk.port, f"{desk.key}/t/{name}/sheet")
        home = "" if desk.devices else desk.to("t", name, "check")
        app = live_sheet(trial, place, SheetOptions(open_only=True), desk.devices, home)
        held = desk.sheets[name] = Sheet(app, len(frames(trial)))
    return held


def _propose_few(desk: Desk, trial: Trial) -> None:
    """Propose fruit on the photos that lack it, where they are few; else begin behind the page."""
    with trial.ledger() as ledger:
        waiting = len(unproposed(ledger))
    if waiting > _AT_ONCE:
        if not desk.work.busy(trial.directory.name):
            propose_behind(desk, trial)
        found = f"fruit is still being proposed on {waiting} photos"
        raise CountingError(trial.plan.title, found, mend="load this page again in a while")
    propose_first(trial)


def make(desk: Desk, asked: Asked) -> Response:
    """Make a sheet as a file, for somebody else."""
    trial = desk.trial(asked.trial)
    who = asked.form.get("reviewer", "").strip()
    options = SheetOptions(reviewer=who, open_only=True, replace=True)
    try:
        propose_first(trial)
        made = make_sheets(trial, options)
    except CountingError as error:
        return check(desk, asked, fault=str(error))
    names = ", ".join(each.path.name for each in made)
    return check(desk, asked, said=(f"Made: {names}. Send it; it opens in any browser.",))


def sheet_file(desk: Desk, asked: Asked) -> Response:
    """Return a sheet made for somebody else, to be sent on."""
    trial = desk.trial(asked.trial)
    name = asked.path["file"]
    known = {path.name: path for path in (trial.directory / "sheets").glob("*.html")}
    if name not in known:
        return Response("no such sheet", 404)
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return FileResponse(known[name], media_type="text/html", headers=headers)


def confirm(desk: Desk, asked: Asked) -> dict[str, Any]:
    """Take corrections in that somebody saved from a sheet."""
    trial = desk.trial(asked.trial)
    files = objects(asked.told.get("files"))
    with tempfile.TemporaryDirectory() as folder:
        paths = []
        for number, file in enumerate(files):
            name = Path(str(file.get("name", ""))).name[-100:] or f"corrections-{number}.json"
            path = Path(folder) / f"{number}-{name}"
            path.write_text(str(file.get("text", "")), encoding="utf-8")
            paths.append(path)
        taken = take_corrections(trial, paths)
    said = []
    if taken.files:
        who = ", ".join(taken.reviewers)
        said.append(f"{taken.new} answers taken in from {who}; {taken.again} stood already.")
    if taken.caution:
        said.append(taken.caution)
    return {
        "said": said,
        "refused": [
            f"{Path(each.item).name.partition('-')[2]}: {each.reason}" for each in taken.refused
        ],
    }
