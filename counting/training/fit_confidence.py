"""Fit how the scores of the colour and blob stages become one probability, where they stand alone.

    python -m counting.training.fit_confidence PHOTOS HELD_OUT

PHOTOS is ``../shared/labelled-photos/tomato``, HELD_OUT the folder that
`counting.training.fit_stages` wrote to: each stage's scores come from numbers that never saw the
photo's scene. Writes the sets without the scorer into ``confidence.json`` (`fit_scorer` those with
it); the figures in it are again from thirds held out in turn.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import minimize

from counting.accuracy.marked import BOX, Marked, Seen, mark_photo
from counting.accuracy.score import best_f1, calibration, ranked_hits
from counting.accuracy.score import score as figures_of
from counting.finding.boxes import proposed
from counting.finding.expected import Spread, distribution, expected_count
from counting.finding.matching import FREE, match_by_centre
from counting.finding.merge import join, merge_features, stage_set
from counting.finding.stages.numbers import numbers
from counting.finding.stages.profile import Linear
from counting.settings import FLOOR, STAGES
from counting.training.fit_stages import fit_logistic, write_numbers
from counting.training.scenes import ScenePhoto, scene_photos

__all__ = ["main"]

Array = NDArray[np.float64]
Tables = dict[str, pd.DataFrame]


@dataclass(frozen=True, slots=True)
class _Joined:
    photo: ScenePhoto
    boxes: Array
    features: Array

    def truth(self, confidence: Array) -> Array:
        return np.asarray(match_by_centre(self.boxes, confidence, self.photo.boxes) != FREE, float)


def _tables(photos: Sequence[ScenePhoto], held_out: Path) -> list[Tables]:
    """Return each photo's tables of the stages."""
    name = photos[0].path.parent.parent.name
    stored = json.loads((held_out / f"{name}.json").read_text(encoding="utf-8"))
    tables = []
    for photo in photos:
        mine: Tables = {}
        for stage, photos_rows in stored.items():
            rows = np.array(photos_rows[photo.path.name], dtype=np.float64).reshape(-1, 5)
            rows = rows[rows[:, 4] >= 0.02]
            mine[stage] = proposed(rows[:, :4], rows[:, 4])
        tables.append(mine)
    return tables


def _joined(photos: Sequence[ScenePhoto], tables: list[Tables], stages: tuple[str, ...]) -> Any:
    rows = []
    for photo, mine in zip(photos, tables, strict=True):
        used = {s: mine[f"{s} candidate"] for s in stages}
        boxes, scores, names = join(used)
        rows.append(_Joined(photo, boxes, merge_features(scores)))
    return rows, names


