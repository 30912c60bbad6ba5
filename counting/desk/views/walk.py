"""The photos of a walk: received, bound to their plants, and fruit proposed on each."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from counting.crops import unmeasured
from counting.desk.arrivals import ARRIVING, by_day, clear, receive, short, waiting
from counting.desk.asked import Asked
from counting.desk.beds import beds
from counting.desk.desk import Desk
from counting.desk.spoken import spoken
from counting.desk.walk_page import OFFERED
from counting.desk.work import Piece
from counting.errors import CountingError, PhotoError
from counting.files import inside
from counting.finding.lesson.record import record
from counting.finding.propose import propose
from counting.flags import Flag
from counting.photos.gather import Batch
from counting.photos.intake import TakenIn, take_in
from counting.photos.places.moving import move_survey
from counting.plan.trial import Trial
from counting.review.first import unproposed
from counting.settings import Settings
from counting.text import few, many

__all__ = [
    "arrived",
    "begin",
    "bring_in",
    "discard",
    "give",
    "go_on",
    "held",
    "put",
    "redated",
    "walk",
]

_NAMED = 8
"""Plants named in a line; further ones are numbered."""


def walk(desk: Desk, asked: Asked, *, fault: str = "", said: tuple[str, ...] = ()) -> Response:
    """Show where to drop photos, what waits for its plant, and which plants have one."""
    trial = desk.trial(asked.trial)
    busy = desk.work.busy(asked.trial)
    left = [] if busy else waiting(trial.directory)
    reasons = desk.refused.get(asked.trial, {})
    named = {path: short(trial.directory, path) for path in left}
    arrived = [path for path in left if named[path] not in reasons]
    days = by_day(arrived)
    return desk.trial_page(
        "walk.html",
        trial,
        here="walk",
        status=422 if fault else 200,
        fault=fault,
        said=said,
        beds=beds(trial),
        arrived=[(named[path], "") for path in arrived],
        days={day: len(photos) for day, photos in days.items() if day},
        timeless=len(days.get("", ())),
        stuck=[(name, spoken(reasons[name])) for name in named.values() if name in reasons],
        unseen=0 if busy else _unseen(trial),
        codes=[str(code) for code in trial.counted["code"]],
        busy=busy,
        today=date.today().isoformat(),
        offered=OFFERED,
        command=f"counting take-in {trial.directory.name} PHOTO... --survey DATE; "
        f"counting propose {trial.directory.name}",
    )


def _unseen(trial: Trial) -> int:
    """Return on how many photos of the trial nothing was proposed yet."""
    with trial.ledger() as ledger:
        return len(unproposed(ledger))


async def put(desk: Desk, request: Request) -> Response:
    """Keep one photo that the browser sends; streamed, never whole in memory."""
    trial = desk.trial(request.path_params["trial"])
    name = request.query_params.get("name", "")
    try:
        path = await receive(trial.directory, name, request.stream())
    except CountingError as error:
        return JSONResponse({"refused": str(error)}, 422)
    return JSONResponse({"file": short(trial.directory, path)})


def held(desk: Desk, asked: Asked) -> dict[str, Any]:
    """Return the photos that have arrived with their bytes: none of them need be sent again."""
    directory = desk.trial(asked.trial).directory
    return {short(directory, path): path.stat().st_size for path in waiting(directory)}


def begin(desk: Desk, asked: Asked) -> Response:
    """Take in what has arrived: one survey for each day, or all of it under one date."""
    trial = desk.trial(asked.trial)
    survey, side = asked.form.get("survey", "").strip(), asked.form.get("side", "").strip()
    batch = Batch(survey=survey, side=side)  # without a date: the folder's or the camera's day
    bring_in(desk, trial, waiting(trial.directory), batch)
    return desk.go("t", asked.trial, "walk")


def redated(desk: Desk, asked: Asked) -> Response:
    """Put a survey's photos under the day that was meant; what was confirmed goes along."""
    form = asked.form
    old, new = form.get("survey", ""), form.get("day", "")
    by, reason = form.get("by", "").strip() or "desk", form.get("reason", "").strip()
    try:
        done = move_survey(desk.trial(asked.trial), old, new, reason=reason, by=by)
    except CountingError as error:
        return walk(desk, asked, fault=str(error))
    return walk(desk, asked, said=(f"{many(len(done), 'photo')} of {old} moved to {new}.",))


def go_on(desk: Desk, asked: Asked) -> Response:
    """Propose fruit on the photos that still lack it."""
    trial = desk.trial(asked.trial)
    propose_behind(desk, trial)
    return desk.go("t", asked.trial, "walk")


def bring_in(desk: Desk, trial: Trial, paths: Sequence[Path], batch: Batch) -> None:
    """Take photos in that lie on this machine, and propose fruit, behind the page."""

    def task(piece: Piece) -> None:
        piece.said += _say(_taken(desk, trial, paths, batch, piece))
        _propose(trial, piece)

    desk.work.start(trial.directory.name, "Looking at the photos", task)


