"""Time of one photo over its bare decode, and what a second worker brings."""

from __future__ import annotations

import statistics
import time
from collections.abc import Mapping
from pathlib import Path

import cv2

from counting.bench.drawn import job_of
from counting.bench.line import Line, cpu_seconds
from counting.finding.candidates import LONG_SIDE_READ, find
from counting.finding.proposal import find_in
from counting.photos.examine import Wanted, examine
from counting.photos.image import load_image
from counting.photos.workers import on_cores
from counting.settings import Settings

__all__ = ["speed_up", "time_over_decode"]

_TAGS = frozenset(range(40))


def time_over_decode(photo: Path, rounds: int) -> list[Line]:
    """Time of one photo on one thread over the bare decode of the same file, turn by turn."""
    threads = cv2.getNumThreads()
    cv2.setNumThreads(1)
    image = load_image(photo, long_side=LONG_SIDE_READ)
    job, quick = job_of(photo), job_of(photo, Settings(quick=True))
    settings, wanted = Settings(), Wanted(10.0, _TAGS)
    works = {
        "full": lambda: cv2.imread(str(photo)),
        "quarter": lambda: cv2.imread(str(photo), cv2.IMREAD_REDUCED_COLOR_4),
        "propose": lambda: find_in(job),
        "propose --quick": lambda: find_in(quick),
        "find": lambda: find(image, settings),
        "take in": lambda: examine(photo, wanted),
    }
    took: dict[str, list[float]] = {name: [] for name in works}
    find_in(job)
    for _ in range(rounds):
        for name, work in works.items():
            took[name].append(1000 * cpu_seconds(work))
    cv2.setNumThreads(threads)
    ms = {name: statistics.median(each) for name, each in took.items()}
    return [
        Line("bare decode in full (cv2.imread), one thread, ms", ms["full"]),
        Line("bare decode at a quarter of the sides, one thread, ms", ms["quarter"]),
        *_over_decode("propose", ms),
        Line("finding in the decoded photo, ms", ms["find"]),
        *_over_decode("propose --quick", ms),
        Line("take-in looks at one photo for, one thread, ms", ms["take in"]),
    ]


def _over_decode(work: str, ms: Mapping[str, float]) -> list[Line]:
    """Lines for a work on one photo: its time, and that over both decodes."""
    return [
        Line(f"{work}, one photo, one thread, ms", ms[work]),
        Line(f"{work} over the bare decode in full", ms[work] / ms["full"], "at most 3"),
        Line(f"{work} over the bare decode at a quarter", ms[work] / ms["quarter"], "at most 5"),
    ]


def speed_up(photo: Path, photos: int) -> list[Line]:
    """Photos per second with two workers over those with one, and what starting them costs."""
    speeds, starts = {}, {}
    jobs = [job_of(photo)] * photos
    for workers in (1, 2):
        begun = time.perf_counter()
        ready = [time.perf_counter() for _ in on_cores(find_in, jobs, workers)]
        # the first results carry the start of the processes
        steady = ready[2 * workers :]
        speeds[workers] = (len(steady) - 1) / (steady[-1] - steady[0])
        starts[workers] = ready[0] - begun
    return [
        Line("photos a second, 1 worker", speeds[1]),
        Line("photos a second, 2 workers", speeds[2]),
        Line("speed-up with 2 workers", speeds[2] / speeds[1], "1.8"),
        Line("until the first result with 2 workers, s", starts[2]),
    ]
