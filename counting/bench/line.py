"""One figure of the benchmark."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

__all__ = ["Line", "cpu_seconds", "seconds"]


@dataclass(frozen=True, slots=True)
class Line:
    """One figure.

    Attributes
    ----------
    name : str
        What was measured, with its unit.
    value : float
        The figure.
    goal : str
        What it should be.
    """

    name: str
    value: float
    goal: str = ""


def cpu_seconds(work: Callable[[], object]) -> float:
    """Return the processor time, which other programs on the machine hardly change."""
    start = time.process_time()
    work()
    return time.process_time() - start


def seconds(work: Callable[[], object]) -> float:
    """Return the time that passed."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start
