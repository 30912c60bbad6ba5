"""Memory of a worker over thousands of photos."""

from __future__ import annotations

import multiprocessing
import os
import sys
from collections.abc import Sequence
from multiprocessing.connection import Connection
from pathlib import Path

import cv2
import numpy as np

from counting.bench.drawn import job_of
from counting.bench.line import Line
from counting.finding.proposal import find_in
from counting.finding.stages import run
from counting.settings import Settings

__all__ = ["memory"]

_LIGHT = ("colour", "blobs")
_EVERY = 20
_WARM = 0.2
"""Share of the photos after which libraries have what they keep."""


def memory(photo: Path, small: Sequence[Path], photos: tuple[int, int]) -> list[Line]:
    """Memory of two workers, side by side.

    Parameters
    ----------
    photo : Path
        Worked on by all stages, the network among them, again and again.
    small : sequence of Path
        Photos of many sizes, worked on in turn by the light stages at the size that they have
        beside the network, so that ten thousand take minutes.
    photos : (int, int)
        How many photos for the first and for the second.
    """
    context = multiprocessing.get_context("spawn")
    lines = []
    running = []
    for paths, light, number in (([photo], False, photos[0]), (list(small), True, photos[1])):
        mine, theirs = context.Pipe(duplex=False)
        worker = context.Process(target=_work_and_weigh, args=(paths, light, number, theirs))
        worker.start()
        running.append((mine, worker, number, "light stages" if light else "all stages"))
    for mine, worker, number, name in running:
        weights = np.array(mine.recv())
        worker.join()
        steady = weights[int(_WARM * len(weights)) :]
        slope = 0.0
        if len(steady) > 1:
            slope = float(np.polyfit(np.arange(len(steady)) * _EVERY / 1000, steady, 1)[0])
        what = f"{number} photos, {name}"
        lines += [
            Line(f"worker's memory at most, {what}, MiB", float(weights.max()), "under 400"),
            Line(f"its growth by 1,000 photos, {name}, MiB", slope, "flat: 0"),
        ]
    return lines


def _work_and_weigh(paths: Sequence[Path], light: bool, photos: int, told: Connection) -> None:
    """Propose in a process of its own, telling its memory along the way."""
    cv2.setNumThreads(1)
    if light:
        run.STAGE_FUNCTIONS = run.BESIDE_SCORER
    settings = Settings(stages=_LIGHT) if light else Settings()
    jobs = [job_of(path, settings) for path in paths]
    weights = []
    for number in range(photos):
        find_in(jobs[number % len(jobs)])
        if number % _EVERY == 0:
            weights.append(_rss_mib())
    told.send(weights)


def _rss_mib() -> float:
    """Return the memory this process has in use."""
    try:
        text = Path("/proc/self/statm").read_text(encoding="ascii")
    except OSError:  # only Linux has it; elsewhere the highest so far must do
        import resource

        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        return peak / (1 << 20 if sys.platform == "darwin" else 1 << 10)
    return int(text.split()[1]) * os.sysconf("SC_PAGE_SIZE") / (1 << 20)
