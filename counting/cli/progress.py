"""A bar on stderr for work on many photos: photos per second and the time left."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    ProgressColumn,
    Task,
    TaskID,
    TextColumn,
    TimeRemainingColumn,
)
from rich.text import Text

from counting.cli.base import messages

__all__ = ["Moving", "photo_progress", "step_progress"]


class _Speed(ProgressColumn):
    """Photos per second, over the last minute or so."""

    def render(self, task: Task) -> Text:
        speed = task.finished_speed or task.speed
        return Text(f"{speed:.1f} photos/s" if speed else "", style="progress.data.speed")


@dataclass(frozen=True, slots=True)
class Moving:
    """A bar that is shown: called with the number done and of all it moves."""

    bar: Progress
    task: TaskID

    def __call__(self, done: int, total: int) -> None:
        """Move the bar."""
        self.bar.update(self.task, completed=done, total=total)

    def away(self) -> None:
        """Take the bar off the screen, as before a question."""
        self.bar.stop()


@contextmanager
def photo_progress(word: str) -> Iterator[Moving]:
    """Show a bar while photos are worked on; give a function of (done, total) that moves it."""
    with _bar(word, _Speed()) as moving:
        yield moving


@contextmanager
def step_progress(word: str) -> Iterator[Moving]:
    """Show a bar for one long work of many steps; as `photo_progress` without the photos."""
    with _bar(word, TextColumn("steps")) as moving:
        yield moving


@contextmanager
def _bar(word: str, unit: ProgressColumn) -> Iterator[Moving]:
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        unit,
        TimeRemainingColumn(),
        TextColumn("left"),
    )
    with Progress(
        *columns, console=messages, transient=True, disable=not messages.is_terminal
    ) as bar:
        yield Moving(bar, bar.add_task(word, total=None))
