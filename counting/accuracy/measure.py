"""The finder run over labelled photos."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from counting.accuracy.labels import Labelled
from counting.accuracy.marked import Marked, Seen, mark
from counting.errors import PhotoError, Refusal
from counting.finding.candidates import LONG_SIDE_READ, find
from counting.photos.image import Image, load_image
from counting.photos.workers import Job, on_cores
from counting.settings import Settings

__all__ = ["measure"]

_SAME_SHAPE = 0.02
"""Width over height may differ by so much: scaling rounds to whole pixels."""
_COLUMNS = ["x", "y", "width", "height", "confidence", "stages", "colour"]


@dataclass(frozen=True, slots=True)
class _Frame:
    """How to look, and the size in px of the photo that the labels were drawn on."""

    settings: Settings
    width: float
    height: float


def measure(
    labelled: Labelled,
    settings: Settings,
    *,
    workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[list[Marked], list[Refusal]]:
    """Find the fruit in labelled photos and put the candidates beside the labels.

    Parameters
    ----------
    labelled : Labelled
        Photos and labels.
    settings : Settings
        Stages and threshold.
    workers : int, optional
        Number of processes, by default one per core.
    progress : callable, optional
        Called with photos done and photos in all.

    Returns
    -------
    marked : list of Marked
        One per photo that could be read, in order of the name.
    refused : list of Refusal
        The others, with the reason.
    """
    jobs = [
        Job(row["photo"], Path(row["file"]), extra=_Frame(settings, row["width"], row["height"]))
        for row in labelled.photos.to_dict("records")
    ]
    seen: dict[str, Seen] = {}
    refused = []
    for done, (job, outcome) in enumerate(on_cores(_see, jobs, workers), start=1):
        if isinstance(outcome, Refusal):
            refused.append(outcome)
        else:
            seen[job.key] = outcome
        if progress:
            progress(done, len(jobs))
    return mark(labelled, seen), sorted(refused, key=lambda refusal: refusal.item)


def _see(job: Job) -> Seen:
    """Find the fruit in one photo: the work of one worker on one job."""
    start = time.perf_counter()
    image = load_image(job.path, long_side=LONG_SIDE_READ)
    scale = _scale(job.path, image, job.extra)
    found = find(image, job.extra.settings)
    candidates = found.candidates[_COLUMNS].copy()
    candidates[["x", "y", "width", "height"]] *= scale
    seconds = round(time.perf_counter() - start, 4)
    return Seen(candidates, found.count, found.count_low, found.count_high, seconds)


def _scale(path: Path, image: Image, frame: _Frame) -> float:
    """Return px of the labels per px of the photo."""
    there, here = frame.width / frame.height, image.width / image.height
    if abs(there / here - 1) > _SAME_SHAPE:
        found = f"the photo has {image.width} x {image.height} px"
        expected = f"{frame.width:g} x {frame.height:g} as in the labels, or the same scaled"
        raise PhotoError(path, found, expected)
    return frame.width / image.width
