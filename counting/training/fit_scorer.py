"""Fit how the scorer's confidence becomes a probability, on sources that it never learnt from.

    python -m counting.training.fit_scorer ../shared/labelled-photos LOOKS

LOOKS holds what networks saw in photos they had not learnt from (`counting.training.looks`):
``foldK.npz`` of the folds and ``without-SETS.npz`` of whole sets left out. The probability of a
candidate and the threshold come from folds of several sources, each source weighing the same: they
say what is usual. How far a photo's count strays from what is usual comes from sources left out
whole, since a user's photos are a stranger's. Beside the scorer the colour and blob stages change
no probability: they only say where they disagree. Writes the sets with the scorer into
``confidence.json``; the figures of each source are from numbers fitted on the other sources.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from importlib.resources import files
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import minimize

from counting.accuracy.marked import BOX, Seen, mark_photo
from counting.accuracy.score import best_f1, calibration, ranked_hits
from counting.accuracy.score import score as figures_of
from counting.finding.expected import Spread, distribution, expected_count, widened
from counting.finding.matching import FREE, match_by_centre
from counting.finding.merge import log_odds, stage_set
from counting.finding.stages.profile import Linear
from counting.finding.stages.scorer import both_looks, worth_closer
from counting.settings import FLOOR, STAGES
from counting.training.fit_stages import fit_logistic, write_numbers
from counting.training.looks import Looks, read_looks
from counting.training.scenes import ScenePhoto, scene_photos

__all__ = ["main"]

Array = NDArray[np.float64]

STRAWBERRIES = ("strawberry-phone", "strawberry-gripper")
USUAL = {
    "tomato": ("fold", ("tomato",)),
    "tomato-small": ("fold", ("tomato-small",)),
    "strawberry": ("fold", STRAWBERRIES),
}
"""Sources for probability and threshold: the networks' files and the sets, held out by fold."""
STRANGE = {
    "tomato": ("fold", ("tomato",)),
    "tomato-small": ("without-tomato-small", ("tomato-small",)),
    "strawberry": ("without-strawberry-phone-strawberry-gripper", STRAWBERRIES),
}
"""Sources left out whole, for the width of the interval (the tomatoes: scenes held out)."""
MEASURED = {"tomato-phones": ("scorer", ("tomato-phones",))}
"""Measured only, with the weights that ship: nothing is trained or fitted on it."""
_MOST = 40  # photos of a source for the spread of counts
_COVERED = 0.90  # of photos, in the middle one of sources held out by folds or left out whole
_STRANGE = np.round(np.arange(0.0, 1.01, 0.05), 2)
_THRESHOLDS = np.round(np.arange(0.2, 0.71, 0.01), 2)
_AS_GOOD = 0.003  # of F1


@dataclass(frozen=True, slots=True)
class _Seen:
    photo: ScenePhoto
    boxes: Array
    odds: Array
    fruit: Array

    def chance(self, fitted: Linear) -> Array:
        return fitted.probability(self.odds[:, None])


def _source(data: Path, looks: Path, stem: str, sets: Sequence[str]) -> list[_Seen]:
    """Return the photos of a source with what was seen in them, each once."""
    stored: dict[str, Looks] = {}
    for path in sorted(looks.glob(f"{stem}*.npz")):
        for name, both in read_looks(path).items():
            stored.setdefault(name, both)
    photos = [photo for name in sets for photo in scene_photos(data / name)]
    return [_seen(photo, stored[photo.name]) for photo in photos]


def _seen(photo: ScenePhoto, looks: Looks) -> _Seen:
    first, closer = looks
    boxes, sure = both_looks(first, closer) if worth_closer(first, photo.long_side) else first
    fruit = match_by_centre(boxes, sure, photo.boxes) != FREE
    return _Seen(photo, boxes, log_odds(sure), fruit.astype(np.float64))


