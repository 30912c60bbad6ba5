"""The plumbing between a request and the view of its address."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Mount, Route
from starlette.types import ASGIApp, Receive, Scope, Send

from counting.desk.addresses import GET, POST, STREAMED, Address, StreamedView, View
from counting.desk.asked import TooLarge, read
from counting.desk.desk import Desk
from counting.desk.guard import Guard, sealed
from counting.desk.phones.pairing import Paired
from counting.desk.spoken import spoken
from counting.desk.views import check
from counting.desk.views.home import closed
from counting.desk.walk_page import module
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
_Handler = Callable[[Request], Awaitable[Response]]
_GONE = 499
"""Nobody reads it: the other side has hung up."""
_NOT_HERE = "This page is for the machine with the desk."
_TYPES = {"css": "text/css", "js": "text/javascript"}


def desk_app(desk: Desk) -> ASGIApp:
    """Return the desk as an application.

    Parameters
    ----------
    desk : Desk
        Its trials, and where it is reached.
    """
    routes = [
        *(_route(desk, each, _served(desk, each.view), "GET") for each in GET),
        *(_route(desk, each, _served(desk, each.view), "POST") for each in POST),
        *(_route(desk, each, _streamed(desk, each.view), "POST") for each in STREAMED),
        Route("/files/{name}", _file, methods=["GET"]),
    ]
    inner = Starlette(routes=[Mount(f"/{desk.key}", routes=_ordered(routes))])
    pages: ASGIApp = _WithSheets(inner, desk)
    if desk.devices:
        pages = Paired(pages, desk.key, desk.devices)
    return Guard(pages, hosts_of(desk.host, desk.port))


def _route(desk: Desk, address: Address, inner: _Handler, method: str) -> Route:
    """Return the route of an address; on the desk for phones, closed unless it is open to them."""
    if desk.devices and not address.phones:
        inner = _closed(desk)
    return Route(address.path, inner, methods=[method])


def _closed(desk: Desk) -> _Handler:
    async def refuse(request: Request) -> Response:
        if "text/html" not in request.headers.get("accept", ""):
            return PlainTextResponse(_NOT_HERE, 403)
        return closed(desk)

    return refuse


def _ordered(routes: Sequence[Route]) -> Sequence[Route]:
    """Put addresses without a variable part first."""
    return sorted(routes, key=lambda route: route.path.count("{"))


def _served(desk: Desk, view: View) -> _Handler:
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


def _streamed(desk: Desk, view: StreamedView) -> _Handler:
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
    try:
        text = module(name) if kind and "/" not in name else ""
    except OSError:
        text = ""
    return Response(text, media_type=kind) if text else PlainTextResponse("no such file", 404)


class _WithSheets:
    """Hand what belongs to a contact sheet to it; all else to the desk's own pages."""

    def __init__(self, inner: ASGIApp, desk: Desk) -> None:
        self.inner = inner
        self.desk = desk

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http":
            parts = str(scope["path"]).split("/")
            if parts[1:3] == [self.desk.key, "t"] and parts[4:5] == ["sheet"]:
                app = await run_in_threadpool(self._sheet, parts[3], Request(scope))
                await app(scope, receive, sealed(send, _POLICY))  # a sheet brings its own
                return
        await self.inner(scope, receive, sealed(send, _POLICY))

    def _sheet(self, trial: str, request: Request) -> ASGIApp:
        """Return a trial's sheet; one that was open before the desk was restarted opens again."""
        try:
            return check.opened(self.desk, trial).app
        except CountingError as error:
            return _trouble(self.desk, request, error)