def propose_behind(desk: Desk, trial: Trial) -> None:
    """Propose fruit behind the page where that was not done yet."""

    def task(piece: Piece) -> None:
        _propose(trial, piece)

    desk.work.start(trial.directory.name, "Proposing fruit on the photos", task)


def _taken(
    desk: Desk, trial: Trial, paths: Sequence[Path], batch: Batch, piece: Piece | None = None
) -> TakenIn:
    """Take photos in; those that found their plant wait no longer, the others keep the reason."""
    result = take_in(trial, paths, batch=batch, progress=piece.moved if piece else None)
    refused = {Path(each.item): each.reason for each in result.refused}
    told = {short(trial.directory, path): reason for path, reason in refused.items()}
    if piece:
        piece.left_out += told.items()
    reasons = desk.refused.setdefault(trial.directory.name, {})
    for path in paths:
        reasons.pop(short(trial.directory, path), None)
    reasons |= told
    arriving = trial.directory / ARRIVING
    clear(
        trial.directory,
        {path for path in paths if path not in refused and path.is_relative_to(arriving)},
    )
    return result


def _say(result: TakenIn) -> list[str]:
    """Return what a person should know of photos that came in."""
    said = []
    if len(result.taken):
        plants = result.taken["plant"].nunique()
        said.append(f"Took in {many(len(result.taken), 'photo')} of {many(plants, 'plant')}.")
    if result.again:
        held = many(result.again, "photo")
        said.append(f"In the trial already, and not counted twice: {held}.")
    said += [_flagged(word, result.taken) for word in Flag if _with(word, result.taken).any()]
    return said + list(result.remarks)


def _with(word: Flag, taken: pd.DataFrame) -> pd.Series:
    return taken["flags"].map(lambda text: word.value in str(text).split("; "))


def _flagged(word: Flag, taken: pd.DataFrame) -> str:
    """Name the photos with a flag by their plants, and say what the flag means."""
    rows = taken[_with(word, taken)]
    plants = list(dict.fromkeys(rows["plant"].astype(str)))
    which = "All" if len(rows) == len(taken) and len(taken) > 1 else few(plants, _NAMED)
    return f"{which}: {word.sentence[0].lower()}{word.sentence[1:]}"


def _propose(trial: Trial, piece: Piece) -> None:
    piece.words, piece.done, piece.total = "Proposing fruit on the photos", 0, 0
    with trial.ledger() as ledger:
        piece.said += filter(None, [record(ledger).sentence(), unmeasured(trial.plan.crop)])
    found = propose(trial, Settings(), progress=piece.moved)
    piece.left_out += [(each.item, each.reason) for each in found.refused]
    for learnt in found.learnt:
        piece.said += [said for said in (learnt.sentence, learnt.uneven) if said]
    if found.new:
        piece.said.append(f"Proposed {found.fruit} fruit on {many(found.new, 'photo')}.")
        piece.said += found.remarks
    piece.words = "The photos"


def give(desk: Desk, asked: Asked) -> dict[str, Any]:
    """Give a photo that waits its plant."""
    trial = desk.trial(asked.trial)
    told = asked.told
    row = {name: str(told.get(name, "")) for name in ("file", "plant", "survey", "side")}
    path = _here(trial, row["file"])
    listed = trial.directory / ARRIVING / "given.csv"
    text = io.StringIO()
    writer = csv.DictWriter(text, list(row))
    writer.writeheader()
    writer.writerow(row)
    listed.write_text(text.getvalue(), encoding="utf-8")
    try:
        result = _taken(desk, trial, [path], Batch(manifest=listed))
    finally:
        listed.unlink()
    if result.refused:
        return {"refused": spoken(result.refused[0].reason)}
    propose_behind(desk, trial)
    return {"plant": row["plant"]}


def discard(desk: Desk, asked: Asked) -> dict[str, Any]:
    """Take a photo that waits away again; the camera still has it."""
    trial = desk.trial(asked.trial)
    told = asked.told
    file = str(told.get("file", ""))
    clear(trial.directory, {_here(trial, file)})
    desk.refused.get(asked.trial, {}).pop(file, None)
    return {}


def arrived(desk: Desk, asked: Asked) -> Response:
    """Return a small picture of a photo that waits."""
    from counting.review.prints import prints

    trial = desk.trial(asked.trial)
    path = _here(trial, asked.path["file"])
    return Response(prints(path).grid, media_type="image/jpeg")


def _here(trial: Trial, file: str) -> Path:
    """Return the path of a photo that waits, and of nothing else."""
    path = inside(trial.directory, f"{ARRIVING}/{file}")
    if path not in waiting(trial.directory):
        raise PhotoError(file, "is not here any more", mend="load the page again")
    return path