def _fit(sources: Sequence[Sequence[_Seen]]) -> Linear:
    """Fit the probability; every source weighs the same."""
    rows = [row for source in sources for row in source]
    weight = [
        np.full(len(row.odds), 1000 / sum(len(other.photo.boxes) for other in source))
        for source in sources
        for row in source
    ]
    odds = np.concatenate([row.odds for row in rows])[:, None]
    truth = np.concatenate([row.fruit for row in rows])
    return fit_logistic(odds, truth, np.concatenate(weight), ridge=1e-4)


def _fit_spread(sources: Sequence[Sequence[_Seen]], fitted: Linear) -> Spread:
    """Fit shift and missed fruit by maximum likelihood of the labelled counts."""
    some = [
        (len(row.photo.boxes), _kept(row.chance(fitted)), 1 / len(source[:: _every(source)]))
        for source in sources
        for row in source[:: _every(source)]
    ]

    def loss(values: Array) -> float:
        spread = Spread(float(np.exp(values[0])), float(np.exp(values[1])))
        total = 0.0
        for labelled, chance, weight in some:
            every = distribution(chance, spread)
            total -= weight * float(np.log(every[min(labelled, len(every) - 1)] + 1e-6))
        return total

    best = minimize(loss, np.log([0.6, 0.1]), method="Nelder-Mead", options={"maxiter": 25})
    return Spread(*(float(np.exp(value)) for value in best.x))


def _strange(sources: Sequence[Sequence[_Seen]], fitted: Linear, spread: Spread) -> Spread:
    """Widen until the intervals hold in `_COVERED` of the photos of the middle source.

    The middle one and not the mean: no width mends a source whose fruit are missed.
    """
    told = [
        [
            (len(row.photo.boxes), *expected_count(_kept(row.chance(fitted)), spread))
            for row in source
        ]
        for source in sources
    ]
    held = Spread(spread.shift_sd, spread.missed, float(_STRANGE[-1]))
    for strange in _STRANGE[::-1]:
        covered = [
            np.mean(
                [
                    low <= labelled <= high
                    for labelled, count, first, last in source
                    for low, high in [widened(count, first, last, float(strange))]
                ]
            )
            for source in told
        ]
        if np.median(covered) < _COVERED:
            break
        held = Spread(spread.shift_sd, spread.missed, float(strange))
    return held


