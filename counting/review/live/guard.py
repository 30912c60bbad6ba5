"""What is refused before it reaches the sheet, and the headers that every reply carries."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any
from urllib.parse import urlsplit

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from counting.review.live.place import Place

__all__ = ["Guard", "hosts_of", "refusal"]

_SEALS = (
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
)
_KINDS = {"application/json": "JSON"}
_NOTHING = b"default-src 'none'; frame-ancestors 'none'"


class Guard:
    """Refuse other host names (DNS rebinding), other origins, other kinds of body.

    Parameters
    ----------
    inner : ASGI application
    place : Place
        Where it is reached.
    policy : str
        The page's Content-Security-Policy; replies that are no page allow nothing.
    """

    def __init__(self, inner: ASGIApp, place: Place, policy: str) -> None:
        self.inner = inner
        self.policy = f"{policy}; frame-ancestors 'none'".encode("ascii")
        self.hosts = hosts_of(place.host, place.port)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:  # noqa: D102
        if scope["type"] != "http":
            await self.inner(scope, receive, send)
            return

        async def sealed(message: Any) -> None:
            if message["type"] == "http.response.start":
                headers = list(message.get("headers", ()))
                page = any(
                    name.lower() == b"content-type" and value.startswith(b"text/html")
                    for name, value in headers
                )
                policy = (b"content-security-policy", self.policy if page else _NOTHING)
                message["headers"] = [*headers, *_SEALS, policy]
            await send(message)

        refused = refusal(Request(scope), self.hosts, _KINDS)
        await (refused or self.inner)(scope, receive, sealed)


def hosts_of(host: str, port: int) -> set[str]:
    """Return the names, with the port, by which a server on this machine may be asked."""
    names = {host} | ({"localhost"} if host == "127.0.0.1" else set())
    return {f"{name}:{port}" for name in names}


def refusal(request: Request, hosts: Collection[str], kinds: Mapping[str, str]) -> Response | None:
    """Return the reply that refuses a request, or None where it may go on.

    Parameters
    ----------
    request : Request
    hosts : collection of str
        As `hosts_of` returns them.
    kinds : mapping of str to str
        Kinds of body that may be posted, each with how it is called.
    """
    host = request.headers.get("host", "")
    if host not in hosts:
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
        if kind not in kinds:
            return PlainTextResponse(f"{' or '.join(kinds.values())} is wanted", 415)
    return None
