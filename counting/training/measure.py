"""Figures of the scorer on photos held out: decode the maps, match, count.

Matching as everywhere in the project: greedy by confidence at an overlap of at least 0.5, one
label each; and, looser, the candidate's centre within the label's box.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from .material import SETS, LabelledPhoto
from .network import MULTIPLE, STRIDE

Maps = Callable[[NDArray[np.float32]], NDArray[np.float32]]
FLOOR = 0.05
APART = 0.55


def propose(maps: Maps, image: NDArray[np.uint8], long_side: int) -> NDArray[np.float64]:
    """Return candidates of one photo.

    Parameters
    ----------
    maps : callable
        From a photo (1, 3, H, W), RGB 0 to 255, to the shipped network's maps (7, H/4, W/4).
    image : ndarray, (H, W, 3) uint8
        RGB.
    long_side : int
        The photo is brought to this size first.

    Returns
    -------
    ndarray, (K, 5)
        x, y, width, height in pixels of the photo, confidence; best first.
    """
    rows, columns = image.shape[:2]
    scale = long_side / max(rows, columns)
    size = (round(columns * scale), round(rows * scale))
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    small = cv2.resize(image, size, interpolation=way) if scale != 1 else image
    pad = (-size[1] % MULTIPLE, -size[0] % MULTIPLE)
    small = np.pad(small, ((0, pad[0]), (0, pad[1]), (0, 0)), constant_values=114)
    found = maps(np.ascontiguousarray(small.transpose(2, 0, 1)[None], np.float32))
    return decode(found, scale, (rows, columns))


def decode(maps: NDArray[np.float32], scale: float, shape: tuple[int, int]) -> NDArray[np.float64]:
    """Return candidates (K, 5) from the maps of one photo, as `propose` does."""
    score, highest, left, top, right, bottom, sure = maps
    ys, xs = np.nonzero((score >= highest) & (sure >= FLOOR))
    middle = np.stack([xs + 0.5, ys + 0.5], 1)
    low = middle - np.stack([left[ys, xs], top[ys, xs]], 1)
    high = middle + np.stack([right[ys, xs], bottom[ys, xs]], 1)
    limit = np.array(shape[::-1], float)
    within = (middle * STRIDE / scale < limit).all(1)
    low = np.clip(low * STRIDE / scale, 0, limit)[within]
    high = np.clip(high * STRIDE / scale, 0, limit)[within]
    found = np.column_stack([low, high - low, sure[ys, xs][within]]).astype(float)
    return thin_out(found[(found[:, 2:4] > 0).all(1)])


def thin_out(found: NDArray[np.float64], apart: float = APART) -> NDArray[np.float64]:
    """Keep, best first, the candidates that overlap no better one by more than a share."""
    found = found[np.argsort(-found[:, 4], kind="stable")]
    share = overlaps(found[:, :4], found[:, :4])
    kept: list[int] = []
    for number in range(len(found)):
        if not kept or share[number, kept].max() <= apart:
            kept.append(number)
    return found[kept]


def overlaps(first: NDArray[np.float64], second: NDArray[np.float64]) -> NDArray[np.float64]:
    """Overlap (intersection over union) of every pair of boxes x, y, width, height."""
    low = np.maximum(first[:, None, :2], second[None, :, :2])
    ends = np.minimum(
        (first[:, :2] + first[:, 2:4])[:, None], (second[:, :2] + second[:, 2:4])[None]
    )
    shared = np.clip(ends - low, 0, None).prod(2)
    areas = first[:, 2:4].prod(1)[:, None] + second[:, 2:4].prod(1)[None]
    return np.asarray(shared / np.maximum(areas - shared, 1e-9))


def matched(found: NDArray[np.float64], boxes: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether each candidate (best first) matches a label, greedily, at an overlap of 0.5."""
    hit = np.zeros(len(found), bool)
    if not len(boxes):
        return hit
    share = overlaps(found[:, :4], boxes)
    for number in range(len(found)):
        label = int(share[number].argmax())
        if share[number, label] >= 0.5:
            hit[number] = True
            share[:, label] = -1
    return hit


