"""Commands at work in processes of their own, to be killed at any moment and run again.

The processes are forked by a server that has all modules loaded, so that a life lasts a fraction
of a second. Nothing here imports pytest, which would be loaded again for each of them.
"""

from __future__ import annotations

import multiprocessing
import random
import shutil
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path
from types import ModuleType
from typing import Any

from counting.finding import propose as proposing
from counting.finding.propose import propose
from counting.photos import intake
from counting.photos.gather import Batch
from counting.photos.intake import take_in
from counting.plan.trial import load_trial
from counting.records.tallies import take_tallies
from counting.report.keeping.back_up import back_up
from counting.review.corrections import take_corrections
from counting.settings import Settings

__all__ = ["CAMERA", "FAST", "MODULES", "WORK", "Life", "Work", "lives", "run", "started"]

FAST = Settings(stages=("blobs",))
CAMERA = "camera"
"""Folder beside the trial's with the photos to take in."""
MODULES = [
    "cv2",
    "counting.finding.propose",
    "counting.photos.intake",
    "counting.records.tallies",
    "counting.review.corrections",
    "counting.report.keeping.back_up",
]
_LONGEST_S = 120.0
_PLACES = 5
"""Kills in the life of one trial before it may go on to the end."""

Told = Callable[[str], None]
Work = Callable[[Path, Told], None]


def propose_all(trial: Path, told: Told) -> None:
    proposing._BATCH = 2  # so that much is written on the way
    done = propose(load_trial(trial), FAST, workers=1)
    assert done.refused == ()


def take_all_in(trial: Path, told: Told) -> None:
    intake._BATCH = 2
    taken = take_in(load_trial(trial), [trial.parent / CAMERA], batch=Batch(workers=1))
    assert taken.refused == []


def confirm_all(trial: Path, told: Told) -> None:
    for file in sorted((trial / "saved").glob("*.json")):
        take_corrections(load_trial(trial), [file])
        told(file.stem)


def tally_all(trial: Path, told: Told) -> None:
    for file in sorted((trial / "saved").glob("*.csv")):
        take_tallies(load_trial(trial), [file])
        told(file.stem)


def back_all_up(trial: Path, told: Told) -> None:
    back_up(trial, trial.parent / "kept.zip", replace=True)


WORK: dict[str, Work] = {
    "propose": propose_all,
    "confirm": confirm_all,
    "tally": tally_all,
    "take-in": take_all_in,
    "back-up": back_all_up,
}


def _at_work(name: str, trial: Path, telling: Connection) -> None:
    """Do a command in this process; tell when it begins, what it says is written, and the end."""
    telling.send("begun")
    WORK[name](trial, telling.send)
    telling.send("done")


@dataclass(frozen=True)
class Life:
    """What is left of a process.

    Attributes
    ----------
    told : list of str
        What it said to be written.
    done : bool
        Whether it came to its end.
    seconds : float
        How long it lived after it began.
    """

    told: list[str]
    done: bool
    seconds: float


def started(
    modules: list[str], work: Callable[..., None], *given: Any
) -> tuple[BaseProcess, Connection]:
    """Start work in a process forked by a server that has the modules loaded.

    The work is given a pipe last, to tell by; what it tells is read from the one returned.
    """
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(modules)
    told, telling = context.Pipe(duplex=False)
    process = context.Process(target=work, args=(*given, telling))
    main = sys.modules["__main__"]
    sys.modules["__main__"] = ModuleType("__main__")  # else each would load the test runner
    try:
        process.start()
    finally:
        sys.modules["__main__"] = main
    telling.close()
    return process, told


def run(name: str, trial: Path, *, kill_after: float | None = None) -> Life:
    """Run a command in a process of its own, killed so many seconds after it begins."""
    process, told = started(MODULES, _at_work, name, trial)
    if not told.poll(_LONGEST_S) or told.recv() != "begun":
        process.kill()
        raise RuntimeError(name)
    start = time.perf_counter()
    process.join(kill_after if kill_after is not None else _LONGEST_S)
    lived = time.perf_counter() - start
    process.kill()
    process.join()
    said = _all_of(told)
    return Life([word for word in said if word != "done"], "done" in said, lived)


def _all_of(told: Connection) -> list[str]:
    said = []
    while told.poll():
        try:
            said.append(told.recv())
        except (EOFError, OSError):  # all was read, or the last word was cut short
            break
    told.close()
    return said


def lives(
    name: str,
    template: Path,
    kills: int,
    check: Callable[[Path, set[str]], Any],
    finished: Callable[[Path], Any],
    seed: int,
) -> int:
    """Kill a command at random moments, again and again on one trial, then let it come to its end.

    Parameters
    ----------
    name : str
        One of `WORK`.
    template : Path
        Folder that holds the trial as ``trial``; each trial is a copy of it beside it.
    kills : int
        How often in all.
    check : callable
        Called after each kill with the trial and all that was said to be written.
    finished : callable
        Called with the trial once a run came to its end.
    seed : int
        Decides the moments.

    Returns
    -------
    int
        How often a command was killed before its end.
    """
    rng = random.Random(seed)
    lasts = _undisturbed(name, template)
    done = 0
    while done < kills:
        folder = template.with_name(f"{template.name}-copy")
        shutil.copytree(template, folder)
        trial = folder / "trial"
        told: set[str] = set()
        for _ in range(_PLACES):
            life = run(name, trial, kill_after=rng.uniform(0, lasts))
            told |= set(life.told)
            check(trial, told)
            if life.done:
                break
            done += 1
        last = run(name, trial)
        assert last.done
        check(trial, told | set(last.told))
        finished(trial)
        shutil.rmtree(folder)
    return done


def _undisturbed(name: str, template: Path) -> float:
    """Return how long the command takes when nothing disturbs it."""
    folder = template.with_name(f"{template.name}-timed")
    shutil.copytree(template, folder)
    seconds = [run(name, folder / "trial").seconds]
    shutil.rmtree(folder)
    return min(seconds)
