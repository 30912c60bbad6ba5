"""The desk's addresses: one table, and the plumbing between a request and a view."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from importlib.resources import files
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Mount, Route
from starlette.types import ASGIApp, Receive, Scope, Send

from counting.desk.asked import Asked, TooLarge, read
from counting.desk.desk import Desk
from counting.desk.guard import Guard, sealed
from counting.desk.pairing import Paired
from counting.desk.spoken import spoken
from counting.desk.views import (
    answer,
    check,
    diary,
    home,
    keep,
    plan,
    plants,
    tags,
    tallies,
    walk,
    walk_page,
)
from counting.errors import CountingError
from counting.review.live.app import BODY_S
from counting.review.live.guard import hosts_of

__all__ = ["desk_app"]

_RULES = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' blob: data:",
        "connect-src 'self'",
        "frame-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'self'",
    )
)
"""What the desk's own pages may load: nothing but what this machine serves."""
_POLICY = ((b"content-security-policy", _RULES.encode("ascii")),)
View = Callable[[Desk, Asked], Response | dict[str, Any]]
_GONE = 499
"""Nobody reads it: the other side has hung up."""
_TYPES = {"css": "text/css", "js": "text/javascript"}

GET: tuple[tuple[str, View], ...] = (
    ("/", home.home),
    ("/new", plan.new),
    ("/new/map.svg", plan.draft_map),
    ("/new/show.json", plan.shows),
    ("/t/{trial}", home.season_page),
    ("/t/{trial}/work.json", home.work),
    ("/t/{trial}/plan", plan.plan),
    ("/t/{trial}/map.svg", plan.map_of),
    ("/t/{trial}/plan/change", plan.change),
    ("/t/{trial}/tags", tags.tags),
    ("/t/{trial}/tags.pdf", tags.tags_file),
    ("/t/{trial}/field-sheet.pdf", tags.field_pdf),
    ("/t/{trial}/tallies.xlsx", tags.field_table_file),
    ("/t/{trial}/walk", walk.walk),
    ("/t/{trial}/walk/held.json", walk.held),
    ("/t/{trial}/walk/arrived/{file:path}", walk.arrived),
    ("/t/{trial}/go", walk_page.page),
    ("/t/{trial}/walk-file", walk_page.file),
    ("/t/{trial}/check", check.check),
    ("/t/{trial}/sheets/{file}", check.sheet_file),
    ("/t/{trial}/answer", answer.answer),
    ("/t/{trial}/answer.svg", answer.picture),
    ("/t/{trial}/report.html", answer.report),
    ("/t/{trial}/report-file", answer.report_file),
    ("/t/{trial}/tables.zip", answer.tables_file),
    ("/t/{trial}/tallies", tallies.tallies),
    ("/t/{trial}/diary", diary.diary),
    ("/t/{trial}/plants", plants.plants),
    ("/t/{trial}/plant/{plant}", plants.plant),
    ("/t/{trial}/photo/{photo}.jpg", plants.ringed),
    ("/t/{trial}/keep", keep.keep),
    ("/t/{trial}/copies/{file}", keep.backup_file),
)
POST: tuple[tuple[str, View], ...] = (
    ("/new", plan.create),
    ("/demo", home.demo),
    ("/shelf", home.shelf),
    ("/phones", home.phones),
    ("/t/{trial}/plan/again", plan.draw_again),
    ("/t/{trial}/work/stop", home.stop),
    ("/t/{trial}/work/away", home.away),
    ("/t/{trial}/walk/begin", walk.begin),
    ("/t/{trial}/walk/propose", walk.go_on),
    ("/t/{trial}/walk/give", walk.give),
    ("/t/{trial}/walk/discard", walk.discard),
    ("/t/{trial}/go/answers", walk_page.answers),
    ("/t/{trial}/check/start", check.start),
    ("/t/{trial}/check/make", check.make),
    ("/t/{trial}/check/confirm", check.confirm),
    ("/t/{trial}/tallies/typed", tallies.typed),
    ("/t/{trial}/tallies/read", tallies.sheet_read),
    ("/t/{trial}/diary", diary.write),
    ("/t/{trial}/plant/{plant}/leave", plants.leave),
    ("/t/{trial}/plant/{plant}/move", plants.moved),
    ("/t/{trial}/plant/{plant}/rename", plants.renamed),
    ("/t/{trial}/keep/audit", keep.begin_audit),
    ("/t/{trial}/keep/backup", keep.begin_backup),
)


