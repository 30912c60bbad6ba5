"""A thorough lesson: the scorer's own weights move, and photos left out say whether it helps.

What moves the weights is not asked here: `counting.training.own` does, where PyTorch is installed.
"""

from __future__ import annotations

import dataclasses
import tempfile
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from counting import __version__
from counting.crops import crop_of
from counting.errors import CountingError, Refusal
from counting.files import inside, now, sha256_bytes, write_bytes
from counting.finding.in_row import Rows
from counting.finding.lesson.confirmed import Reviewed, glanced, reviewed
from counting.finding.lesson.fit import Taught, figures_of, helps, teach
from counting.finding.lesson.learn import Learnt, learn_trial, with_numbers
from counting.finding.matching import FREE, match_by_centre
from counting.finding.proposal import Task, find_in, weights_file
from counting.ledger import Ledger
from counting.ledger.facts import Candidate, Glance, Mark, Photo, Proposal, photos
from counting.photos.workers import Job, on_cores
from counting.plan.trial import Trial
from counting.settings import Settings

__all__ = ["PARTS", "Shown", "Tune", "learn_thoroughly"]

Array = NDArray[np.float64]
PARTS = 2
"""Parts of the photos: weights that the others taught are tried on each."""


@dataclass(frozen=True, slots=True)
class Shown:
    """A reviewed photo as the network learns from it.

    Attributes
    ----------
    photo : str
        SHA-256 of the file.
    path : Path
        The file.
    boxes : (N, 4) ndarray of float
        Fruit that the person counted: centre x, centre y, width, height in px of the full photo.
    unclear : (M, 4) ndarray of float
        Places that are neither fruit nor none: unsure, too small to count, or another plant's.
    """

    photo: str
    path: Path
    boxes: Array
    unclear: Array


Tune = Callable[[Sequence[Shown], Callable[[int, int], None]], bytes]
"""From photos, and what to call with steps done and steps in all, to a file of weights."""


@dataclass(frozen=True, slots=True)
class _Moved:
    """What moving the weights brought.

    Attributes
    ----------
    taught : Taught
        Numbers fitted to what weights see in photos that did not move them.
    weights : bytes
        The file that all photos moved; empty where it would not help.
    halves : tuple of str
        SHA-256 of the weights that the parts taught.
    left_out : tuple of Proposal
        What these saw in the photos left out.
    """

    taught: Taught
    weights: bytes
    halves: tuple[str, ...]
    left_out: tuple[Proposal, ...]


