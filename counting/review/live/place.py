"""Where the sheet is served, and the address to open it by."""

from __future__ import annotations

import secrets
import socket
from dataclasses import dataclass

from counting.errors import CountingError

__all__ = ["Place", "address", "local_address", "token"]


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
    secure : bool
        Whether it is served by https.
    """

    host: str
    port: int
    token: str = ""
    secure: bool = False

    @property
    def base(self) -> str:
        """Path under which everything lies."""
        return f"/{self.token}/" if self.token else "/"


def address(place: Place) -> str:
    """Return the address to open in a browser."""
    return f"http{'s' if place.secure else ''}://{place.host}:{place.port}{place.base}"


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