def desk_app(desk: Desk) -> ASGIApp:
    """Return the desk as an application.

    Parameters
    ----------
    desk : Desk
        Its trials, and where it is reached.
    """
    routes = [Route(path, _served(desk, view), methods=["GET"]) for path, view in GET]
    routes += [Route(path, _served(desk, view), methods=["POST"]) for path, view in POST]
    routes += [
        Route("/files/{name}", _file, methods=["GET"]),
        Route("/bring-back", _streamed(desk, keep.bring_back), methods=["POST"]),
        Route("/t/{trial}/walk/put", _streamed(desk, walk.put), methods=["POST"]),
        Route("/t/{trial}/go/photo", _streamed(desk, walk_page.photo), methods=["POST"]),
        Route("/t/{trial}/tallies/sheet", _streamed(desk, tallies.sheet_in), methods=["POST"]),
    ]
    inner = Starlette(routes=[Mount(f"/{desk.key}", routes=_ordered(routes))])
    pages: ASGIApp = _WithSheets(inner, desk)
    if desk.devices:
        pages = Paired(pages, desk.key, desk.devices)
    return Guard(pages, hosts_of(desk.host, desk.port))


def _ordered(routes: Sequence[Route]) -> Sequence[Route]:
    """Put addresses without a variable part first."""
    return sorted(routes, key=lambda route: route.path.count("{"))


def _served(desk: Desk, view: View) -> Callable[[Request], Awaitable[Response]]:
    async def serve(request: Request) -> Response:
        try:
            async with desk.reading, asyncio.timeout(BODY_S):
                asked = await read(request)
        except TooLarge:
            return PlainTextResponse("too large", 413)
        except TimeoutError:
            return PlainTextResponse("too slow", 408, {"Connection": "close"})
        except ClientDisconnect:
            return PlainTextResponse("hung up", _GONE)
        except ValueError:
            return PlainTextResponse("not JSON", 400)
        try:
            made = await run_in_threadpool(view, desk, asked)
        except CountingError as error:
            return _trouble(desk, request, error)
        return made if isinstance(made, Response) else JSONResponse(made)

    return serve


def _streamed(
    desk: Desk, view: Callable[[Desk, Request], Awaitable[Response]]
) -> Callable[[Request], Awaitable[Response]]:
    async def serve(request: Request) -> Response:
        try:
            return await view(desk, request)
        except CountingError as error:
            return JSONResponse({"refused": spoken(str(error))}, 422)
        except ClientDisconnect:
            return PlainTextResponse("hung up", _GONE)

    return serve


def _trouble(desk: Desk, request: Request, error: CountingError) -> Response:
    """Say what is wrong: as a page where a page was asked for, else in a line."""
    if "text/html" not in request.headers.get("accept", ""):
        return PlainTextResponse(spoken(str(error)), 422)
    return desk.page("trouble.html", status=422, fault=spoken(str(error)))


async def _file(request: Request) -> Response:
    name = request.path_params["name"]
    kind = _TYPES.get(name.rpartition(".")[2])
    part = files("counting.desk").joinpath("pages", name)
    if kind is None or "/" in name or not part.is_file():
        return PlainTextResponse("no such file", 404)
    return Response(part.read_text(encoding="utf-8"), media_type=kind)


class _WithSheets:
    """Hand what belongs to a contact sheet to it; all else to the desk's own pages."""

    def __init__(self, inner: ASGIApp, desk: Desk) -> None:
        self.inner = inner
        self.desk = desk

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http":
            parts = str(scope["path"]).split("/")
            if parts[1:3] == [self.desk.key, "t"] and parts[4:5] == ["sheet"]:
                app = await run_in_threadpool(self._sheet, parts[3])
                await app(scope, receive, send)  # it brings its own policy
                return
        await self.inner(scope, receive, sealed(send, _POLICY))

    def _sheet(self, trial: str) -> ASGIApp:
        """Return a trial's sheet; one that was open before the desk was restarted opens again."""
        try:
            return check.opened(self.desk, trial).app
        except CountingError as error:
            return PlainTextResponse(spoken(str(error)), 404)