def learn_thoroughly(
    trial: Trial,
    ledger: Ledger,
    settings: Settings,
    tune: Tune,
    *,
    surveys: Collection[str] | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> list[Learnt]:
    """Learn from a trial's reviews by moving the scorer's weights, survey by survey.

    The lesson at once stays where photos left out say that moving the weights helps no further;
    then it tells of the try. Stopped on the way, nothing of the survey under way is written.

    Parameters
    ----------
    trial : Trial
    ledger : Ledger
        Its ledger.
    settings : Settings
        As shipped.
    tune : callable
        Moves the weights.
    surveys : collection of str, optional
        Only these; by default every survey with enough reviewed photos.
    progress : callable, optional
        Called with steps done and steps in all, for each survey anew.

    Raises
    ------
    CountingError
        If the scorer is none of the stages, no survey has as many as `LEAST_PHOTOS` confirmed
        photos, these show no fruit, or one of them cannot be read any more.
    """
    if "scorer" not in settings.stages:
        where, mend = "--stages", "name the scorer among the stages"
        raise CountingError(where, "no network among them", "the scorer", mend)
    # not written yet: stopped half way, the lesson that stood still stands
    at_once = learn_trial(trial, ledger, settings, surveys, write=False)
    done = []
    for first in at_once:
        told = [
            each
            for each in reviewed(ledger, settings.stages)
            if each.answer.photo in set(first.lesson.photos)
        ]
        plain = Taught(first.before, first.after, first.lesson.used, dict(first.lesson.gain))
        moved = _move(trial, ledger, told, settings, plain, tune, progress)
        done.append(_written(trial, ledger, first, plain, moved))
    return done


def _written(trial: Trial, ledger: Ledger, first: Learnt, plain: Taught, moved: _Moved) -> Learnt:
    """Write the lesson with its weights and what it rests on, or that the weights do not help."""
    figures = {
        name: [figures_of(plain)[name], figures_of(moved.taught)[name]] for name in plain.gain
    }
    lesson = dataclasses.replace(first.lesson, thorough=figures, at=now())
    after = first.after
    if moved.weights:
        numbers = moved.taught.after if moved.taught.used else moved.taught.before
        after = dataclasses.replace(numbers, weights=sha256_bytes(moved.weights))
        shipped = {name: pair[0] for name, pair in plain.gain.items()}
        lesson = dataclasses.replace(
            with_numbers(lesson, after),
            gain={name: [shipped[name], pair[1]] for name, pair in figures.items()},
            used=True,
            weights=after.weights,
            halves=moved.halves,
            looks=(),
        )
        file = weights_file(trial.directory, after)
        assert file is not None  # the settings name weights
        file.parent.mkdir(exist_ok=True)
        write_bytes(file, moved.weights, replace=True)
        ledger.add([Glance(each) for each in moved.left_out], by=f"counting {__version__}")
    ledger.add([lesson], by=", ".join(lesson.reviewers))
    return Learnt(lesson, first.before, after, stored=True)


def _move(
    trial: Trial,
    ledger: Ledger,
    told: Sequence[Reviewed],
    settings: Settings,
    at_once: Taught,
    tune: Tune,
    progress: Callable[[int, int], None] | None = None,
) -> _Moved:
    """Move the scorer's weights by reviewed photos, part by part first and then by all.

    Parameters
    ----------
    trial : Trial
    ledger : Ledger
        Its ledger; nothing is written to it.
    told : sequence of Reviewed
        The answers that teach.
    settings : Settings
        As shipped.
    at_once : Taught
        What the same photos teach at once: weights that do no better are not made.
    tune : callable
        Moves the weights.
    progress : callable, optional
        Called with steps done and steps in all, of all parts and the whole.

    Raises
    ------
    CountingError
        If there is no fruit on the photos, or one of them cannot be read any more.
    """
    taken = photos(ledger)
    shown = [_shown(trial, each, taken[each.answer.photo]) for each in told]
    rounds = PARTS + 1

    def tuned(number: int, some: Sequence[Shown]) -> bytes:
        if not any(len(photo.boxes) for photo in some):
            found, mend = "no fruit on the reviewed photos", "review photos that show fruit"
            raise CountingError(str(trial.directory), found, "fruit to learn from", mend)

        def moving(done: int, steps: int) -> None:
            if progress:
                progress(number * steps + done, rounds * steps)

        return tune(some, moving)

    halves, left_out = [], []
    for part in range(PARTS):
        weights = tuned(part, [each for place, each in enumerate(shown) if place % PARTS != part])
        halves.append(sha256_bytes(weights))
        with tempfile.TemporaryDirectory() as folder:
            by_half = dataclasses.replace(settings, weights=halves[-1])
            file = weights_file(Path(folder), by_half)
            assert file is not None  # the settings name weights
            write_bytes(file, weights)
            left_out += _found(trial, told[part::PARTS], taken, by_half, Path(folder))
    by_photo = {each.photo: each for each in left_out}
    confirmed = [glanced(each.answer, by_photo[each.answer.photo]) for each in told]
    taught = teach(confirmed, settings, ())
    better = helps(figures_of(at_once), figures_of(taught))
    whole = tuned(PARTS, shown) if better else b""
    return _Moved(taught, whole, tuple(halves), tuple(left_out))


def _found(
    trial: Trial,
    told: Sequence[Reviewed],
    taken: Mapping[str, Photo],
    settings: Settings,
    folder: Path,
) -> list[Proposal]:
    """Return what weights in a folder show of photos."""
    rows, smallest = Rows.of(trial), trial.plan.rule.smallest_fruit_mm
    crop = crop_of(trial.plan.crop).name
    jobs = []
    for each in told:
        photo = taken[each.answer.photo]
        task = Task.of(photo, settings, smallest, crop, rows.of_photo(photo)).within(folder)
        jobs.append(Job(photo.photo, inside(trial.directory, photo.file), extra=task))
    found = []
    for job, seen in on_cores(find_in, jobs, None):
        if isinstance(seen, Refusal):
            mend = "restore the photo from a copy of the trial"
            raise CountingError(job.path, seen.reason, mend=mend)
        found.append(seen)
    return found


def _shown(trial: Trial, told: Reviewed, photo: Photo) -> Shown:
    """Return what a reviewed photo teaches the network."""
    answer = told.answer
    fruit = _boxes(answer.fruit)
    doubtful = [
        mark for mark in answer.marks if mark.state in ("unsure", "elsewhere") or mark.small
    ]
    judged = {mark.candidate for mark in answer.marks}
    # nobody was asked about what is another plant's or too small: it is no proof of a bare place
    passed = [
        each
        for each in told.proposal.candidates
        if each.candidate not in judged and (each.small or not each.own)
    ]
    unclear = np.vstack([_boxes(doubtful), _boxes(passed)])
    marked = match_by_centre(unclear, np.ones(len(unclear)), fruit) != FREE
    path = inside(trial.directory, photo.file)
    return Shown(photo.photo, path, fruit, unclear[~marked])


def _boxes(drawn: Sequence[Candidate | Mark]) -> Array:
    return np.array([each.box for each in drawn], np.float64).reshape(-1, 4)
