"""What all pages share: the shelf of trials, the work behind them, how a page is written."""

from __future__ import annotations

import shlex
from asyncio import Semaphore
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, FunctionLoader, StrictUndefined
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.types import ASGIApp

from counting.desk.shelf import Shelf
from counting.desk.spoken import spoken
from counting.desk.work import Piece, Work
from counting.plan.trial import Trial
from counting.report.report import unbroken
from counting.report.season import Season, season
from counting.review.live.devices import Devices

__all__ = ["Desk", "Sheet"]

_FORMS = 8
"""Forms read at a time, together 16 MB; further ones wait their turn in the network."""
_TABLES = 4
"""Dropped tables read at a time, together 80 MB."""
_PIECES = 16
"""Pieces of photos read at a time, together 4 MB."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """A contact sheet served inside the desk.

    Attributes
    ----------
    app : ASGI application
        The live sheet.
    photos : int
        Photos on it.
    """

    app: ASGIApp
    photos: int


@dataclass(slots=True)
class Desk:
    """The desk of one run.

    Attributes
    ----------
    shelf : Shelf
        Its trials.
    host : str
        Name or address under which it is reached.
    port : int
    key : str
        Part of every address, known only to whoever has the link.
    work : Work
        What is under way behind the pages.
    refused : mapping
        Trial to file to the reason for which a photo that waits found no plant.
    devices : Devices, optional
        The devices that paired with it; None where only this machine can ask.
    phones : Desk, optional
        The same desk for phones, once they are let in.
    reading, tables, pieces : Semaphore
        Bound how many forms, dropped tables and pieces of photos are held in memory at a time.
    """

    shelf: Shelf
    host: str
    port: int
    key: str
    work: Work = field(default_factory=Work)
    refused: dict[str, dict[str, str]] = field(default_factory=dict)
    devices: Devices | None = None
    phones: Desk | None = None
    sheets: dict[str, Sheet] = field(default_factory=dict)
    reading: Semaphore = field(default_factory=lambda: Semaphore(_FORMS))
    tables: Semaphore = field(default_factory=lambda: Semaphore(_TABLES))
    pieces: Semaphore = field(default_factory=lambda: Semaphore(_PIECES))

    @property
    def base(self) -> str:
        """Path under which everything lies."""
        return f"/{self.key}/"

    @property
    def for_phones(self) -> Desk | None:
        """The desk that phones reach: this one, the one beside it, or none."""
        return self if self.devices else self.phones

    def link(self, *parts: str) -> str:
        """Return the whole address of a page."""
        return f"http://{self.host}:{self.port}{self.to(*parts)}"

    def to(self, *parts: str) -> str:
        """Return the path of a page."""
        return self.base + "/".join(parts)

    def trial(self, name: str) -> Trial:
        """Load a trial; see `Shelf.trial`."""
        return self.shelf.trial(name)

    def page(self, name: str, *, status: int = 200, **shown: Any) -> Response:
        """Write a page of no trial."""
        text = _pages().get_template(name).render(**{"base": self.base, "command": "", **shown})
        return HTMLResponse(text, status)

    def trial_page(
        self, name: str, trial: Trial, *, here: str, status: int = 200, **shown: Any
    ) -> Response:
        """Write a page of a trial, with the line of its season above it.

        Parameters
        ----------
        name : str
            The template.
        trial : Trial
        here : str
            Which step of the season the page belongs to; empty for none.
        **shown
            What the template shows; `command` is what would do the same on the command line.
        """
        text = _pages().get_template(name)
        shown = {"command": "", "fault": "", "said": (), **shown}
        shown["fault"] = spoken(shown["fault"])
        shown["said"] = [spoken(line) for line in shown["said"]]
        piece = self.work.of(trial.directory.name)
        content = text.render(
            base=self.base,
            trial=trial,
            name=trial.directory.name,
            home=self.to("t", trial.directory.name),
            season=self.season(trial),
            phones=self.for_phones is not None,
            here=here,
            folder=shlex.quote(str(trial.directory)),
            piece=_told(piece, here, busy=bool(shown.get("busy"))),
            **shown,
        )
        return HTMLResponse(content, status)

    @staticmethod
    def season(trial: Trial) -> Season:
        """Return where a trial stands."""
        with trial.ledger() as ledger:
            return season(trial, ledger)

    def go(self, *parts: str) -> Response:
        """Send the browser to another page, after something was done."""
        return RedirectResponse(self.to(*parts), 303)


def _told(piece: Piece | None, here: str, *, busy: bool) -> dict[str, Any] | None:
    """Return what a page tells of the work: under way on each, ended where it belongs.

    A page that was begun while the trial was busy shows the bar also where the work has ended
    since: the bar asks, and loads the page again. Without it such a page would wait for ever.
    """
    if piece is None:
        return None
    under_way = busy or piece.under_way
    if not (under_way or here in {"", piece.page}):
        return None
    return piece.to_json() | {"under_way": under_way}


@lru_cache(maxsize=1)
def _pages() -> Environment:
    pages = Environment(
        loader=FunctionLoader(_source),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=StrictUndefined,
    )
    pages.filters["percent"] = lambda share: f"{100 * float(share):.0f} %"
    pages.filters["whole"] = unbroken
    return pages


def _source(name: str) -> str:
    return files("counting.desk").joinpath("pages", name).read_text(encoding="utf-8")
