"""Serve the sheet until it is stopped."""

from __future__ import annotations

import socket
from contextlib import suppress

import uvicorn

from counting.errors import CountingError
from counting.ledger.facts import answers
from counting.plan.trial import Trial
from counting.review.live.app import app
from counting.review.live.bounds import Bounded
from counting.review.live.certificate import Certificate
from counting.review.live.devices import Devices
from counting.review.live.place import Place
from counting.review.pace import caution
from counting.review.sheet import SheetOptions

__all__ = ["OWN_FOLDER", "devices_of", "serve", "settings"]

OWN_FOLDER = ".review"
"""Folder in the trial's own that holds the token, paired devices and the certificate."""
_IDLE_S = 15
"""How long a browser may keep a connection open between two requests."""


def devices_of(trial: Trial) -> Devices:
    """Return the devices that paired with a trial; its token stays the same from day to day.

    Raises
    ------
    CountingError
        If their file cannot be used.
    """
    return Devices(trial.directory / OWN_FOLDER / "devices.json")


def settings(application: object, secured: Certificate | None = None) -> uvicorn.Config:
    """Return how an application of the live sheet is served: with bounds, without a log."""
    return uvicorn.Config(
        application,  # type: ignore[arg-type]
        http=Bounded,
        ws="none",
        lifespan="off",
        log_level="critical",
        access_log=False,
        server_header=False,
        timeout_keep_alive=_IDLE_S,
        timeout_graceful_shutdown=5,
        ssl_certfile=None if secured is None else str(secured.chain),
        ssl_keyfile=None if secured is None else str(secured.key),
    )


def serve(
    trial: Trial,
    place: Place,
    options: SheetOptions | None = None,
    *,
    devices: Devices | None = None,
    secured: Certificate | None = None,
) -> str:
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
    application = app(trial, place, options, devices)
    with trial.ledger() as ledger:
        before, _ = ledger.head()
    try:
        listener = socket.create_server((place.host, place.port))
    except OSError as error:
        where, found = f"{place.host}:{place.port}", f"could not listen ({error.strerror})"
        raise CountingError(where, found, mend="name another --port") from error
    with listener, suppress(KeyboardInterrupt):  # that is how it is ended
        uvicorn.Server(settings(application, secured)).run(sockets=[listener])
    with trial.ledger() as ledger:
        return caution(answers(ledger, after=before))
