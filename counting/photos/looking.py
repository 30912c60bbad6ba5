"""Photos examined on all cores and bound to their plants, what is known already not again."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from counting.errors import PhotoError, Refusal
from counting.photos.binding import Codes, Given, bind
from counting.photos.claims import Found
from counting.photos.examine import Examined, Wanted, examine
from counting.photos.notes import Notes
from counting.photos.workers import Job, on_cores

__all__ = ["Progress", "bound", "look", "look_at"]

Progress = Callable[[int, int], None]
"""Called with the number of photos done and the number of all."""


def look(
    given: Sequence[Given],
    wanted: Wanted,
    notes: Notes,
    *,
    workers: int | None,
    progress: Progress | None,
) -> list[Examined | Refusal]:
    """Examine photos, those not of which notes are kept; return one outcome for each, in order."""
    noted = [notes.get(item.path) for item in given]
    seen: dict[int, Examined | Refusal] = {n: note for n, note in enumerate(noted) if note}
    jobs = [
        Job(str(number), item.path, extra=wanted)
        for number, item in enumerate(given)
        if number not in seen
    ]
    for job, outcome in on_cores(_examine, jobs, workers):
        seen[int(job.key)] = outcome
        if isinstance(outcome, Examined):
            notes.add(job.path, outcome)
        if progress:
            progress(len(seen), len(given))
    return [seen[number] for number in range(len(given))]


def look_at(path: Path, wanted: Wanted) -> Examined:
    """Examine one photo, a heavy one in a process of its own.

    Raises
    ------
    PhotoError
        If it cannot be used.
    """
    ((_, outcome),) = on_cores(_examine, [Job(str(path), path, extra=wanted)])
    if isinstance(outcome, Refusal):
        raise PhotoError(path, outcome.reason)
    found: Examined = outcome
    return found


def _examine(job: Job) -> Examined:
    """Examine one photo: the work of one worker on one job."""
    return examine(job.path, job.extra)


def bound(
    given: Sequence[Given], codes: Codes, seen: Sequence[Examined | Refusal]
) -> tuple[list[Found], list[Refusal]]:
    """Bind each photo to its plant."""
    found, refused = [], []
    for item, examined in zip(given, seen, strict=True):
        if isinstance(examined, Refusal):
            refused.append(examined)
            continue
        try:
            binding = bind(item, examined.tags, examined.taken, codes)
        except ValueError as error:
            refused.append(Refusal(str(item.path), str(error)))
        else:
            found.append(Found(item.path, examined, binding))
    return found, refused
