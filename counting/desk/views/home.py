"""The trials on this machine, and where one of them stands."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

from markupsafe import Markup
from starlette.responses import Response

from counting.demo import demo_images, start_demo
from counting.desk.asked import Asked
from counting.desk.desk import Desk
from counting.desk.serve import let_phones_in
from counting.desk.shelf import Shelf
from counting.desk.views.walk import bring_in
from counting.desk.walk_page import words
from counting.errors import CountingError
from counting.photos.gather import Batch
from counting.review.build import as_json

__all__ = ["away", "closed", "demo", "home", "phones", "season_page", "shelf", "stop", "work"]

_NEXT = {
    "plan": ("Look at the plan", ""),
    "tags": (
        "Make the tags",
        "One tag for each plant: it carries the plant's code, the scale and a grey patch.",
    ),
    "walk": (
        "Bring the photos in",
        "Photograph each plant with its tag in view, then drop the photos here.",
    ),
    "check": (
        "Check the photos",
        "Fruit is proposed on each photo; a person confirms or corrects it.",
    ),
    "answer": ("Read the answer", "Every plant of the survey is counted."),
}


def home(desk: Desk, asked: Asked, *, fault: str = "") -> Response:
    """List the trials, each with the line of its season."""
    if desk.devices:
        return _for_phones(desk)
    if desk.shelf.only:
        return desk.go("t", desk.shelf.only)
    return desk.page(
        "home.html",
        folder=str(desk.shelf.folder),
        trials=[_line(desk, name) for name in desk.shelf.names()],
        ways=_ways(desk.shelf),
        looking="looking" in asked.query,
        fault=fault,
        command="counting open FOLDER; counting demo; counting restore FILE DIR",
    )


def _ways(shelf: Shelf) -> dict[str, list[tuple[str, str]]]:
    """Return the folders that a press goes to: each with its name and its whole path.

    Folders alone are named, and the way up; no file outside the trials is.
    """
    up, inner, beside = shelf.folder.parent, shelf.inner(), shelf.beside()
    ways = {
        "Up": [(up.name or str(up), str(up))] if up != shelf.folder else [],
        "In it": [(each.name, str(each)) for each in inner],
        "With trials, near it": [(str(each), str(each)) for each in beside],
    }
    return {words: found for words, found in ways.items() if found}


def _for_phones(desk: Desk) -> Response:
    """List what a phone can do for each trial; no group shows."""
    lines = [_line(desk, name) for name in desk.shelf.names()]
    return _phone_page(desk, trials=lines, today=date.today().isoformat(), closed=False)


def closed(desk: Desk) -> Response:
    """Say that a page is not for phones, and what is."""
    return _phone_page(desk, status=403, closed=True)


def _phone_page(desk: Desk, *, status: int = 200, **shown: Any) -> Response:
    """Write a page for phones: English as it comes, the reader's language by its script."""
    told = words()
    texts = Markup(as_json(told))
    return desk.page("phone.html", status=status, words=told["en"], texts=texts, **shown)


def _line(desk: Desk, name: str) -> dict[str, Any]:
    try:
        trial = desk.trial(name)
        return {
            "name": name,
            "title": trial.plan.title,
            "season": desk.season(trial),
            "fault": "",
        }
    except CountingError as error:  # one broken trial must not hide the others
        return {"name": name, "title": name, "season": None, "fault": str(error)}


def shelf(desk: Desk, asked: Asked) -> Response:
    """Take another folder of trials, or a trial; it must be there."""
    folder = Path(asked.form.get("folder", "").strip())
    try:
        folder = folder.expanduser()
        there = folder.is_absolute() and folder.is_dir()
    except (OSError, RuntimeError):  # a name that is too long; ~ of a person who is not there
        there = False
    if not there:
        return home(desk, asked, fault=f"{folder}: no such folder; give its whole path")
    desk.shelf = Shelf.of(folder)
    if desk.phones:
        desk.phones.shelf = desk.shelf
    if asked.form.get("looking") and not desk.shelf.only:
        return desk.go("?looking=1")
    return desk.go()


def phones(desk: Desk, asked: Asked) -> Response:
    """Let phones on this network in, and go back to the page that asked for it."""
    let_phones_in(desk)
    trial, page = asked.form.get("trial", ""), asked.form.get("page", "")
    return desk.go("t", trial, page if page in {"walk", "tags", "check"} else "walk")


def season_page(desk: Desk, asked: Asked) -> Response:
    """Show where a trial stands, what is missing, and one button for what comes next."""
    trial = desk.trial(asked.trial)
    button, hint = _NEXT[desk.season(trial).next]
    return desk.trial_page(
        "season.html",
        trial,
        here="",
        button=button,
        hint=hint,
        command=f"counting open {trial.directory.name}",
    )


def demo(desk: Desk, _: Asked) -> Response:
    """Make the demo trial beside the others: its photos wait to be checked."""
    trial = start_demo(desk.shelf.free("demo"))
    source = demo_images()
    batch = Batch(manifest=source / "photos.csv")
    bring_in(desk, trial, [source / "photos"], batch)
    return desk.go("t", trial.directory.name)


def work(desk: Desk, asked: Asked) -> dict[str, Any]:
    """Return the state of the work under way for a trial."""
    piece = desk.work.of(asked.trial)
    return piece.to_json() if piece else {"state": "none"}


def stop(desk: Desk, asked: Asked) -> dict[str, Any]:
    """Ask the work under way to stop."""
    piece = desk.work.of(asked.trial)
    if piece:
        piece.stop()
    return {}


def away(desk: Desk, asked: Asked) -> Response:
    """Put away what the last work had to tell."""
    desk.work.forget(asked.trial)
    return desk.go("t", asked.trial, *(["walk"] if asked.form.get("here") == "walk" else []))
