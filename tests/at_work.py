"""Work on photos that goes wrong, in processes of its own: they load this and little else."""

from __future__ import annotations

import os
import signal
import time

from counting.photos.workers import Job

__all__ = ["dies_on_the_third", "endless", "fails_on_the_third", "hungry", "where"]


def dies_on_the_third(job: Job) -> str:
    """Take the process down on one of the photos."""
    if job.key == "3":
        os._exit(9)
    return job.key


def fails_on_the_third(job: Job) -> str:
    if job.key == "3":
        raise ZeroDivisionError
    return job.key


def hungry(job: Job) -> int:
    return len(bytearray(1 << 40))


def endless(job: Job) -> None:
    signal.setitimer(signal.ITIMER_REAL, 0.5)  # as long as `workers._LONGEST_S`, but sooner
    while True:
        time.sleep(1)


def where(job: Job) -> int:
    return os.getpid()
