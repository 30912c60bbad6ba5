"""The contact sheet from a small server of one's own: each answer is in the ledger at once."""

from __future__ import annotations

import secrets
import socket
from collections import OrderedDict
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from threading import Lock
from typing import Any
from urllib.parse import urlsplit

import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.types import ASGIApp, Receive, Scope, Send

from counting.errors import CorrectionsError, CountingError
from counting.plan.trial import Trial
from counting.review.build import page
from counting.review.corrections import take_document
from counting.review.document import parse
from counting.review.frames import Frame, ordered
from counting.review.pace import caution
from counting.review.prints import Prints, prints_of
from counting.review.sheet import SheetOptions, chosen_frames, record, seed_of, sheet_data

__all__ = ["LARGEST_SAVE", "Place", "address", "app", "local_address", "serve", "token"]

LARGEST_SAVE = 4_000_000
"""Bytes of one save: the photos of one plant, far below this."""
_KEPT_PRINTS = 400
"""Prints kept in memory, at most 48 MB."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where the sheet is served.

    Attributes
    ----------
    host : str
        ``127.0.0.1``, or this machine's address on the local network.
    port : int
        The port.
    token : str
        Part of the address that must be known; empty where only this machine can ask.
    """

    host: str
    port: int
    token: str = ""

    @property
    def base(self) -> str:
        """Path under which everything lies."""
        return f"/{self.token}/" if self.token else "/"


def address(place: Place) -> str:
    """Return the address to open in a browser."""
    return f"http://{place.host}:{place.port}{place.base}"


def token() -> str:
    """Return a new random token of 128 bits."""
    return secrets.token_urlsafe(16)


def local_address() -> str:
    """Return this machine's address on the local network.

    Raises
    ------
    CountingError
        If it is on none.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            # no packet leaves: connecting a datagram socket only picks the outgoing address
            probe.connect(("192.0.2.1", 9))
            return str(probe.getsockname()[0])
        except OSError as error:
            where, found = "--lan", "this machine is on no network"
            mend = "join a network, or leave --lan out"
            raise CountingError(where, found, mend=mend) from error


@dataclass(slots=True)
class _Served:
    """What the handlers share."""

    trial: Trial
    frames: dict[str, Frame]
    page: str
    sheet: str
    blind: bool
    writing: Lock = field(default_factory=Lock)
    made: OrderedDict[str, Prints] = field(default_factory=OrderedDict)
    making: Lock = field(default_factory=Lock)

    def prints_of(self, frame: Frame) -> Prints:
        """Return a photo's prints, made when first asked for."""
        with self.making:
            if frame.photo in self.made:
                self.made.move_to_end(frame.photo)
                return self.made[frame.photo]
        made = prints_of(self.trial, frame, blind=self.blind)
        with self.making:
            self.made[frame.photo] = made
            while len(self.made) > _KEPT_PRINTS:
                self.made.popitem(last=False)
        return made


def app(trial: Trial, place: Place, options: SheetOptions | None = None) -> ASGIApp:
    """Return the server's application.

    Parameters
    ----------
    trial : Trial
        The trial whose photos are reviewed.
    place : Place
        Where it will be reached; other host names, origins and paths are refused.
    options : SheetOptions, optional
        Which photos, blind or open, in which order.

    Raises
    ------
    CountingError
        If no photo fits the options.
    """
    options = options or SheetOptions()
    listed = ordered(chosen_frames(trial, options), seed_of(trial, options))
    data = sheet_data(trial, options, listed)
    record(trial, data, "")
    data["live"] = {"base": place.base}
    served = _Served(
        trial=trial,
        frames={frame.photo: frame for frame in listed},
        page="".join(page(data, live=True)),
        sheet=data["sheet"],
        blind=options.blind,
    )
    routes: Sequence[BaseRoute] = _routes(served)
    inner = Starlette(
        routes=[Mount(place.base.rstrip("/"), routes=routes)] if place.token else routes
    )
    return _Guard(inner, place)


