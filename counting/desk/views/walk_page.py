"""The walk page for the phone in the row: what it is given, what it hands in."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response

from counting.desk.arrivals import receive
from counting.desk.asked import Asked, objects
from counting.desk.codes import code_of
from counting.desk.desk import Desk
from counting.desk.walk_page import OFFERED, walk_document
from counting.errors import CountingError, LedgerError, TallyError
from counting.photos.examine import Wanted
from counting.photos.judge import judge
from counting.photos.looking import look_at
from counting.plan.trial import Trial
from counting.records.tapped import Standing, Tapped, skew

__all__ = ["answers", "file", "page", "photo"]

_DEVICE = re.compile(r"[A-Za-z0-9_-]{8,64}")
_MOST = 200


def page(desk: Desk, asked: Asked) -> Response:
    """Return the walk page; to this machine itself, the way in for a phone."""
    trial = desk.trial(asked.trial)
    survey = asked.query.get("survey") or date.today().isoformat()
    wanted = [name for name in asked.query.get("measures", "").split(",") if name in OFFERED]
    tags_only, by_truss = "tags" in asked.query, "by_truss" in asked.query
    if "on" not in asked.query:
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
        try:
            _may(desk, str(batch.get("device", "")), str(told.get("by", "")))
            tapped.take(told)
        except Standing as other:
            refused.append({"number": _number(each), "reason": str(other), "other": other.told})
        except LedgerError as error:
            full = 507 if "full" in error.found else 503
            return JSONResponse(reply | {"reason": error.found}, full)
        except CountingError as error:
            refused.append({"number": _number(each), "reason": error.found})
        else:
            taken.append(_number(each))
    return reply


def _may(desk: Desk, device: str, name: str) -> None:
    """Refuse a name that another phone walks under: two people would be one in the ledger.

    A phone is known by the number it drew for itself: unlike a cookie it outlives a killed browser.
    """
    if desk.devices and name and desk.devices.refusal(device, f"walk {name}", answered=False):
        found = f"another phone walks as {name}: press Walking as {name} and take another name"
        raise TallyError(name, found)


def _number(each: Mapping[str, Any]) -> int:
    number = each.get("number")
    return number if isinstance(number, int) else 0


async def photo(desk: Desk, request: Request) -> Response:
    """Keep one photo of the walk, once, and judge it at once."""
    trial = desk.trial(request.path_params["trial"])
    query = request.query_params
    device, number = query.get("device", ""), query.get("number", "")
    if not (_DEVICE.fullmatch(device) and number.isdecimal()):
        return PlainTextResponse("no device is named; load the page again", 422)
    plant, survey, side = (query.get(name, "") for name in ("plant", "survey", "side"))
    if plant not in set(trial.plants["code"]):
        return PlainTextResponse(f"no plant {plant!r} in the plan", 422)
    suffix = Path(query.get("name", "")).suffix.lower() or ".jpg"
    # one photo of a device has one name: sent again after a lost reply, it lies there once
    name = "/".join(filter(None, (survey, plant, side, f"{device}-{number}{suffix}")))
    try:
        path = await receive(trial.directory, name, request.stream(), again=True)
        told = await run_in_threadpool(_judged, trial, path, plant)
        if "tags" in query:
            path.unlink(missing_ok=True)
    except CountingError as error:
        return PlainTextResponse(str(error), 422)
    return JSONResponse(told)


def _judged(trial: Trial, path: Path, plant: str) -> dict[str, Any]:
    tags = frozenset(int(tag) for tag in trial.plants["tag"].dropna())
    try:
        examined = look_at(path, Wanted(trial.plan.rule.smallest_fruit_mm, tags))
    except CountingError:
        path.unlink(missing_ok=True)
        raise
    found = judge(examined, trial.plants, plant)
    return {"kind": found.kind, "plants": list(found.plants), "px_per_mm": found.px_per_mm}
