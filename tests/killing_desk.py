"""The live sheet and the desk killed while a browser answers; its record held against the ledger.

The server is a process of its own, forked with everything loaded, and is killed without warning.
The browser's record is what the page told its person: each acknowledgement that came, and whether
it said "Saved". After every kill the ledger must hold all that was acknowledged and, where the page
says "Saved", every answer given; at the end all that was ever answered, once.
"""

from __future__ import annotations

import json
import random
import secrets
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Literal

import uvicorn
from killing import started

from counting.desk.app import desk_app
from counting.desk.serve import Door, desk_at
from counting.ledger import Ledger, verify
from counting.ledger.facts import all_answers
from counting.plan.trial import load_trial
from counting.review.live import Place, address, app
from counting.review.live.serve import devices_of, settings

__all__ = ["Kind", "Record", "killed"]

Kind = Literal["live sheet", "desk"]
_MODULES = ["counting.desk.app", "counting.review.live", "counting.finding.propose", "uvicorn"]
_LONGEST_S = 60.0


def _served(kind: Kind, trial: Path, port: int, telling: Connection) -> None:
    """Serve until killed; tell the link."""
    listener = socket.create_server(("127.0.0.1", port))
    if kind == "desk":
        where = Door("127.0.0.1", listener, secrets.token_urlsafe(12))
        config = settings(desk_app(desk_at(trial.parent, where)))
        telling.send(where.address)
    else:
        loaded = load_trial(trial)
        devices = devices_of(loaded)
        place = Place("127.0.0.1", port, devices.token)
        config = settings(app(loaded, place, devices=devices))
        telling.send(address(place))
    uvicorn.Server(config).run(sockets=[listener])


@contextmanager
def _server(kind: Kind, trial: Path, port: int) -> Iterator[str]:
    """Run a server in a process of its own, killed at the end; yield its link."""
    process, told = started(_MODULES, _served, kind, trial, port)
    try:
        if not told.poll(_LONGEST_S):
            raise RuntimeError(kind)
        yield told.recv()
    finally:
        process.kill()
        process.join()
        told.close()


@dataclass
class Record:
    """What a browser was told, over all its life.

    Attributes
    ----------
    kills : int
        How often the server was killed.
    given : dict
        Photo and reviewer to the time of the newest answer given on the page.
    acknowledged : set of (str, int)
        Device and number of each answer that the desk acknowledged.
    saved : int
        How often the page said "Saved" at the moment of a kill.
    waiting : int
        How often answers waited at the moment of a kill.
    """

    kills: int = 0
    given: dict[tuple[str, str], str] = field(default_factory=dict)
    acknowledged: set[tuple[str, int]] = field(default_factory=set)
    saved: int = 0
    waiting: int = 0


def killed(browser: Any, kind: Kind, trial: Path, kills: int, device: dict[str, Any]) -> Record:
    """Answer photos while the server is killed at random moments; return the browser's record.

    Parameters
    ----------
    browser : playwright browser
    kind : {"live sheet", "desk"}
    trial : Path
        Its folder, in a folder of its own, with more photos than will be answered.
    kills : int
    device : dict
        As what the browser presents itself.
    """
    rng = random.Random(20260601)
    record = Record()
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    context = browser.new_context(**device)
    context.set_default_timeout(30_000)
    page = context.new_page()
    page.on("response", lambda reply: _heard(reply, record))
    while record.kills < kills:
        with _server(kind, trial, port) as link:
            _opened(page, kind, link)
            until = time.monotonic() + rng.uniform(0.0, 0.9)
            while time.monotonic() < until:
                _answered(page, record)
            if rng.random() < 0.5:  # the other half is killed while answers are under way
                with suppress(Exception):
                    page.wait_for_selector("#pace[data-saved='Saved']", timeout=8_000)
        record.kills += 1
        _held(page, trial, record)
        if rng.random() < 0.5:  # whoever reviews goes on, nobody being there
            _answered(page, record)
            _held(page, trial, record)
    with _server(kind, trial, port) as link:
        _opened(page, kind, link)
        _answered(page, record)
        page.wait_for_selector("#pace[data-saved='Saved']", timeout=60_000)
        _held(page, trial, record)
    context.close()
    _end(trial, record)
    return record


def _opened(page: Any, kind: Kind, link: str) -> None:
    """Go on with the page that is open; the desk's has a new link, so it is opened anew."""
    if kind == "live sheet" and page.url != "about:blank":
        page.evaluate("window.dispatchEvent(new Event('online'))")
        return
    if kind == "desk":
        page.goto(f"{link}t/trial/check")
        page.click("text=Check them now")
    else:
        page.goto(link)
    page.wait_for_selector("html[data-ready=yes]")
    page.click("#begin")
    page.wait_for_selector("#photo:not([hidden]), #who[open]")
    if page.is_visible("#who"):
        page.fill("#name", "Ana")
        page.click("#who button[type=submit]")
    page.wait_for_selector("#photo:not([hidden])")


def _answered(page: Any, record: Record) -> None:
    """Answer the photo on the screen, if its picture has come, and write down what is answered."""
    if not page.is_enabled("#next"):
        page.wait_for_timeout(20)
        return
    page.click("#next")
    kept = page.evaluate("Object.entries(localStorage)")
    for key, text in kept:
        _, _, reviewer, photo = ([*key.split("|"), "", "", "", ""])[:4]
        if len(photo) == 64 and (told := json.loads(text))["answer"]:
            at = record.given.get((photo, reviewer), "")
            record.given[photo, reviewer] = max(at, told["at"])


def _heard(reply: Any, record: Record) -> None:
    """Write down what the desk acknowledged."""
    if not reply.url.endswith("/save") or reply.status != 200:
        return
    try:
        told, sent = reply.json(), json.loads(reply.request.post_data)
    except Exception:  # noqa: BLE001 - the reply broke off: nothing was acknowledged
        return
    record.acknowledged |= {(sent["device"], number) for number in told["taken"]}


def _held(page: Any, trial: Path, record: Record) -> None:
    """Hold the ledger against the browser's record."""
    page.wait_for_timeout(30)  # a reply that came before the kill reaches the page
    says = page.get_attribute("#pace", "data-saved")
    with Ledger(trial) as ledger:
        listed = list(all_answers(ledger))
    written = {(each.device, each.number) for each in listed}
    assert record.acknowledged <= written, record.acknowledged - written
    if says == "Saved":
        record.saved += 1
        newest = {(each.photo, each.reviewer): each.at for each in listed}
        missing = {key for key, at in record.given.items() if newest.get(key) != at}
        assert not missing, missing
    else:
        record.waiting += 1


def _end(trial: Path, record: Record) -> None:
    """All that was answered is there, each once, and the ledger is whole."""
    with Ledger(trial) as ledger:
        listed = list(all_answers(ledger))
    numbers = [(each.device, each.number) for each in listed]
    assert len(set(numbers)) == len(numbers)
    newest = {(each.photo, each.reviewer): each.at for each in listed}
    assert newest == record.given
    assert verify(trial).faults == ()