def _routes(served: _Served) -> Sequence[Route]:
    """Return the few addresses there are."""

    async def sheet(_: Request) -> Response:
        return HTMLResponse(served.page)

    async def picture(request: Request) -> Response:
        frame = served.frames.get(request.path_params["photo"])
        if frame is None:
            return PlainTextResponse("no such photo", 404)
        made = await run_in_threadpool(served.prints_of, frame)
        small = request.path_params["kind"] == "grid"
        headers = {"Cache-Control": "private, max-age=86400, immutable"}
        return Response(made.grid if small else made.review, 200, headers, "image/jpeg")

    async def mine(request: Request) -> Response:
        reviewer = request.query_params.get("reviewer", "")
        return JSONResponse({"photos": await run_in_threadpool(_standing, served, reviewer)})

    async def save(request: Request) -> Response:
        body = await _limited(request)
        if body is None:
            return PlainTextResponse("too large", 413)
        try:
            new = await run_in_threadpool(_save, served, body)
        except CorrectionsError as error:
            return PlainTextResponse(error.found, 409)
        except CountingError as error:
            return PlainTextResponse(str(error), 500)
        return JSONResponse({"new": new})

    return [
        Route("/", sheet),
        Route("/mine", mine),
        Route("/save", save, methods=["POST"]),
        Route("/{kind}/{photo}.jpg", picture),
    ]


def _save(served: _Served, body: bytes) -> int:
    """Write one save into the ledger; one at a time, so that "newer" is judged on what stands."""
    where = "the answer"
    document = parse(body, where)
    if document.sheet != served.sheet:
        raise CorrectionsError(where, "for another sheet", mend="load the page again")
    with served.writing:
        # the originals were hashed at intake; hashing them at each tap would make a phone wait
        return take_document(served.trial, document, where, check_files=False)


def _standing(served: _Served, reviewer: str) -> list[dict[str, Any]]:
    """Return a reviewer's answers for the photos of this sheet, as a corrections file has them."""
    with served.trial.ledger() as ledger:
        bodies = [
            entry.body
            for entry in ledger.standing("confirmation")
            if entry.body["reviewer"] == reviewer and entry.body["photo"] in served.frames
        ]
    return [
        {name: value for name, value in body.items() if name not in {"sheet", "reviewer"}}
        for body in bodies
    ]


async def _limited(request: Request) -> bytes | None:
    """Read a body, or None as soon as it grows too large."""
    declared = request.headers.get("content-length", "0")
    if not declared.isdecimal() or int(declared) > LARGEST_SAVE:
        return None
    body = bytearray()
    async for piece in request.stream():
        body += piece
        if len(body) > LARGEST_SAVE:
            return None
    return bytes(body)


class _Guard:
    """Refuse other host names (DNS rebinding), other origins, other kinds of body."""

    def __init__(self, inner: ASGIApp, place: Place) -> None:
        self.inner = inner
        names = {place.host} | ({"localhost"} if place.host == "127.0.0.1" else set())
        self.hosts = {f"{name}:{place.port}" for name in names}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.inner(scope, receive, send)
            return
        refusal = self._refusal(Request(scope))
        if refusal:
            await refusal(scope, receive, send)
            return

        async def sealed(message: Any) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", ()), *_SEALS]
            await send(message)

        await self.inner(scope, receive, sealed)

    def _refusal(self, request: Request) -> Response | None:
        host = request.headers.get("host", "")
        if host not in self.hosts:
            return PlainTextResponse("unknown host", 400)
        origin = request.headers.get("origin")
        if origin is not None and urlsplit(origin).netloc != host:
            return PlainTextResponse("foreign origin", 403)
        if request.headers.get("sec-fetch-site", "none") in {"cross-site", "same-site"}:
            site_may_link = request.method == "GET" and (
                request.headers.get("sec-fetch-mode") == "navigate"
            )
            if not site_may_link:
                return PlainTextResponse("foreign origin", 403)
        if request.method == "POST":
            kind = request.headers.get("content-type", "").partition(";")[0].strip()
            if kind != "application/json":
                return PlainTextResponse("JSON is wanted", 415)
        return None


_SEALS = (
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
)


def serve(trial: Trial, place: Place, options: SheetOptions | None = None) -> str:
    """Serve the sheet until stopped with Ctrl C.

    Returns
    -------
    str
        A caution where answers were given faster than a person can look, else nothing.

    Raises
    ------
    CountingError
        If no photo fits the options, or the port is taken.
    """
    application = app(trial, place, options)
    with trial.ledger() as ledger:
        before = max(ledger.numbers(), default=0)
    try:
        listener = socket.create_server((place.host, place.port))
    except OSError as error:
        where, found = f"{place.host}:{place.port}", f"could not listen ({error.strerror})"
        raise CountingError(where, found, mend="name another --port") from error
    with listener:
        settings = uvicorn.Config(
            application, log_level="warning", access_log=False, server_header=False
        )
        with suppress(KeyboardInterrupt):  # that is how it is ended
            uvicorn.Server(settings).run(sockets=[listener])
    with trial.ledger() as ledger:
        return caution(e.body for e in ledger.standing("confirmation") if e.seq > before)
