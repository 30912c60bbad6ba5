"""Start the desk on this machine and open the browser."""

from __future__ import annotations

import secrets
import socket
import webbrowser
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import uvicorn

from counting.desk.app import desk_app
from counting.desk.desk import Desk
from counting.desk.shelf import Shelf
from counting.errors import CountingError

__all__ = ["open_desk", "prepared"]


def prepared(directory: Path | None, host: str, port: int) -> tuple[Desk, socket.socket]:
    """Return a desk and the socket on which it listens.

    Parameters
    ----------
    directory : Path or None
        A trial, a folder of trials, or None for the usual one.
    host : str
        ``127.0.0.1``, or this machine's address on the local network.
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
    key = secrets.token_urlsafe(12)
    return Desk(Shelf.of(directory), host, listener.getsockname()[1], key), listener


def open_desk(
    desk: Desk, listener: socket.socket, *, browser: bool, ready: Callable[[str], None]
) -> None:
    """Serve the desk until it is stopped with Ctrl C.

    Parameters
    ----------
    desk : Desk
    listener : socket
        Closed at the end.
    browser : bool
        Open the pages in this machine's browser.
    ready : callable
        Is told the link once the desk can be reached.
    """
    settings = uvicorn.Config(
        desk_app(desk),
        log_level="warning",
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=3,
    )
    with listener:
        ready(desk.address)
        if browser:
            webbrowser.open(desk.address)
        with suppress(KeyboardInterrupt):  # that is how it is ended
            uvicorn.Server(settings).run(sockets=[listener])
