"""The walk page for the phone in the row: what it is given, what it hands in."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response

from counting.desk.arrivals import ARRIVING, NoRoom, clear, place_for, receive
from counting.desk.asked import Asked, objects
from counting.desk.desk import Desk
from counting.desk.phones.codes import code_of
from counting.desk.phones.pieces import Parts, assembled, come, lies
from counting.desk.walk_page import OFFERED, walk_document, words
from counting.errors import CountingError, LedgerError, PhotoError
from counting.files import inside
from counting.ledger.facts import photo_of
from counting.photos.examine import Wanted
from counting.photos.judge import judge
from counting.photos.looking import look_at
from counting.plan.trial import Trial
from counting.records.tapped import Standing, Tapped, skew
from counting.review.live.app import BODY_S

__all__ = ["answers", "file", "held", "page", "photo", "piece"]

_DEVICE = re.compile(r"[A-Za-z0-9_-]{8,64}")
_MOST = 200
_DIGITS = 13
"""Digits of a number of bytes that are read at all."""


def page(desk: Desk, asked: Asked) -> Response:
    """Return the walk page; to this machine itself, the way in for a phone."""
    trial = desk.trial(asked.trial)
    survey = asked.query.get("survey") or date.today().isoformat()
    wanted = [name for name in asked.query.get("measures", "").split(",") if name in OFFERED]
    tags_only, by_truss = "tags" in asked.query, "by_truss" in asked.query
    if "on" not in asked.query and not desk.devices:
        told = {"on": "1", "survey": survey, "measures": ",".join(wanted)}
        told |= {"tags": "1"} if tags_only else {}
        query = urlencode(told | ({"by_truss": "1"} if by_truss else {}))
        phone = desk.for_phones
        link = f"{phone.link('t', asked.trial, 'go')}?{query}" if phone else ""
        return desk.trial_page(
            "way-in.html",
            trial,
            here="walk",
            survey=survey,
            link=link,
            code=code_of(link) if link else "",
            tags_only=tags_only,
            command=f"counting open {trial.directory.name} --lan; "
            f"counting walk {trial.directory.name} --survey {survey}",
        )
    base = desk.to("t", asked.trial, "go", "")
    text, policy = walk_document(
        trial, survey, measures=tuple(wanted), base=base, tags_only=tags_only, by_truss=by_truss
    )
    return HTMLResponse(text, headers={"Content-Security-Policy": policy})


def file(desk: Desk, asked: Asked) -> Response:
    """Return the walk page as one file for a phone without network."""
    trial = desk.trial(asked.trial)
    survey = asked.query.get("survey") or date.today().isoformat()
    text, _ = walk_document(trial, survey, measures=OFFERED)
    headers = {"Content-Disposition": f'attachment; filename="walk-{survey}.html"'}
    return HTMLResponse(text, headers=headers)


def answers(desk: Desk, asked: Asked) -> Response | dict[str, Any]:
    """Take what was tapped in, each by itself; say of each number whether it is in the ledger."""
    trial = desk.trial(asked.trial)
    batch = asked.told
    listed = batch.get("answers")
    if batch.get("format") != "counting walk" or not isinstance(listed, list):
        return PlainTextResponse("no batch of a walk; load the page again", 400)
    tapped = Tapped(trial, skew(str(batch.get("now", ""))))
    taken: list[int] = []
    refused: list[dict[str, Any]] = []
    reply = {"taken": taken, "refused": refused}
    for each in sorted(objects(listed)[:_MOST], key=_number):
        told = next(iter(objects([each.get("document")])), {})
        if _taken_name(desk, str(batch.get("device", "")), str(told.get("by", ""))):
            reason = _in_words(told, "name taken")
            refused.append({"number": _number(each), "reason": reason})
            continue
        try:
            tapped.take(told)
        except Standing as other:
            refused.append({"number": _number(each), "reason": str(other), "other": other.told})
        except LedgerError as error:
            full = 507 if "full" in error.found else 503
            return JSONResponse(reply | {"reason": error.found}, full)
        except CountingError as error:
            reason = _in_words(told, "value refused", error.found)
            refused.append({"number": _number(each), "reason": reason})
        else:
            taken.append(_number(each))
    return reply


def _taken_name(desk: Desk, device: str, name: str) -> bool:
    """Whether another phone walks under this name: two people would be one in the ledger.

    A phone is known by the number it drew for itself: unlike a cookie it outlives a killed browser.
    """
    if not (desk.devices and name):
        return False
    return bool(desk.devices.refusal(device, f"walk {name}", answered=False))


def _in_words(told: Mapping[str, Any], key: str, reason: str = "") -> str:
    """Say why something is refused in the language of whoever walks.

    A reason of the rooms is English; in other languages what was refused is named instead.
    """
    known = words()
    language = str(told.get("language", ""))
    if reason and language in {"", "en"}:
        return reason
    texts = known.get(language, known["en"])
    measure = str(told.get("measure", ""))
    named = {name: str(told.get(name, "")) for name in ("plant", "value")}
    measure = str(texts.get(measure, measure))
    return str(texts[key]).format(name=told.get("by", ""), measure=measure, **named)


def _number(each: Mapping[str, Any]) -> int:
    number = each.get("number")
    return number if isinstance(number, int) else 0


def held(desk: Desk, asked: Asked) -> dict[str, Any]:
    """Say what has come of a photo that a phone sends in pieces, so that only the rest is sent."""
    trial = desk.trial(asked.trial)
    parts = _parts(trial.directory, asked.query)
    target = place_for(trial.directory, _name(asked.query))
    return {"whole": _whole(trial, parts, target) is not None, "held": parts.held()}


async def piece(desk: Desk, request: Request) -> Response:
    """Keep one piece of a photo."""
    directory = desk.shelf.directory(request.path_params["trial"])
    number = request.query_params.get("piece", "")
    if not number.isdecimal():
        return PlainTextResponse("no piece is named; load the page again", 422)
    parts = _parts(directory, request.query_params)
    try:
        async with desk.pieces, asyncio.timeout(BODY_S):
            await come(parts, int(number), request.stream())
    except TimeoutError:
        return PlainTextResponse("too slow", 408, {"Connection": "close"})
    return JSONResponse({})


async def photo(desk: Desk, request: Request) -> Response:
    """Keep one photo of the walk, once, and judge it at once.

    One that came in pieces is named by its SHA-256 and put together here; what is missing of it is
    asked for.
    """
    trial = desk.trial(request.path_params["trial"])
    query = request.query_params
    name = _name(query)
    try:
        if "sha256" in query:
            parts = _parts(trial.directory, query)
            found = await run_in_threadpool(
                _whole, trial, parts, place_for(trial.directory, name), make=True
            )
            if found is None:
                return JSONResponse({"held": parts.held()}, 409)
            path = found
        else:
            path = await receive(trial.directory, name, request.stream(), again=True)
        told = await run_in_threadpool(_judged, trial, path, query.get("plant", ""))
        if "tags" in query:
            clear(trial.directory, _waits(trial, path))
    except NoRoom as error:  # the phone keeps the photo
        return PlainTextResponse(str(error), 507)
    except CountingError as error:
        return PlainTextResponse(str(error), 422)
    return JSONResponse(told)


def _name(query: Mapping[str, str]) -> str:
    """Return the one name of a photo of a device; sent again after a lost reply it lies there once.

    Raises
    ------
    PhotoError
        If no device is named.
    """
    device, number = query.get("device", ""), query.get("number", "")
    if not (_DEVICE.fullmatch(device) and number.isdecimal()):
        found = "no device is named"
        raise PhotoError(query.get("name", ""), found, mend="load the page again")
    suffix = Path(query.get("name", "")).suffix.lower() or ".jpg"
    told = (query.get(each, "") for each in ("survey", "plant", "side"))
    return "/".join(filter(None, (*told, f"{device}-{number}{suffix}")))


def _parts(directory: Path, query: Mapping[str, str]) -> Parts:
    size = query.get("size", "")
    told = int(size) if size.isdecimal() and len(size) < _DIGITS else 0
    return Parts(directory, query.get("sha256", ""), told)


def _whole(trial: Trial, parts: Parts, target: Path, *, make: bool = False) -> Path | None:
    """Return where a photo lies whole: in the trial already, or among those that wait."""
    with trial.ledger() as ledger:
        entered = photo_of(ledger, parts.sha256)
    if entered is not None:
        parts.forget()
        return inside(trial.directory, entered.file)
    ready = assembled(parts, target) if make else lies(parts, target)
    return target if ready else None


def _waits(trial: Trial, path: Path) -> set[Path]:
    """Return the photo if it only waits; what is in the trial stays there."""
    return {path} if path.is_relative_to(trial.directory / ARRIVING) else set()


def _judged(trial: Trial, path: Path, plant: str) -> dict[str, Any]:
    tags = frozenset(int(tag) for tag in trial.plants["tag"].dropna())
    try:
        examined = look_at(path, Wanted(trial.plan.rule.smallest_fruit_mm, tags))
    except CountingError:
        clear(trial.directory, _waits(trial, path))
        raise
    found = judge(examined, trial.plants, plant)
    return {"kind": found.kind, "plants": list(found.plants), "px_per_mm": found.px_per_mm}
