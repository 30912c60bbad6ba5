"""What a trial's lesson brings: learnt from some labelled photos, measured on the others."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from counting.accuracy.labels import Labelled
from counting.accuracy.marked import BOX, Marked
from counting.accuracy.measure import measure, weighed_anew
from counting.accuracy.score import Accuracy, score
from counting.finding.lesson.confirmed import Confirmed
from counting.finding.lesson.fit import LEAST_PHOTOS, LOOKS, Taught, teach
from counting.finding.lesson.odds import log_odds
from counting.finding.lesson.thorough import Shown, Tune, move, weights_in_folder
from counting.finding.matching import FREE
from counting.finding.proposal import weights_file
from counting.settings import Settings

__all__ = ["Drawn", "Learnt", "learnt_from"]

WORDS = {
    "f1_centre": "F1, centre",
    "f1": "F1, overlap 0.5",
    "ap50": "average precision (AP50)",
    "count_mae": "count: mean absolute error a photo",
    "count_bias": "count: bias",
    "total_bias": "total proposed over labelled, less 1",
    "corrections_per_100": "corrections per 100 fruit",
    "interval_coverage": "counts inside the 90 % interval",
}
"""The figures that are shown to a person, and what they are called."""

FIGURES = (
    *("photos", "labelled", "proposed", "threshold", "precision", "recall", "f1"),
    *("precision_centre", "recall_centre", "f1_centre", "ap50", "count_mae", "count_bias"),
    *("count_r2", "total_bias", "corrections_per_100", "interval_coverage", "seconds_per_photo"),
)
"""Of `Accuracy`, what is told with a lesson and without it."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """How many photos teach, and the seed that draws them."""

    photos: int
    seed: int


@dataclass(frozen=True, slots=True)
class Learnt:
    """Figures with a lesson and as shipped, both on the photos that did not teach.

    Attributes
    ----------
    drawn : Drawn
        What was asked for.
    teachers : tuple of str
        The photos that taught; empty where too few would be left to measure on.
    taught : Taught or None
        What they taught.
    figures, shipped : Accuracy or None
        With the lesson (as shipped where it does not help) and without, on the other photos.
    caution : str
        Why there is no lesson; else empty.
    moved : mapping
        Where the network's layers were to move: figure to its values at once and thorough, on
        photos left out of the learning.
    """

    drawn: Drawn
    teachers: tuple[str, ...] = ()
    taught: Taught | None = None
    figures: Accuracy | None = None
    shipped: Accuracy | None = None
    caution: str = ""
    moved: Mapping[str, list[float]] = field(default_factory=dict)

    @property
    def rows(self) -> list[tuple[str, float | None, float | None]]:
        """Figures for a person: the words, as shipped, with the lesson; empty without them."""
        if self.shipped is None or self.figures is None:
            return []
        return [
            (word, getattr(self.shipped, name), getattr(self.figures, name))
            for name, word in WORDS.items()
        ]

    def to_json(self) -> dict[str, Any]:
        """Return the figures as plain values; what cannot be computed is None."""
        taught = self.taught
        numbers = ("slope", "offset", "fruit_spread", "look")
        return {
            "from": self.drawn.photos,
            "seed": self.drawn.seed,
            **_told(self.figures),
            "used": None if taught is None else taught.used,
            **{name: taught and getattr(taught.after, name) for name in numbers},
            "gain": None if taught is None else taught.gain,
            "weights": taught.after.weights or None if taught else None,
            "thorough": dict(self.moved) or None,
            "shipped": _told(self.shipped),
            "teachers": list(self.teachers),
            "caution": self.caution or None,
        }


def _told(figures: Accuracy | None) -> dict[str, Any]:
    return {name: None if figures is None else getattr(figures, name) for name in FIGURES}


def learnt_from(
    labelled: Labelled,
    marked: Sequence[Marked],
    settings: Settings,
    drawn: Drawn,
    *,
    workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
    tune: Tune | None = None,
) -> Learnt:
    """Learn from some photos as if a person had reviewed them, and measure on the others.

    The labels stand for the person: a candidate is a fruit where it gets a label by its centre, and
    a label that no candidate gets is a fruit that the person added.

    Parameters
    ----------
    labelled : Labelled
        Photos and labels.
    marked : sequence of Marked
        The photos as shipped, from `counting.accuracy.measure.measure`, which kept what the stages
        said.
    settings : Settings
        As shipped.
    drawn : Drawn
        How many photos teach, and the seed.
    workers, progress
        See `counting.accuracy.measure.measure`; of the photos that teach, and of the others where
        the lesson looks at another size.
    tune : callable, optional
        Moves the scorer's weights too, where that does better on photos left out.
    """
    if len(marked) <= drawn.photos:
        caution = (
            f"No lesson was measured: {len(marked)} photos were found, and to learn from "
            f"{drawn.photos} at least {drawn.photos + 1} are needed."
        )
        return Learnt(drawn, caution=caution)
    rng = np.random.default_rng(drawn.seed)
    chosen = set(rng.choice(len(marked), drawn.photos, replace=False).tolist())
    teachers = [photo for place, photo in enumerate(marked) if place in chosen]
    others = [photo for place, photo in enumerate(marked) if place not in chosen]
    names, shipped = tuple(photo.photo for photo in teachers), score(others, settings.threshold)
    if len(teachers) < LEAST_PHOTOS:
        caution = f"Nothing is learnt from fewer than {LEAST_PHOTOS} photos: figures as shipped."
        return Learnt(drawn, names, None, shipped, shipped, caution)
    part = _part(labelled, teachers)
    again = {}
    for look in LOOKS if "scorer" in settings.stages else ():
        at_size = replace(settings, look=look)
        found, _ = measure(part, at_size, workers=workers)
        again[look] = {photo.photo: _confirmed(photo, look) for photo in found}
    taught = teach(
        [_confirmed(photo, others=_others(photo, again)) for photo in teachers], settings
    )
    moved = None
    if tune is not None:
        see = partial(_seen, labelled, teachers, settings, workers)
        shown = [_shown(labelled, photo) for photo in teachers]
        moved = move(shown, taught, tune, see)
    told = {} if moved is None else moved.figures
    if moved and moved.weights:
        taught = Taught(settings, moved.after, used=True, gain=moved.gain)
    if not taught.used:
        caution = "The lesson does not help on photos left out of it: figures as shipped."
        return Learnt(drawn, names, taught, shipped, shipped, caution, told)
    rest, after = _part(labelled, others), taught.after
    if moved and moved.weights:
        with weights_in_folder(moved.weights, settings) as (_, folder):
            file = weights_file(folder, after.weights)
            measured, _ = measure(rest, after, workers=workers, progress=progress, weights=file)
    elif after.look == settings.look:
        measured = weighed_anew(labelled, others, after)
    else:
        measured, _ = measure(rest, after, workers=workers, progress=progress)
    figures = score(measured, after.threshold)
    return Learnt(drawn, names, taught, figures, shipped, moved=told)


def _seen(
    labelled: Labelled,
    teachers: Sequence[Marked],
    settings: Settings,
    workers: int | None,
    weights: bytes,
    places: Sequence[int],
) -> list[Confirmed]:
    """Tell what weights show of some of the photos that teach."""
    part = _part(labelled, [teachers[place] for place in places])
    with weights_in_folder(weights, settings) as (named, folder):
        found, _ = measure(
            part, named, workers=workers, weights=weights_file(folder, named.weights)
        )
    by_name = {photo.photo: _confirmed(photo) for photo in found}
    return [by_name[teachers[place].photo] for place in places]


def _shown(labelled: Labelled, photo: Marked) -> Shown:
    """Return a labelled photo as its review would leave it: the finder's box where it had one."""
    said = photo.seen.said
    assert said is not None  # `measure` was told to keep it
    file = labelled.photos.set_index("photo")["file"][photo.photo]
    boxes = photo.labels[BOX].to_numpy(np.float64).copy()
    had = photo.by_centre != FREE
    boxes[photo.by_centre[had]] = photo.candidates[BOX].to_numpy(np.float64)[had]
    return Shown(photo.photo, Path(file), boxes / said.scale, np.empty((0, 4)))


def _part(labelled: Labelled, marked: Sequence[Marked]) -> Labelled:
    """Return some of the photos."""
    names = {photo.photo for photo in marked}
    return replace(labelled, photos=labelled.photos[labelled.photos["photo"].isin(names)])


def _others(
    photo: Marked, again: Mapping[float, Mapping[str, Confirmed]]
) -> dict[float, Confirmed]:
    return {look: found[photo.photo] for look, found in again.items() if photo.photo in found}


def _confirmed(
    photo: Marked, look: float = 1.0, others: Mapping[float, Confirmed] | None = None
) -> Confirmed:
    """Return a labelled photo as if a person had reviewed it."""
    fruit = photo.by_centre != FREE
    odds = log_odds(photo.candidates["confidence"].to_numpy(np.float64))
    missed = len(photo.labels) - int(fruit.sum())
    return Confirmed(photo.photo, "labels", odds, fruit, missed, look=look, others=others or {})
