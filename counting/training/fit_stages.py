"""Fit the numbers of the colour and blob stages on labelled photos, and say how well they carry.

    python -m counting.training.fit_stages ../shared/labelled-photos/tomato HELD_OUT

Numbers are fitted on whole scenes and measured on the others, three times in turn; those that
ship are fitted on all photos. Writes ``colour.json`` and ``blobs.json`` beside the stages, and
what each stage found on scenes held out into the folder HELD_OUT, for `fit_confidence`.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from counting.accuracy.score import best_f1
from counting.finding.boxes import overlap, suppress
from counting.finding.matching import FREE, match_by_overlap
from counting.finding.stages import blobs, colour
from counting.finding.stages.numbers import Raw
from counting.finding.stages.profile import Linear
from counting.photos.image import Image, load_image
from counting.training.scenes import ScenePhoto, scene_photos

__all__ = ["fit_logistic", "write_numbers"]

Array = NDArray[np.float64]
Judged = tuple[Array, Array, Array]

_RIDGE = 3e-3  # pull of the weights towards zero; little changed between 1e-3 and 1e-2
_PIXELS = {"": 4000, "green": 2000, "red": 2000}  # sampled per photo: of no fruit, of each kind
_HIT, _NEAR = 0.6, 0.4
"""Overlap with a label from which a candidate is learnt as fruit, and under which as none; between
the two it has little weight."""


def fit_logistic(
    features: Array, truth: Array, weight: Array, *, steps: int = 12, ridge: float = _RIDGE
) -> Linear:
    """Fit a ridge logistic regression by Newton's method.

    Parameters
    ----------
    features : (N, F) ndarray of float
        One row per case.
    truth : (N,) ndarray of float
        1 for fruit, 0 for none.
    weight : (N,) ndarray of float
        How much each case matters.
    steps : int
        Newton steps.
    ridge : float
        Weight of the penalty on the squared coefficients.
    """
    middle, spread = features.mean(axis=0), features.std(axis=0) + 1e-9
    scaled = np.hstack([(features - middle) / spread, np.ones((len(features), 1))])
    pull = np.eye(scaled.shape[1]) * ridge * weight.sum()
    pull[-1, -1] = 0
    beta = np.zeros(scaled.shape[1])
    for _ in range(steps):
        chance = expit(scaled @ beta)
        slope = scaled.T @ (weight * (chance - truth)) + pull @ beta
        bend = (scaled * (weight * np.maximum(chance * (1 - chance), 1e-4))[:, None]).T @ scaled
        beta -= np.linalg.solve(bend + pull, slope)
    weights = beta[:-1] / spread
    return Linear(weights, float(beta[-1] - weights @ middle))


def _pixels(photo: ScenePhoto, image: Image, rng: np.random.Generator) -> tuple[Array, Array]:
    """Sample pixels of fruit and of none: features and truth."""
    small = colour.resized(image.rgb, colour.LONG_SIDE)
    shrink = max(small.shape[:2]) / max(image.width, image.height)
    planes = colour.pixel_features(small)
    kinds = np.zeros(small.shape[:2], dtype=np.uint8)
    boxed = np.zeros_like(kinds)
    boxes, known = photo.boxes * shrink, list(_PIXELS)
    for row in np.argsort(-boxes[:, 2] * boxes[:, 3], kind="stable"):
        x, y, width, height = boxes[row]
        axes = (int(width * 0.45), int(height * 0.45))
        cv2.ellipse(kinds, (int(x), int(y)), axes, 0, 0, 360, known.index(photo.kinds[row]), -1)
        corner = (int(x - width / 2), int(y - height / 2))
        cv2.rectangle(boxed, corner, (int(x + width / 2), int(y + height / 2)), 1, -1)
    rows = []
    for kind, most in enumerate(_PIXELS.values()):
        place = np.flatnonzero((kinds == kind) & ((boxed == 0) | (kind > 0)))
        rows.append(rng.choice(place, min(most, len(place)), replace=False))
    chosen = np.concatenate(rows)
    values = np.stack([plane.ravel()[chosen] for plane in planes], axis=1).astype(np.float64)
    return values, (kinds.ravel()[chosen] > 0).astype(np.float64)


def _judged(photo: ScenePhoto, image: Image, raw: Raw) -> Judged:
    """Return raw candidates as boxes in full-size px, features, best overlap with a label."""
    boxes, features, shape = raw
    boxes = boxes * (max(image.width, image.height) / max(shape))
    best = overlap(boxes, photo.boxes).max(axis=1, initial=0)
    return boxes, features, best


def _fit_candidates(rows: list[Judged]) -> Linear:
    features = np.concatenate([row[1] for row in rows])
    best = np.concatenate([row[2] for row in rows])
    weight = np.where((best > _NEAR) & (best < _HIT), 0.3, 1.0)
    return fit_logistic(features, (best >= _HIT).astype(np.float64), weight)


def _f1(photos: list[ScenePhoto], scored: list[tuple[Array, Array]]) -> str:
    """Return best F1 over thresholds and that threshold, overlap 0.5, as words."""
    pairs = list(zip(photos, scored, strict=True))
    hits = [match_by_overlap(*found, photo.boxes) != FREE for photo, found in pairs]
    every = np.concatenate([score for _, score in scored])
    f1, at = best_f1(every, np.concatenate(hits), sum(len(photo.boxes) for photo in photos))
    return "nothing found" if f1 is None else f"F1 {f1:.3f} at {at:.2f}"


def write_numbers(name: str, content: dict[str, Any]) -> None:
    """Write ``NAME.json`` beside the stages, where `counting.finding.stages.numbers` reads it."""
    path = Path(blobs.__file__).with_name(f"{name}.json")
    path.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")


def _as_json(fitted: Linear) -> dict[str, Any]:
    weights = [float(f"{value:.5g}") for value in fitted.weights]
    return {"weights": weights, "intercept": float(f"{fitted.intercept:.5g}")}


def _in_turn(
    photos: list[ScenePhoto], rows: list[Judged], limit: float
) -> list[tuple[Array, Array]]:
    """Fit on two thirds of the scenes, judge the third; three times."""
    empty = (np.empty((0, 4)), np.empty(0))
    scored = [empty] * len(photos)
    for fold in range(3):
        others = [row for photo, row in zip(photos, rows, strict=True) if photo.fold != fold]
        fitted = _fit_candidates(others)
        for number, photo in enumerate(photos):
            if photo.fold == fold:
                boxes, features, _ = rows[number]
                score = fitted.probability(features)
                kept = suppress(boxes, score, limit, inside=0.6)
                scored[number] = (boxes[kept], score[kept])
    return scored


def _told(photos: list[ScenePhoto], images: list[Image]) -> list[Linear]:
    """Fit the pixel classes without each fold in turn, then on all photos."""
    rng = np.random.default_rng(0)
    pixels = [_pixels(p, image, rng) for p, image in zip(photos, images, strict=True)]
    told = []
    for fold in (0, 1, 2, None):
        some = [row for p, row in zip(photos, pixels, strict=True) if p.fold != fold]
        values, truth = (np.concatenate([row[k] for row in some]) for k in range(2))
        told.append(fit_logistic(values, truth, np.ones(len(truth)), steps=6))
    return told


def main(folder: Path, out: Path) -> None:
    """Fit, measure, write; what was found on scenes held out goes to the folder `out`."""
    cv2.setNumThreads(1)
    photos = scene_photos(folder)
    images = [load_image(photo.path, long_side=768) for photo in photos]
    pairs = list(zip(photos, images, strict=True))
    told = _told(photos, images)
    origin = f"{len(photos)} photos, {sum(len(p.boxes) for p in photos)} fruit of {folder.name}"
    fitted: dict[str, dict[str, Any]] = {
        "colour": {"origin": origin, "pixel": _as_json(told[-1])},
        "blobs": {"origin": origin},
    }
    held_out: dict[str, Any] = {}
    for part in ("candidate", "cheap"):
        side = {"candidate": colour.LONG_SIDE, "cheap": colour.CHEAP_SIDE}[part]
        rows = {
            "colour": [
                _judged(p, i, colour.raw_candidates(i, side, told[p.fold])) for p, i in pairs
            ],
            "blobs": [_judged(p, i, blobs.raw_candidates(i, side)) for p, i in pairs],
        }
        for name, limit in (("colour", colour.SAME), ("blobs", blobs.SAME)):
            scored = _in_turn(photos, rows[name], limit)
            sys.stdout.write(f"{name} at {side} px: {_f1(photos, scored)}\n")
            sys.stdout.flush()
            fitted[name][part] = _as_json(_fit_candidates(rows[name]))
            held_out[f"{name} {part}"] = {
                photo.path.name: np.column_stack([boxes, score]).round(4).tolist()
                for photo, (boxes, score) in zip(photos, scored, strict=True)
            }
    for name, content in fitted.items():
        write_numbers(name, content)
    (out / f"{folder.name}.json").write_text(json.dumps(held_out), encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
