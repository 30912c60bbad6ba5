"""Long work behind the pages, one piece at a time for each trial; its state is kept here."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Literal

from counting.desk.spoken import spoken
from counting.errors import CountingError

__all__ = ["Piece", "Progress", "Stopped", "Work"]

Progress = Callable[[int, int], None]
State = Literal["waiting", "running", "done", "stopped", "failed"]
_ENDED = {
    "done": ": done",
    "stopped": ": stopped. Start it again, and it goes on where it stopped.",
    "failed": ": not done",
}


class Stopped(Exception):
    """A person asked the work to stop; what is in the ledger by then is not done again."""


@dataclass(slots=True)
class Piece:
    """One piece of work.

    Attributes
    ----------
    words : str
        What is being done, for the page.
    state : str
        waiting, running, done, stopped or failed.
    done, total : int
        Photos finished and photos in all; 0 of 0 until it is known.
    said : list of str
        What it has to tell once it has ended.
    left_out : list of (str, str)
        Items that were refused, with the reason.
    page : str
        The page that tells what became of it, once it has ended.
    """

    words: str
    state: State = "waiting"
    done: int = 0
    total: int = 0
    said: list[str] = field(default_factory=list)
    left_out: list[tuple[str, str]] = field(default_factory=list)
    page: str = "walk"
    began: float = 0.0
    _stop: bool = False

    def moved(self, done: int, total: int) -> None:
        """Take note of progress; end the work here if a person asked for it."""
        if self._stop:
            raise Stopped
        self.done, self.total = done, total

    def stop(self) -> None:
        """Ask it to stop after the photo in hand."""
        self._stop = True

    @property
    def under_way(self) -> bool:
        """Whether it has not ended."""
        return self.state in {"waiting", "running"}

    @property
    def heading(self) -> str:
        """What it is, and how it ended."""
        return self.words + _ENDED.get(self.state, "")

    @property
    def seconds_left(self) -> float | None:
        """How long it will still take at the speed so far; None before that can be told."""
        if self.state != "running" or not self.done or not self.total:
            return None
        return (time.monotonic() - self.began) / self.done * (self.total - self.done)

    def to_json(self) -> dict[str, Any]:
        """Return the state as JSON values."""
        return {
            "words": self.heading,
            "page": self.page,
            "state": self.state,
            "done": self.done,
            "total": self.total,
            "seconds_left": self.seconds_left,
            "said": [spoken(line) for line in self.said],
            "left_out": [
                {"item": item, "reason": spoken(reason)} for item, reason in self.left_out
            ],
        }


class Work:
    """The pieces of work of all trials; pieces of one trial wait for each other."""

    def __init__(self) -> None:
        self._last: dict[str, Piece] = {}
        self._locks: dict[str, threading.Lock] = {}
        self._guard = threading.Lock()

    def start(
        self, trial: str, words: str, task: Callable[[Piece], None], *, page: str = "walk"
    ) -> Piece:
        """Do a task behind the page, after what is under way for the same trial.

        Parameters
        ----------
        trial : str
            Its folder's name.
        words : str
            What is being done.
        task : callable
            Takes its piece, moves it, and leaves what it has to say in it.
        page : str
            The page that tells what became of it.
        """
        piece = Piece(words, page=page)
        with self._guard:
            lock = self._locks.setdefault(trial, threading.Lock())
            self._last[trial] = piece
        threading.Thread(target=_run, args=(piece, lock, task), daemon=True).start()
        return piece

    def of(self, trial: str) -> Piece | None:
        """Return the last piece of a trial, or None."""
        return self._last.get(trial)

    def busy(self, trial: str) -> bool:
        """Whether something is under way for a trial."""
        piece = self._last.get(trial)
        return piece is not None and piece.under_way

    def forget(self, trial: str) -> None:
        """Put what ended away; what is under way stays."""
        if not self.busy(trial):
            self._last.pop(trial, None)


def _run(piece: Piece, lock: threading.Lock, task: Callable[[Piece], None]) -> None:
    with lock:
        piece.state, piece.began = "running", time.monotonic()
        try:
            task(piece)
            piece.state = "done"
        except Stopped:
            piece.state = "stopped"
        except CountingError as error:
            piece.state = "failed"
            piece.said.append(str(error))
        except BaseException as error:
            piece.state = "failed"
            name = type(error).__name__
            piece.said.append(f"It broke off ({name}). Nothing is lost: start it again.")
            raise
