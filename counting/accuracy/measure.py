"""The finder run over labelled photos."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from counting.accuracy.labels import Labelled
from counting.accuracy.marked import Marked, Said, Seen, mark
from counting.errors import PhotoError, Refusal
from counting.finding.candidates import LONG_SIDE_READ, Found, find
from counting.finding.stages.run import reduced, stage_tables
from counting.photos.image import Image, load_image
from counting.photos.workers import Job, on_cores
from counting.settings import Settings

__all__ = ["measure", "weighed_anew"]

_SAME_SHAPE = 0.02
"""Width over height may differ by so much: scaling rounds to whole pixels."""
_COLUMNS = ["x", "y", "width", "height", "confidence", "stages", "colour"]


@dataclass(frozen=True, slots=True)
class _Frame:
    """How to look, and the size in px of the photo that the labels were drawn on."""

    settings: Settings
    width: float
    height: float
    keep: bool
    weights: Path | None = None


def measure(
    labelled: Labelled,
    settings: Settings,
    *,
    workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
    keep: bool = False,
    weights: Path | None = None,
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
    keep : bool
        Keep what the stages said, for `weighed_anew`: some 200 kB a photo.
    weights : Path, optional
        File of the scorer's weights, where the settings name others than those that ship.

    Returns
    -------
    marked : list of Marked
        One per photo that could be read, in order of the name.
    refused : list of Refusal
        The others, with the reason.
    """
    jobs = [
        Job(name, Path(file), extra=_Frame(settings, width, height, keep, weights))
        for name, file, width, height in labelled.photos[
            ["photo", "file", "width", "height"]
        ].itertuples(index=False)
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
    tables = stage_tables(image, job.extra.settings, job.extra.weights)
    said = Said(tables, reduced(image), scale)
    found = find(image, job.extra.settings, tables=said.tables)
    seconds = round(time.perf_counter() - start, 4)
    return _told(found, said, seconds, keep=job.extra.keep)


def _told(found: Found, said: Said, seconds: float, *, keep: bool) -> Seen:
    """Return what was found with its boxes in px of the labels."""
    candidates = found.candidates[_COLUMNS].copy()
    candidates[["x", "y", "width", "height"]] *= said.scale
    kept = said if keep else None
    return Seen(candidates, found.count, found.count_low, found.count_high, seconds, kept)


def weighed_anew(labelled: Labelled, marked: Sequence[Marked], settings: Settings) -> list[Marked]:
    """Return photos as other numbers of the same stages show them: the stages are not run again.

    Parameters
    ----------
    labelled : Labelled
        Photos and labels; only those of `marked` are looked at.
    marked : sequence of Marked
        From `measure`, which kept what the stages said.
    settings : Settings
        With the numbers to use.
    """
    seen = {}
    for photo in marked:
        said = photo.seen.said
        assert said is not None  # `measure` was told to keep it
        found = find(said.small, settings, tables=said.tables)
        seen[photo.photo] = _told(found, said, photo.seen.seconds, keep=False)
    return mark(labelled, seen)


def _scale(path: Path, image: Image, frame: _Frame) -> float:
    """Return px of the labels per px of the photo."""
    there, here = frame.width / frame.height, image.width / image.height
    if abs(there / here - 1) > _SAME_SHAPE:
        found = f"the photo has {image.width} x {image.height} px"
        expected = f"{frame.width:g} x {frame.height:g} as in the labels, or the same scaled"
        raise PhotoError(path, found, expected)
    return frame.width / image.width
