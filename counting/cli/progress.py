"""A bar on stderr for work on many photos: photos per second and the time left."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    ProgressColumn,
    Task,
    TextColumn,
    TimeRemainingColumn,
)
from rich.text import Text

from counting.cli.base import messages

__all__ = ["photo_progress"]


class _Speed(ProgressColumn):
    """Photos per second, over the last minute or so."""

    def render(self, task: Task) -> Text:
        speed = task.finished_speed or task.speed
        return Text(f"{speed:.1f} photos/s" if speed else "", style="progress.data.speed")


@contextmanager
def photo_progress(word: str) -> Iterator[Callable[[int, int], None]]:
    """Show a bar while photos are worked on; give a function of (done, total) that moves it."""
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        _Speed(),
        TimeRemainingColumn(),
        TextColumn("left"),
    )
    with Progress(
        *columns, console=messages, transient=True, disable=not messages.is_terminal
    ) as bar:
        task = bar.add_task(word, total=None)

        def moved(done: int, total: int) -> None:
            bar.update(task, completed=done, total=total)

        yield moved
