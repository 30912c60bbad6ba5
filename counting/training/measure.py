"""Figures of the scorer on photos held out, by the rules of `counting.accuracy`."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from counting.accuracy.marked import BOX, Seen, mark_photo
from counting.accuracy.score import best_f1, ranked_hits, score
from counting.finding.stages.scorer import Boxes, boxes_of
from counting.settings import reaches
from counting.training.material import MEASURED_FROM, MEASURED_ONLY, SETS, LabelledPhoto

Maps = Callable[[NDArray[np.float32]], NDArray[np.float32]]


def propose(maps: Maps, image: NDArray[np.uint8], long_side: int) -> Boxes:
    """Return candidates of one photo, decoded as the shipped scorer decodes them.

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
    boxes : (K, 4) ndarray of float
        Centre x, centre y, width, height in pixels of the photo; best first.
    confidence : (K,) ndarray of float
    """

    def run(padded: NDArray[np.uint8]) -> NDArray[np.float32]:
        return maps(np.ascontiguousarray(padded.transpose(2, 0, 1)[None], np.float32))

    return boxes_of(run, image, long_side)


def figures(
    photos: Sequence[LabelledPhoto], found: Mapping[str, Boxes], threshold: float
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
        mae, bias, r2; NaN where there is none.
    """
    return {
        name: _of_set([p for p in photos if p.domain == domain], found, threshold)
        for domain, name in (*enumerate(SETS), *enumerate(MEASURED_ONLY, MEASURED_FROM))
        if any(p.domain == domain for p in photos)
    }


def _of_set(
    photos: Sequence[LabelledPhoto], found: Mapping[str, Boxes], threshold: float
) -> dict[str, float]:
    """Figures of one set."""
    marked = [
        mark_photo(photo.name, _labels(photo), _seen(*found[photo.name], threshold))
        for photo in photos
    ]
    all_of = score(marked, threshold)
    best, best_at = best_f1(*ranked_hits(marked), all_of.labelled)
    told = {
        "photos": all_of.photos,
        "labels": all_of.labelled,
        "ap50": all_of.ap50,
        "precision": all_of.precision,
        "recall": all_of.recall,
        "f1": all_of.f1,
        "f1_centre": all_of.f1_centre,
        "f1_best": best,
        "best_at": best_at,
        "mae": all_of.count_mae,
        "bias": all_of.count_bias,
        "r2": all_of.count_r2,
    }
    return {name: float("nan") if value is None else value for name, value in told.items()}


def _labels(photo: LabelledPhoto) -> pd.DataFrame:
    """Return a photo's labels as `counting.accuracy.labels.LABELS` has them."""
    low, size = photo.boxes[:, :2].astype(np.float64), photo.boxes[:, 2:].astype(np.float64)
    table = pd.DataFrame(np.hstack([low + size / 2, size]), columns=BOX)
    return table.assign(photo=photo.name, kind="fruit", crowd=photo.unsure)


def _seen(boxes: NDArray[np.float64], sure: NDArray[np.float64], threshold: float) -> Seen:
    """Return candidates as `counting.accuracy` takes them; the network expects no count."""
    count = float(reaches(sure, threshold).sum())
    table = pd.DataFrame(boxes, columns=BOX).assign(confidence=sure)
    return Seen(table, count, count, count, 0.0)


def as_text(table: Mapping[str, Mapping[str, float]]) -> str:
    """Return figures as lines of text, a set each."""
    return "\n".join(
        f"{name:13s} " + " ".join(f"{key} {value:.3f}" for key, value in row.items())
        for name, row in table.items()
    )