def matched_centre(found: NDArray[np.float64], boxes: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether each candidate's centre lies in a label's box, one label each, nearest first."""
    hit = np.zeros(len(found), bool)
    if not len(boxes) or not len(found):
        return hit
    centre = found[:, :2] + found[:, 2:4] / 2
    inside: NDArray[np.bool_] = np.all(
        (centre[:, None] >= boxes[None, :, :2])
        & (centre[:, None] <= boxes[None, :, :2] + boxes[None, :, 2:4]),
        axis=2,
    )
    away = np.linalg.norm(centre[:, None] - (boxes[:, :2] + boxes[:, 2:4] / 2)[None], axis=2)
    taken = np.zeros(len(boxes), bool)
    for pair in np.argsort(np.where(inside, away, np.inf), axis=None):
        candidate, label = np.unravel_index(pair, away.shape)
        if not bool(inside[candidate, label]):
            break
        if not hit[candidate] and not taken[label]:
            hit[candidate] = taken[label] = True
    return hit


def average_precision(hits: NDArray[np.bool_], sure: NDArray[np.float64], labels: int) -> float:
    """Mean of the best precision at 101 recalls, as COCO has it."""
    order = np.argsort(-sure, kind="stable")
    true = np.cumsum(hits[order])
    precision = true / np.arange(1, len(true) + 1)
    envelope = np.maximum.accumulate(precision[::-1])[::-1]
    at = np.searchsorted(true / max(labels, 1), np.linspace(0, 1, 101), side="left")
    return float(np.mean(np.append(envelope, 0.0)[np.minimum(at, len(envelope))]))


def figures(
    photos: Sequence[LabelledPhoto], found: Mapping[str, NDArray[np.float64]], threshold: float
) -> dict[str, dict[str, float]]:
    """Return the figures of each set at a threshold.

    Parameters
    ----------
    photos : sequence of LabelledPhoto
    found : mapping
        Candidates by photo name, as `propose` gives them.
    threshold : float

    Returns
    -------
    dict
        By set: photos, labels, ap50, precision, recall, f1, f1_centre, f1_best and its threshold,
        mae, bias, r2.
    """
    return {
        name: _of_set([p for p in photos if p.domain == domain], found, threshold)
        for domain, name in enumerate(SETS)
        if any(p.domain == domain for p in photos)
    }


def _of_set(
    photos: Sequence[LabelledPhoto], found: Mapping[str, NDArray[np.float64]], threshold: float
) -> dict[str, float]:
    """Figures of one set."""
    hits, sure, centre, kept, true = [], [], 0, [], []
    for photo in photos:
        here, boxes = found[photo.name], photo.boxes.astype(float)
        hits.append(matched(here, boxes))
        sure.append(here[:, 4])
        shown = here[here[:, 4] >= threshold]
        centre += int(matched_centre(shown, boxes).sum())
        kept.append(len(shown))
        true.append(len(boxes))
    hit, score, labels = np.concatenate(hits), np.concatenate(sure), sum(true)
    good = int(hit[score >= threshold].sum())
    order = np.argsort(-score, kind="stable")
    along = 2 * np.cumsum(hit[order]) / (np.arange(1, len(hit) + 1) + labels)
    best = int(along.argmax()) if len(along) else 0
    counted, real = np.array(kept, float), np.array(true, float)
    spread = float(((real - real.mean()) ** 2).sum())
    return {
        "photos": len(photos),
        "labels": labels,
        "ap50": average_precision(hit, score, labels),
        "precision": good / max(sum(kept), 1),
        "recall": good / max(labels, 1),
        "f1": 2 * good / max(sum(kept) + labels, 1),
        "f1_centre": 2 * centre / max(sum(kept) + labels, 1),
        "f1_best": float(along[best]) if len(along) else 0.0,
        "best_at": float(score[order][best]) if len(along) else 1.0,
        "mae": float(np.abs(counted - real).mean()),
        "bias": float((counted - real).mean()),
        "r2": 1 - float(((counted - real) ** 2).sum()) / spread if spread else float("nan"),
    }


def as_text(table: Mapping[str, Mapping[str, float]]) -> str:
    """Return figures as lines of text, a set each."""
    return "\n".join(
        f"{name:13s} " + " ".join(f"{key} {value:.3f}" for key, value in row.items())
        for name, row in table.items()
    )
