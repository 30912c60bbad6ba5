"""Who may ask: this machine's own pages, by a link that only whoever started the desk knows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from starlette.requests import Request
from starlette.types import ASGIApp, Receive, Scope, Send

from counting.review.live.guard import refusal

__all__ = ["Guard", "sealed"]

_KINDS = {
    "application/x-www-form-urlencoded": "a form",
    "application/json": "JSON",
    "application/octet-stream": "a file",
}


class Guard:
    """Refuse other host names (DNS rebinding), other origins and other kinds of body.

    Parameters
    ----------
    inner : ASGI application
        What is guarded.
    hosts : set of str
        Host names with port by which this server is reached.
    """

    def __init__(self, inner: ASGIApp, hosts: set[str]) -> None:
        self.inner = inner
        self.hosts = hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or refuse it."""
        if scope["type"] != "http":
            await self.inner(scope, receive, send)
            return
        refused = refusal(Request(scope), self.hosts, _KINDS)
        if refused:
            await refused(scope, receive, send)
            return

        await self.inner(scope, receive, sealed(send, _SEALS))


def sealed(send: Send, headers: Sequence[tuple[bytes, bytes]]) -> Send:
    """Return a sender that adds headers to an answer where the answer doesn't carry its own."""

    async def seal(message: Any) -> None:
        if message["type"] == "http.response.start":
            held = {name.lower() for name, _ in message.get("headers", ())}
            added = [pair for pair in headers if pair[0] not in held]
            message["headers"] = [*message.get("headers", ()), *added]
        await send(message)

    return seal


_SEALS = (
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"SAMEORIGIN"),
    # with "no-referrer" a browser sends a form of ours with the origin "null"
    (b"referrer-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cache-control", b"no-store"),
)
