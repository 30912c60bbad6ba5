"""A thorough lesson: the scorer's own weights move, and photos left out say whether it helps.

What moves the weights is not asked here: `counting.training.own` does, where PyTorch is installed.
"""

from __future__ import annotations

import dataclasses
import tempfile
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from counting import __version__
from counting.errors import CountingError, Refusal
from counting.files import inside, now, sha256_bytes, write_bytes
from counting.finding.lesson.confirmed import Confirmed, Reviewed, boxes_of, glanced, reviewed
from counting.finding.lesson.fit import Taught, figures_of, helps, teach
from counting.finding.lesson.learn import Learnt, learn_trial, with_numbers
from counting.finding.matching import FREE, match_by_centre
from counting.finding.proposal import Tasks, find_in, weights_file
from counting.ledger import Ledger
from counting.ledger.facts import Glance, Photo, Proposal, photos
from counting.photos.workers import on_cores
from counting.plan.trial import Trial
from counting.settings import Settings

__all__ = [
    "PARTS",
    "Moved",
    "See",
    "Shown",
    "Tune",
    "keep_weights",
    "learn_thoroughly",
    "move",
    "weights_in_folder",
]

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


See = Callable[[bytes, Sequence[int]], Sequence[Confirmed]]
"""From a file of weights and the places of photos to what the weights show of these."""


@dataclass(frozen=True, slots=True)
class Moved:
    """What moving the weights brought.

    Attributes
    ----------
    taught : Taught
        Numbers fitted to what weights see in photos that did not move them.
    at_once : Taught
        What the same photos teach with the weights that ship.
    weights : bytes
        The file that all photos moved; empty where it would help no further.
    halves : tuple of str
        SHA-256 of the weights that the parts taught.
    """

    taught: Taught
    at_once: Taught
    weights: bytes
    halves: tuple[str, ...]

    @property
    def after(self) -> Settings:
        """The settings to use: with the weights where they help, else as learnt at once."""
        used = self.taught if self.weights else self.at_once
        numbers = used.after if used.used else used.before
        return dataclasses.replace(
            numbers, weights=sha256_bytes(self.weights) if self.weights else ""
        )

    @property
    def figures(self) -> dict[str, list[float]]:
        """Figures on photos left out: at once, thorough."""
        old, new = figures_of(self.at_once), figures_of(self.taught)
        return {name: [old[name], new[name]] for name in old}

    @property
    def gain(self) -> dict[str, list[float]]:
        """Figures on photos left out: as shipped, thorough."""
        new = figures_of(self.taught)
        return {name: [pair[0], new[name]] for name, pair in self.at_once.gain.items()}


def move(
    shown: Sequence[Shown],
    at_once: Taught,
    tune: Tune,
    see: See,
    progress: Callable[[int, int], None] | None = None,
) -> Moved:
    """Move the scorer's weights by photos, part by part first and then by all.

    Parameters
    ----------
    shown : sequence of Shown
        The photos.
    at_once : Taught
        What they teach with the weights that ship: weights that do no better are not made.
    tune : callable
        Moves the weights.
    see : callable
        Tells what weights show of photos that did not move them.
    progress : callable, optional
        Called with steps done and steps in all, of all parts and the whole.

    Raises
    ------
    CountingError
        If there is no fruit on the photos of a part.
    """
    rounds = PARTS + 1

    def tuned(number: int, some: Sequence[Shown]) -> bytes:
        if not any(len(photo.boxes) for photo in some):
            where, mend = str(shown[0].path.parent), "review photos that show fruit"
            raise CountingError(where, "no fruit on half of the photos", "fruit", mend)

        def moving(done: int, steps: int) -> None:
            if progress:
                progress(number * steps + done, rounds * steps)

        return tune(some, moving)

    halves = []
    seen: dict[int, Confirmed] = {}
    for part in range(PARTS):
        weights = tuned(part, [each for place, each in enumerate(shown) if place % PARTS != part])
        halves.append(sha256_bytes(weights))
        places = range(part, len(shown), PARTS)
        seen |= zip(places, see(weights, places), strict=True)
    taught = teach([seen[place] for place in range(len(shown))], at_once.before, ())
    better = helps(figures_of(at_once), figures_of(taught))
    return Moved(taught, at_once, tuned(PARTS, shown) if better else b"", tuple(halves))