def _fit(rows: Sequence[_Joined]) -> Linear:
    """Fit the weights; whose turn it is in the matching follows from a first fit."""
    features = np.concatenate([row.features for row in rows])
    varies = features.std(axis=0) > 0
    first = [row.features[:, : features.shape[1] // 2].max(axis=1, initial=-9) for row in rows]
    orders = [np.asarray(order) for order in first]
    fitted = Linear(np.zeros(features.shape[1]), 0.0)
    for _ in range(3):
        truth = np.concatenate([row.truth(o) for row, o in zip(rows, orders, strict=True)])
        part = fit_logistic(features[:, varies], truth, np.ones(len(truth)), ridge=1e-4)
        weights = np.zeros(features.shape[1])
        weights[varies] = part.weights
        fitted = Linear(weights, part.intercept)
        orders = [fitted.odds(row.features) for row in rows]
    return fitted


def _fit_spread(rows: Sequence[_Joined], chances: Sequence[Array]) -> Spread:
    """Fit shift and missed fruit by maximum likelihood of the labelled counts."""

    def loss(values: Array) -> float:
        spread = Spread(float(np.exp(values[0])), float(np.exp(values[1])))
        total = 0.0
        for row, chance in zip(rows, chances, strict=True):
            every = distribution(chance, spread)
            count = min(len(row.photo.boxes), len(every) - 1)
            total -= float(np.log(every[count] + 1e-6))
        return total

    best = minimize(loss, np.log([0.3, 0.05]), method="Nelder-Mead", options={"maxiter": 60})
    return Spread(*(float(np.exp(value)) for value in best.x))


def _kept(chance: Array) -> Array:
    return chance[chance >= FLOOR]


def _held_out(rows: Sequence[_Joined]) -> dict[str, Any]:
    """Fit on two thirds of the scenes and measure on the third, in turn."""
    chances: list[Array] = [np.empty(0)] * len(rows)
    intervals: list[tuple[float, int, int]] = [(0.0, 0, 0)] * len(rows)
    for fold in range(3):
        others = [row for row in rows if row.photo.fold != fold]
        fitted = _fit(others)
        spread = _fit_spread(others, [_kept(fitted.probability(r.features)) for r in others])
        for number, row in enumerate(rows):
            if row.photo.fold == fold:
                chances[number] = fitted.probability(row.features)
                intervals[number] = expected_count(_kept(chances[number]), spread)
    return _figures(rows, chances, intervals)


def _figures(
    rows: Sequence[_Joined], chances: list[Array], intervals: list[tuple[float, int, int]]
) -> dict[str, Any]:
    """Return the figures by the rules of `counting.accuracy`, at the threshold of best F1."""
    listed = list(zip(rows, chances, intervals, strict=True))
    marked = [_marked(row, chance, interval) for row, chance, interval in listed]
    f1, threshold = best_f1(*ranked_hits(marked), sum(len(photo.labels) for photo in marked))
    figures = figures_of(marked, threshold or 0.0)
    kept = [
        _marked(row, np.where(chance >= FLOOR, chance, np.nan), interval)
        for row, chance, interval in listed
    ]
    expected = [row["expected"] - row["labelled"] for row in figures.by_photo]
    width = [row["expected_high"] - row["expected_low"] for row in figures.by_photo]
    return {
        "f1": f1,
        "threshold": threshold,
        "precision": figures.precision,
        "recall": figures.recall,
        "recall_green": figures.by_class["green"]["recall"],
        "ap50": figures.ap50,
        "f1_centre": figures.f1_centre,
        "calibration_error": calibration(kept)[1],
        "count_mae": float(np.abs(expected).mean()),
        "interval_coverage": figures.interval_coverage,
        "interval_width": float(np.mean(width)),
    }


def _marked(row: _Joined, chance: Array, interval: tuple[float, int, int]) -> Marked:
    """Return a photo's candidates beside its labels; one whose chance is NaN is left out."""
    kept = ~np.isnan(chance)
    candidates = pd.DataFrame(row.boxes[kept], columns=BOX).assign(confidence=chance[kept])
    photo = row.photo
    labels = pd.DataFrame(photo.boxes, columns=BOX).assign(
        photo=photo.name, kind=photo.kinds, crowd=photo.unsure
    )
    return mark_photo(photo.name, labels, Seen(candidates, *interval, 0.0))


def main(folder: Path, held_out: Path) -> None:
    """Fit, measure, write ``confidence.json``."""
    photos = scene_photos(folder)
    tables = _tables(photos, held_out)
    standing = numbers("confidence")
    sets: dict[str, Any] = dict(standing["sets"])
    alone = [name for name in STAGES if name != "scorer"]
    for number in (1, 2):
        for stages in combinations(alone, number):
            rows, names = _joined(photos, tables, stages)
            fitted = _fit(rows)
            spread = _fit_spread(rows, [_kept(fitted.probability(r.features)) for r in rows])
            weights = [float(f"{value:.4g}") for value in fitted.weights]
            figures = {key: round(float(v), 3) for key, v in _held_out(rows).items()}
            sets[stage_set(stages)] = {
                "intercept": float(f"{fitted.intercept:.4g}"),
                "weight": dict(zip(names, weights[: len(names)], strict=True)),
                "silent": dict(zip(names, weights[len(names) :], strict=True)),
                "spread": {
                    "shift_sd": round(spread.shift_sd, 4),
                    "missed": round(spread.missed, 4),
                },
                "held_out": figures,
            }
            sys.stdout.write(f"{stage_set(stages)}: {json.dumps(figures)}\n")
            sys.stdout.flush()
    write_numbers("confidence", {"origin": standing["origin"], "sets": sets})


if __name__ == "__main__":
    main(*(Path(name) for name in sys.argv[1:3]))
