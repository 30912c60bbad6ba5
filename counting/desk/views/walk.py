"""The photos of a walk: received, bound to their plants, and fruit proposed on each."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from counting.desk.arrivals import ARRIVING, by_day, clear, receive, waiting
from counting.desk.asked import Asked
from counting.desk.beds import beds
from counting.desk.desk import Desk
from counting.desk.walk_page import OFFERED
from counting.desk.work import Piece
from counting.errors import CountingError
from counting.files import inside
from counting.finding.propose import propose
from counting.photos.gather import Batch
from counting.photos.intake import take_in
from counting.plan.trial import Trial
from counting.settings import Settings

__all__ = ["arrived", "begin", "bring_in", "discard", "give", "put", "walk"]


def walk(desk: Desk, asked: Asked) -> Response:
    """Show where to drop photos, what waits for its plant, and which plants have one."""
    trial = desk.trial(asked.trial)
    left = waiting(trial.directory)
    busy = desk.work.busy(asked.trial)
    days = {} if busy else by_day(left)
    piece = desk.work.of(asked.trial)
    reasons = dict(piece.left_out) if piece else {}
    tray = [
        {"file": _short(trial, path), "reason": reasons.get(_short(trial, path), "")}
        for path in ([] if busy else left)
    ]
    return desk.trial_page(
        "walk.html",
        trial,
        here="walk",
        beds=beds(trial),
        tray=tray,
        days={day: len(photos) for day, photos in days.items()},
        codes=[str(code) for code in trial.plants.loc[~trial.plants["guard"], "code"]],
        busy=busy,
        today=date.today().isoformat(),
        lan=desk.host != "127.0.0.1",
        offered=OFFERED,
        command=f"counting take-in {trial.directory.name} PHOTO... --survey DATE; "
        f"counting propose {trial.directory.name}",
    )


async def put(desk: Desk, request: Request) -> Response:
    """Keep one photo that the browser sends; streamed, never whole in memory."""
    trial = desk.trial(request.path_params["trial"])
    name = request.query_params.get("name", "")
    try:
        path = await receive(trial.directory, name, request.stream())
    except CountingError as error:
        return JSONResponse({"refused": str(error)}, 422)
    return JSONResponse({"file": _short(trial, path)})


def begin(desk: Desk, asked: Asked) -> Response:
    """Take in what has arrived: one survey for each day, or all of it under one date."""
    trial = desk.trial(asked.trial)
    survey, side = asked.form.get("survey", "").strip(), asked.form.get("side", "").strip()
    left = waiting(trial.directory)
    batch = Batch(survey=survey, side=side)  # without a date: the folder's or the camera's day
    bring_in(desk, trial, left, batch)
    return desk.go("t", asked.trial, "walk")


def bring_in(desk: Desk, trial: Trial, paths: Sequence[Path], batch: Batch) -> None:
    """Take photos in that lie on this machine, and propose fruit, behind the page."""

    def task(piece: Piece) -> None:
        _take(trial, paths, batch, piece)
        _propose(trial, piece)

    desk.work.start(trial.directory.name, "Looking at the photos", task)


def _take(trial: Trial, paths: Sequence[Path], batch: Batch, piece: Piece) -> None:
    result = take_in(trial, paths, batch=batch, progress=piece.moved)
    refused = {Path(each.item): each.reason for each in result.refused}
    piece.left_out += [(_short(trial, path), reason) for path, reason in refused.items()]
    arriving = trial.directory / ARRIVING
    clear(
        trial.directory,
        {path for path in paths if path not in refused and path.is_relative_to(arriving)},
    )
    plants = result.taken["plant"].nunique()
    if len(result.taken):
        piece.said.append(f"Took in {len(result.taken)} photos of {plants} plants.")
    if result.again:
        piece.said.append(f"{result.again} were in the trial already and are not counted twice.")
    flagged = result.taken.loc[result.taken["flags"] != "", "flags"]
    for word, number in flagged.str.split("; ").explode().value_counts().items():
        piece.said.append(f"{number} flagged: {word}.")
    piece.said += result.remarks


def _propose(trial: Trial, piece: Piece) -> None:
    piece.words, piece.done, piece.total = "Proposing fruit on the photos", 0, 0
    found = propose(trial, Settings(), progress=piece.moved)
    piece.left_out += [(each.item, each.reason) for each in found.refused]
    if found.new:
        piece.said.append(f"Proposed {found.fruit} fruit on {found.new} photos.")


def give(desk: Desk, asked: Asked) -> dict[str, Any]:
    """Give a photo that waits its plant."""
    trial = desk.trial(asked.trial)
    told = asked.value if isinstance(asked.value, dict) else {}
    file, plant = str(told.get("file", "")), str(told.get("plant", ""))
    survey = str(told.get("survey", ""))
    path = inside(trial.directory, f"{ARRIVING}/{file}")
    row = {"file": file, "plant": plant, "survey": survey, "side": str(told.get("side", ""))}
    listed = trial.directory / ARRIVING / "given.csv"
    text = io.StringIO()
    writer = csv.DictWriter(text, list(row))
    writer.writeheader()
    writer.writerow(row)
    listed.write_text(text.getvalue(), encoding="utf-8")
    try:
        result = take_in(trial, [path], manifest=listed)
    finally:
        listed.unlink()
    if result.refused:
        return {"refused": result.refused[0].reason}
    clear(trial.directory, {path})

    def task(piece: Piece) -> None:
        _propose(trial, piece)

    desk.work.start(asked.trial, "Proposing fruit on the photos", task)
    return {"plant": plant}


def discard(desk: Desk, asked: Asked) -> dict[str, Any]:
    """Take a photo that waits away again; the camera still has it."""
    trial = desk.trial(asked.trial)
    told = asked.value if isinstance(asked.value, dict) else {}
    clear(trial.directory, {inside(trial.directory, f"{ARRIVING}/{told.get('file', '')}")})
    return {}


def arrived(desk: Desk, asked: Asked) -> Response:
    """Return a small picture of a photo that waits."""
    from counting.review.prints import prints

    trial = desk.trial(asked.trial)
    path = inside(trial.directory, f"{ARRIVING}/{asked.path['file']}")
    return Response(prints(path).grid, media_type="image/jpeg")


def _short(trial: Trial, path: Path) -> str:
    """Return the name of a photo that waits, as the page has it."""
    arriving = trial.directory / ARRIVING
    return path.relative_to(arriving).as_posix() if path.is_relative_to(arriving) else path.name
