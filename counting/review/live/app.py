"""What the served sheet gives and takes."""

from __future__ import annotations

import asyncio
import base64
import io
import os
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from threading import BoundedSemaphore, Lock
from typing import Any

import qrcode
from qrcode.image.svg import SvgPathImage
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import (
    HTMLResponse,
    JSONResponse,
    PlainTextResponse,
    RedirectResponse,
    Response,
)
from starlette.routing import BaseRoute, Mount, Route
from starlette.types import ASGIApp

from counting.errors import CorrectionsError, CountingError
from counting.ledger.facts import answers
from counting.plan.trial import Trial
from counting.review.build import page, page_policy
from counting.review.document import as_saved
from counting.review.frames import Frame, ordered
from counting.review.live.batch import LARGEST_SAVE, Desk, NotWritten, read_batch
from counting.review.live.devices import COOKIE, COOKIE_S, Devices
from counting.review.live.guard import Guard
from counting.review.live.place import Place, address
from counting.review.prints import Prints, prints_of
from counting.review.sheet import SheetOptions, chosen_frames, record, seed_of, sheet_data
from counting.text import plain_name

__all__ = ["BODY_S", "app"]

BODY_S = 30.0
"""Time for a body; the largest takes 12 s at 1 Mbit/s."""
_BODIES = 8
"""Bodies read at a time, together 12 MB; further ones wait their turn in the network."""
_KEPT_PRINTS = 400
"""Prints kept in memory, at most 48 MB."""
_GONE = 499
"""Nobody reads it: the other side has hung up."""


@dataclass(slots=True)
class _Served:
    """What the handlers share."""

    trial: Trial
    place: Place
    frames: dict[str, Frame]
    page: str
    blind: bool
    desk: Desk
    devices: Devices | None
    made: OrderedDict[str, Prints] = field(default_factory=OrderedDict)
    making: Lock = field(default_factory=Lock)
    makers: BoundedSemaphore = field(
        default_factory=lambda: BoundedSemaphore((os.cpu_count() or 1) + 1)
    )
    reading: asyncio.Semaphore = field(default_factory=lambda: asyncio.Semaphore(_BODIES))

    def prints_of(self, frame: Frame) -> Prints:
        """Return a photo's prints, made when first asked for."""
        with self.makers:
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

    def owner(self, request: Request) -> str:
        """Return to whom the asking device belongs; empty for one that has not paired."""
        if self.devices is None:
            return "this machine"
        return self.devices.owner(request.cookies.get(COOKIE, ""))

    def refusal(self, owner: str, name: str) -> str:
        """Return why this owner may not answer in a name; empty if they may."""
        if self.devices is None:
            return ""
        return self.devices.refusal(owner, name, answered=bool(_standing(self, name)))


def app(
    trial: Trial,
    place: Place,
    options: SheetOptions | None = None,
    devices: Devices | None = None,
    home: str = "",
) -> ASGIApp:
    """Return the server's application.

    Parameters
    ----------
    trial : Trial
        The trial whose photos are reviewed.
    place : Place
        Where it will be reached; other host names, origins and paths are refused.
    options : SheetOptions, optional
        Which photos, blind or open, in which order.
    devices : Devices, optional
        Let in only devices that paired; None lets in whoever reaches the place.
    home : str
        Path of the page from which the sheet was opened; empty for none.

    Raises
    ------
    CountingError
        If no photo fits the options.
    """
    options = options or SheetOptions()
    listed = ordered(chosen_frames(trial, options), seed_of(trial, options))
    data = sheet_data(trial, options, listed)
    record(trial, data, "")
    data["live"] = {"base": place.base, "pairs": devices is not None, "home": home}
    served = _Served(
        trial=trial,
        place=place,
        frames={frame.photo: frame for frame in listed},
        page="".join(page(data, live=True)),
        blind=options.blind,
        desk=Desk(trial),
        devices=devices,
    )
    routes: Sequence[BaseRoute] = _routes(served)
    inner = Starlette(
        routes=[Mount(place.base.rstrip("/"), routes=routes)] if place.token else routes
    )
    return Guard(inner, place, page_policy(live=True))


