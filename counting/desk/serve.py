"""Start the desk on this machine, let phones in beside it, and open the browser."""

from __future__ import annotations

import secrets
import socket
import webbrowser
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from threading import Lock, Thread
from typing import TYPE_CHECKING

from counting.errors import CountingError
from counting.files import write_text
from counting.review.live.devices import Devices
from counting.review.live.place import local_address

if TYPE_CHECKING:
    from counting.desk.desk import Desk

__all__ = ["Door", "desk_at", "door", "let_phones_in", "open_desk", "phone_door"]

_DEVICES = "devices.json"
_PORT = "port"
_LETTING = Lock()


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
    devices : Devices, optional
        The devices that paired; None where only this machine can ask.
    """

    host: str
    listener: socket.socket
    key: str
    devices: Devices | None = None

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


def phone_door(folder: Path, port: int = 0) -> Door:
    """Return a door on the local network; link and port stay the same from day to day.

    Parameters
    ----------
    folder : Path
        Holds the token, the devices that paired and the port.
    port : int
        0 takes the last one again, or any free one.

    Raises
    ------
    CountingError
        If this machine is on no network, the port is taken, or the file of devices is damaged.
    """
    host = local_address()
    devices = Devices(folder / _DEVICES)
    held = folder / _PORT
    last = held.read_text(encoding="utf-8").strip() if held.is_file() else ""
    try:
        found = door(host, port or (int(last) if last.isdecimal() else 0))
    except (CountingError, OverflowError):
        if port:
            raise
        found = door(host, 0)  # another desk has it: a phone scans the new code
    write_text(held, f"{found.port}\n", replace=True)
    return Door(host, found.listener, devices.token, devices)


def desk_at(directory: Path | None, where: Door) -> Desk:
    """Return the desk of a trial, of a folder of trials, or (None) of the usual folder."""
    from counting.desk.desk import Desk
    from counting.desk.shelf import Shelf

    return Desk(Shelf.of(directory), where.host, where.port, where.key, devices=where.devices)


def let_phones_in(desk: Desk, port: int = 0) -> Desk:
    """Open the desk to phones on this network; they find the same trials and the same work.

    Parameters
    ----------
    desk : Desk
        This machine's own; it stays as it is.
    port : int
        0 takes the last one again, or any free one.

    Returns
    -------
    Desk
        The phones'.

    Raises
    ------
    CountingError
        As `phone_door`.
    """
    from counting.desk.desk import Desk

    with _LETTING:
        if desk.phones is None:
            where = phone_door(desk.shelf.own, port)
            desk.phones = Desk(
                desk.shelf,
                where.host,
                where.port,
                where.key,
                work=desk.work,
                refused=desk.refused,
                devices=where.devices,
            )
            serving = (desk.phones, where.listener)
            Thread(target=_serve, args=serving, daemon=True).start()
        return desk.phones


def open_desk(
    directory: Path | None,
    where: Door,
    *,
    browser: bool,
    ready: Callable[[Desk], None],
    lan: int | None = None,
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
        Is told the desk; with `lan` its `phones` are let in by then.
    lan : int, optional
        Let phones in by this port, 0 any; None lets nobody in.

    Raises
    ------
    CountingError
        As `phone_door`.
    """
    with where.listener:
        desk = desk_at(directory, where)
        if lan is not None:
            let_phones_in(desk, lan)
        ready(desk)
        if browser:
            webbrowser.open(where.address)
        with suppress(KeyboardInterrupt):  # that is how it is ended
            _serve(desk, where.listener)


def _serve(desk: Desk, listener: socket.socket) -> None:
    # the rooms load slowly, so the link comes first
    import uvicorn

    from counting.desk.app import desk_app
    from counting.review.live.serve import settings

    uvicorn.Server(settings(desk_app(desk))).run(sockets=[listener])
