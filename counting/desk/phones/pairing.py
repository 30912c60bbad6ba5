"""Which devices the desk lets in over the network: each pairs once, with a key of its own."""

from __future__ import annotations

from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from counting.errors import CountingError
from counting.review.live.devices import COOKIE, COOKIE_S, Devices

__all__ = ["Paired"]


class Paired:
    """Let devices that paired in; one that comes by the link for the first time pairs.

    Parameters
    ----------
    inner : ASGI application
        What they come to.
    key : str
        Part of every address: it lets a new device pair.
    devices : Devices
        Those that paired.
    """

    def __init__(self, inner: ASGIApp, key: str, devices: Devices) -> None:
        self.inner = inner
        self.base = f"/{key}/"
        self.devices = devices

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or say that the device has not paired."""
        if scope["type"] == "http" and str(scope["path"]).startswith(self.base):
            request = Request(scope)
            if not self.devices.owner(request.cookies.get(COOKIE, "")):
                await self._meet(request)(scope, receive, send)
                return
        await self.inner(scope, receive, send)

    def _meet(self, request: Request) -> Response:
        """Give a new device its key, and send it where it meant to go."""
        if request.method != "GET":
            return PlainTextResponse("this device has not paired: scan the code again", 401)
        query = dict(request.query_params)
        try:
            key = self.devices.pair(query.pop("with", ""))
        except CountingError as error:
            return PlainTextResponse(error.found, 403)
        there = request.url.path + (f"?{urlencode(query)}" if query else "")
        reply = RedirectResponse(there, 303)
        reply.set_cookie(
            COOKIE, key, max_age=COOKIE_S, path=self.base, httponly=True, samesite="lax"
        )
        return reply
