"""Start the desk on this machine and open the browser."""

from __future__ import annotations

import secrets
import socket
import webbrowser
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from counting.errors import CountingError

if TYPE_CHECKING:
    from counting.desk.desk import Desk

__all__ = ["Door", "desk_at", "door", "open_desk"]


@dataclass(frozen=True, slots=True)
class Door:
    """Where the desk is reached.

    Attributes
    ----------
    host : str
        ``127.0.0.1``, or this machine's address on the local network.
    listener : socket
        It listens there already: who comes before the desk is ready waits for it.
    key : str
        Part of every address, known only to whoever has the link.
    """

    host: str
    listener: socket.socket
    key: str

    @property
    def port(self) -> int:
        """The port it listens on."""
        return int(self.listener.getsockname()[1])

    @property
    def address(self) -> str:
        """The link that opens the desk."""
        return f"http://{self.host}:{self.port}/{self.key}/"


def door(host: str, port: int) -> Door:
    """Return a door that listens.

    Parameters
    ----------
    host : str
    port : int
        0 takes any free one.

    Raises
    ------
    CountingError
        If the port is taken.
    """
    try:
        listener = socket.create_server((host, port))
    except OSError as error:
        where, found = f"{host}:{port}", f"could not listen ({error.strerror})"
        raise CountingError(where, found, mend="name another --port") from error
    return Door(host, listener, secrets.token_urlsafe(12))


def desk_at(directory: Path | None, where: Door) -> Desk:
    """Return the desk of a trial, of a folder of trials, or (None) of the usual folder."""
    from counting.desk.desk import Desk
    from counting.desk.shelf import Shelf

    return Desk(Shelf.of(directory), where.host, where.port, where.key)


def open_desk(
    directory: Path | None, where: Door, *, browser: bool, ready: Callable[[str], None]
) -> None:
    """Serve the desk until it is stopped with Ctrl C.

    Parameters
    ----------
    directory : Path or None
        A trial, a folder of trials, or None for the usual folder.
    where : Door
        Closed at the end.
    browser : bool
        Open the pages in this machine's browser.
    ready : callable
        Is told the link.
    """
    with where.listener:
        ready(where.address)
        if browser:
            webbrowser.open(where.address)
        # the rooms load slowly, so the link comes first
        import uvicorn

        from counting.desk.app import desk_app

        settings = uvicorn.Config(
            desk_app(desk_at(directory, where)),
            log_level="warning",
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=3,
        )
        with suppress(KeyboardInterrupt):  # that is how it is ended
            uvicorn.Server(settings).run(sockets=[where.listener])