_Handler = Callable[[Request], Awaitable[Response]]


def _routes(served: _Served) -> Sequence[Route]:
    """Return the few addresses there are."""

    async def sheet(request: Request) -> Response:
        if served.owner(request):
            return HTMLResponse(served.page)
        return await run_in_threadpool(_pair, served, request)

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
        reason = await run_in_threadpool(served.refusal, served.owner(request), reviewer)
        if reason:
            return PlainTextResponse(reason, 409)
        return JSONResponse({"photos": await run_in_threadpool(_standing, served, reviewer)})

    async def save(request: Request) -> Response:
        async with served.reading:
            body = await _limited(request)
        if isinstance(body, Response):
            return body
        owner = served.owner(request)
        try:
            device, sent = read_batch(body)
            reply = await run_in_threadpool(
                served.desk.take, device, sent, lambda name: served.refusal(owner, name)
            )
        except CorrectionsError as error:
            return PlainTextResponse(str(error), 400)
        except NotWritten as error:
            # 507: no room is left; 503: try again later (RFC 4918 11.5, RFC 9110 15.6.4)
            return JSONResponse(error.reply, 507 if error.full else 503)
        return JSONResponse(reply)

    async def hand_over(request: Request) -> Response:
        if served.devices is None:
            return PlainTextResponse("nothing to pair with", 404)
        where = f"{address(served.place)}?with={served.devices.code(served.owner(request))}"
        return JSONResponse({"address": where, "code": await run_in_threadpool(_picture, where)})

    return [
        Route("/", sheet),
        Route("/mine", _paired(served, mine)),
        Route("/save", _paired(served, save), methods=["POST"]),
        Route("/hand-over", _paired(served, hand_over), methods=["POST"]),
        Route("/{kind}/{photo}.jpg", _paired(served, picture)),
    ]


def _paired(served: _Served, inner: _Handler) -> _Handler:
    """Let a handler answer devices that paired, and nobody else."""

    async def handler(request: Request) -> Response:
        if not served.owner(request):
            return PlainTextResponse("this device has not paired: scan the code again", 401)
        return await inner(request)

    return handler


def _pair(served: _Served, request: Request) -> Response:
    """Give a new device its key; the token in the address has let it come this far."""
    if served.devices is None:  # who reaches the place is let in
        return HTMLResponse(served.page)
    try:
        key = served.devices.pair(request.query_params.get("with", ""))
    except CountingError as error:
        return PlainTextResponse(error.found, 403)
    reply = RedirectResponse(served.place.base, 303)
    reply.set_cookie(
        COOKIE,
        key,
        max_age=COOKIE_S,
        path=served.place.base,
        secure=served.place.secure,
        httponly=True,
        samesite="lax",
    )
    return reply


def _standing(served: _Served, reviewer: str) -> list[dict[str, Any]]:
    """Return a reviewer's answers for the photos of this sheet, as a corrections file has them."""
    try:
        known = plain_name(reviewer)
    except ValueError:  # nobody is called so
        return []
    with served.trial.ledger() as ledger:
        return [
            as_saved(each)
            for each in answers(ledger)
            if each.reviewer == known and each.photo in served.frames
        ]


async def _limited(request: Request) -> bytes | Response:
    """Read a body, or say why not: too large, too slow, or nobody there any more."""
    declared = request.headers.get("content-length", "0")
    if not declared.isdecimal() or int(declared) > LARGEST_SAVE:
        return PlainTextResponse("too large", 413)
    body = bytearray()
    try:
        async with asyncio.timeout(BODY_S):
            async for piece in request.stream():
                body += piece
                if len(body) > LARGEST_SAVE:
                    return PlainTextResponse("too large", 413)
    except TimeoutError:
        return PlainTextResponse("too slow", 408, {"Connection": "close"})
    except ClientDisconnect:
        return Response(status_code=_GONE)
    return bytes(body)


def _picture(text: str) -> str:
    """Return a QR code as the address of an SVG picture."""
    stream = io.BytesIO()
    qrcode.make(text, image_factory=SvgPathImage, border=2).save(stream)
    return f"data:image/svg+xml;base64,{base64.b64encode(stream.getvalue()).decode('ascii')}"