def _every(source: Sequence[_Seen]) -> int:
    return -(-len(source) // _MOST)


def _kept(chance: Array) -> Array:
    return chance[chance >= FLOOR]


def _threshold(sources: Sequence[Sequence[_Seen]], fitted: Linear) -> float:
    """Return the highest threshold at which the sources' mean F1 by centre is as good as the best.

    As good is within `_AS_GOOD`: over a wide stretch F1 hardly changes, and in a new place more is
    proposed than there is far more often than less.
    """
    mean = np.zeros(len(_THRESHOLDS))
    for source in sources:
        labelled = sum(len(row.photo.boxes) for row in source)
        chance = np.concatenate([row.chance(fitted) for row in source])
        fruit = np.concatenate([row.fruit for row in source])
        for place, at in enumerate(_THRESHOLDS):
            shown = chance >= at
            mean[place] += 2 * fruit[shown].sum() / (shown.sum() + labelled) / len(sources)
    return float(_THRESHOLDS[mean >= mean.max() - _AS_GOOD][-1])


def _figures(source: Sequence[_Seen], fitted: Linear, spread: Spread, at: float) -> dict[str, Any]:
    """Return the figures of a source by the rules of `counting.accuracy`."""
    marked = []
    for row in source:
        chance = row.chance(fitted)
        candidates = pd.DataFrame(row.boxes, columns=BOX).assign(confidence=chance)
        labels = pd.DataFrame(row.photo.boxes, columns=BOX).assign(
            photo=row.photo.name, kind=row.photo.kinds, crowd=row.photo.unsure
        )
        seen = Seen(candidates, *expected_count(_kept(chance), spread), 0.0)
        marked.append(mark_photo(row.photo.name, labels, seen))
    kept = [
        replace(
            photo,
            candidates=photo.candidates[likely],
            by_overlap=photo.by_overlap[likely],
            by_centre=photo.by_centre[likely],
        )
        for photo in marked
        for likely in [photo.candidates["confidence"].to_numpy(np.float64) >= FLOOR]
    ]
    told = figures_of(marked, at)
    best, best_at = best_f1(*ranked_hits(marked), told.labelled)
    expected = [each["expected"] - each["labelled"] for each in told.by_photo]
    width = [each["expected_high"] - each["expected_low"] for each in told.by_photo]
    return {
        "photos": told.photos,
        "labelled": told.labelled,
        "ap50": told.ap50,
        "f1": told.f1,
        "f1_best": best,
        "best_at": best_at,
        "f1_centre": told.f1_centre,
        "count_mae": told.count_mae,
        "count_r2": told.count_r2,
        "total_bias": told.proposed / max(told.labelled, 1) - 1,
        "expected_bias": float(np.sum(expected)) / max(told.labelled, 1),
        "precision": told.precision,
        "recall": told.recall,
        "recall_green": told.by_class.get("green", {}).get("recall"),
        "calibration_error": calibration(kept)[1],
        "interval_coverage": told.interval_coverage,
        "interval_width": float(np.mean(width)),
    }


def _rounded(figures: dict[str, Any]) -> dict[str, Any]:
    return {name: None if v is None else round(float(v), 3) for name, v in figures.items()}


def main(data: Path, looks: Path) -> None:
    """Fit, measure, write."""
    usual = {name: _source(data, looks, *where) for name, where in USUAL.items()}
    strange = {name: _source(data, looks, *where) for name, where in STRANGE.items()}
    held_out: dict[str, Any] = {}

    def numbers_without(left: str) -> tuple[Linear, Spread, float]:
        known = [each for key, each in usual.items() if key != left]
        strangers = [each for key, each in strange.items() if key not in {left, "tomato"}]
        strangers += known
        fitted = _fit(known)
        spread = _fit_spread(known, fitted)
        return fitted, _strange(strangers, fitted, spread), _threshold(known, fitted)

    def measured(name: str, source: Sequence[_Seen], told: tuple[Linear, Spread, float]) -> None:
        held_out[name] = _rounded(_figures(source, *told))
        sys.stdout.write(f"{name}: {json.dumps(held_out[name])}\n")
        sys.stdout.flush()

    for name in ("tomato-small", "strawberry"):
        measured(f"{name} (left out)", strange[name], numbers_without(name))
    every = fitted, spread, at = numbers_without("")
    for name, where in MEASURED.items():
        if (data / where[1][0]).is_dir():
            measured(f"{name} (never learnt from)", _source(data, looks, *where), every)
    for name, source in usual.items():
        measured(f"{name} (folds)", source, every)
    sys.stdout.write(f"threshold {at}, {fitted}, {spread}\n")
    text = files("counting.finding.stages").joinpath("confidence.json").read_text("utf-8")
    sets = json.loads(text)["sets"]
    for number in range(len(STAGES)):
        for others_of in combinations([name for name in STAGES if name != "scorer"], number):
            names = ("scorer", *others_of)
            sets[stage_set(names)] = {
                "intercept": round(fitted.intercept, 4),
                "weight": {n: round(float(fitted.weights[0]), 4) * (n == "scorer") for n in names},
                "silent": dict.fromkeys(names, 0.0),
                "spread": {
                    "shift_sd": round(spread.shift_sd, 4),
                    "missed": round(spread.missed, 4),
                    "strange": spread.strange,
                },
                "threshold": at,
                "held_out": held_out["tomato (folds)"],
                "sources": held_out,
            }
    origin = (
        "colour and blobs: 40 photos of tomato, scenes held out in thirds; scorer: "
        + ", ".join(f"{len(source)} photos of {name}" for name, source in usual.items())
    )
    write_numbers("confidence", {"origin": origin, "sets": sets})


if __name__ == "__main__":
    main(*(Path(name) for name in sys.argv[1:3]))
