"""Bounds on connections: how many, and how long one may take to say what it wants."""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

__all__ = ["HEAD_S", "MOST_CONNECTIONS", "MOST_OF_ONE", "Bounded"]

MOST_CONNECTIONS = 240
"""A browser holds six to a server (common practice): forty devices at once."""
MOST_OF_ONE = 48
"""Connections of one address: several browsers of one machine, or phones behind one router."""
HEAD_S = 10.0
"""Time for a request's first lines; a phone at the far end of a field needs one or two."""


class Bounded(H11Protocol):
    """The server's protocol; a connection too many, or one that dawdles, is cut."""

    _late: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        """Take a connection in, or cut it."""
        super().connection_made(transport)
        held = [each for each in self.connections if isinstance(each, Bounded)]
        same = sum(each.client is not None and each.client[:1] == _of(self) for each in held)
        if len(held) > MOST_CONNECTIONS or same > MOST_OF_ONE:
            transport.abort()
            return
        self._wait()

    def data_received(self, data: bytes) -> None:
        """Go on; the time for the first lines runs while none are whole."""
        super().data_received(data)
        if self.cycle is not None and not self.cycle.response_complete:
            self._told()
        else:
            self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the time."""
        self._told()
        super().connection_lost(exc)

    def _wait(self) -> None:
        if self._late is None and not self.transport.is_closing():
            self._late = self.loop.call_later(HEAD_S, self._cut)

    def _told(self) -> None:
        if self._late is not None:
            self._late.cancel()
            self._late = None

    def _cut(self) -> None:
        self._late = None
        if self.cycle is None or self.cycle.response_complete:
            self.transport.abort()


def _of(protocol: Bounded) -> Any:
    return None if protocol.client is None else protocol.client[:1]