@contextmanager
def weights_in_folder(weights: bytes, settings: Settings) -> Iterator[tuple[Settings, Path]]:
    """Keep weights in a folder for a while; give the settings that name them, and the folder."""
    named = dataclasses.replace(settings, weights=sha256_bytes(weights))
    with tempfile.TemporaryDirectory() as folder:
        keep_weights(Path(folder), weights)
        yield named, Path(folder)


def keep_weights(directory: Path, weights: bytes) -> None:
    """Write weights to where a trial keeps them."""
    if file := weights_file(directory, sha256_bytes(weights)):
        file.parent.mkdir(exist_ok=True)
        write_bytes(file, weights, replace=True)


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
    taken = photos(ledger)
    tasks = Tasks.of(trial, taken.values())
    done = []
    for first in at_once:
        told = [
            each
            for each in reviewed(ledger, settings.stages)
            if each.answer.photo in set(first.lesson.photos)
        ]
        shot = [taken[each.answer.photo] for each in told]
        shown = [_shown(trial, *each) for each in zip(told, shot, strict=True)]
        left_out: list[Proposal] = []
        see = partial(_seen, tasks, told, shot, settings, left_out)
        plain = Taught(first.before, first.after, first.lesson.used, dict(first.lesson.gain))
        moved = move(shown, plain, tune, see, progress)
        done.append(_written(trial, ledger, first, moved, left_out))
    return done


def _written(
    trial: Trial, ledger: Ledger, first: Learnt, moved: Moved, left_out: Sequence[Proposal]
) -> Learnt:
    """Write the lesson with its weights and what it rests on, or that the weights do not help."""
    lesson = dataclasses.replace(first.lesson, thorough=moved.figures, at=now())
    after = moved.after
    if moved.weights:
        lesson = dataclasses.replace(
            with_numbers(lesson, after),
            gain=moved.gain,
            used=True,
            weights=after.weights,
            halves=moved.halves,
            looks=(),
        )
        keep_weights(trial.directory, moved.weights)
        ledger.add([Glance(each) for each in left_out], by=f"counting {__version__}")
    ledger.add([lesson], by=", ".join(lesson.reviewers))
    return Learnt(lesson, first.before, after, stored=True)


def _seen(
    tasks: Tasks,
    told: Sequence[Reviewed],
    shot: Sequence[Photo],
    settings: Settings,
    left_out: list[Proposal],
    weights: bytes,
    places: Sequence[int],
) -> list[Confirmed]:
    """Tell what weights show of photos; what they propose joins `left_out`."""
    with weights_in_folder(weights, settings) as (named, folder):
        jobs = [tasks.job(shot[place], named, folder) for place in places]
        found = {}
        for job, seen in on_cores(find_in, jobs, None):
            if isinstance(seen, Refusal):
                mend = "restore the photo from a copy of the trial"
                raise CountingError(job.path, seen.reason, mend=mend)
            found[job.key] = seen
    left_out.extend(found.values())
    answers = [told[place].answer for place in places]
    return [glanced(answer, found[answer.photo]) for answer in answers]


def _shown(trial: Trial, told: Reviewed, photo: Photo) -> Shown:
    """Return what a reviewed photo teaches the network."""
    answer = told.answer
    fruit = boxes_of(answer.fruit)
    doubtful = [mark for mark in answer.marks if mark.unclear or mark.small]
    judged = {mark.candidate for mark in answer.marks}
    # nobody was asked about what is another plant's or too small: it is no proof of a bare place
    passed = [
        each
        for each in told.proposal.candidates
        if each.candidate not in judged and (each.small or not each.own)
    ]
    unclear = np.vstack([boxes_of(doubtful), boxes_of(passed)])
    marked = match_by_centre(unclear, np.ones(len(unclear)), fruit) != FREE
    path = inside(trial.directory, photo.file)
    return Shown(photo.photo, path, fruit, unclear[~marked])
