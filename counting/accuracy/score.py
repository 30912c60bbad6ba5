"""Candidates held against labelled fruit: hits, misses, false alarms, counts.

Conventions, since published figures differ by them: boxes have continuous edges; a label is given
to one candidate only; all classes are one, "fruit"; average precision is that of COCO (precision
made monotone, read at 101 values of recall; Lin et al. 2014, doi 10.1007/978-3-319-10602-1_48)
at an overlap of 0.5, with no limit on the number of candidates of a photo.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from counting.accuracy.labels import LABELS
from counting.accuracy.marked import Marked
from counting.finding.matching import FREE
from counting.finding.uncertain import expected_error, most_uncertain
from counting.tables import empty

__all__ = [
    "SIZES",
    "Accuracy",
    "average_precision",
    "best_f1",
    "calibration",
    "ranked_hits",
    "score",
]

Floats = NDArray[np.float64]
Truths = NDArray[np.bool_]

SIZES: Mapping[str, tuple[float, float | None]] = {
    "small": (0.0, 32.0),
    "medium": (32.0, 96.0),
    "large": (96.0, None),
}
"""Edges of the size classes: px of the square root of the box's area, as COCO draws them."""
_RECALLS = np.linspace(0, 1, 101)
_BINS = 10


@dataclass(frozen=True, slots=True)
class Accuracy:
    """The figures of ``accuracy.json``; what cannot be computed is None.

    Attributes
    ----------
    photos, labelled, proposed, matched : int
        Photos; labelled fruit; candidates at the threshold; those of them that are hits by overlap.
    precision, recall, f1 : float or None
        At the threshold, by overlap; ``*_centre`` by centre.
    ap50 : float or None
        Average precision over all candidates.
    threshold : float
        Confidence from which a candidate is proposed.
    count_mae, count_bias, count_r2 : float or None
        Proposed against labelled count of a photo: mean absolute difference, mean difference
        (above 0 when too many are proposed), and 1 - sum of squared differences / sum of squares
        of the labelled counts about their mean.
    corrections_per_100 : float or None
        Misses and false alarms by centre, per 100 labelled fruit: clicks of a reviewer.
    interval_coverage : float or None
        Share of photos whose labelled count lies in the 90 % interval of the expected count.
    total_bias : float or None
        Proposed fruit of all photos over labelled ones, less 1.
    flagged : dict
        ``share`` of photos that a person is directed to, and ``error_share``, how much of all
        count error lies in them.
    seconds_per_photo : float or None
        Mean time of decoding and finding, one core.
    by_class, by_size : dict
        Name to ``labelled``, ``recall`` (by overlap) and ``recall_centre``; sizes, between
        ``from_px`` and ``to_px``, also with ``proposed`` and ``precision`` of candidates so large.
    by_photo : list of dict
        The same, photo by photo, with the expected count and its 90 % interval.
    """

    photos: int
    labelled: int
    proposed: int
    matched: int
    precision: float | None
    recall: float | None
    f1: float | None
    precision_centre: float | None
    recall_centre: float | None
    f1_centre: float | None
    ap50: float | None
    threshold: float
    count_mae: float | None
    count_bias: float | None
    count_r2: float | None
    corrections_per_100: float | None
    interval_coverage: float | None
    total_bias: float | None
    flagged: dict[str, float | None]
    seconds_per_photo: float | None
    by_class: dict[str, dict[str, Any]]
    by_size: dict[str, dict[str, Any]]
    by_photo: list[dict[str, Any]]

    def to_json(self) -> dict[str, Any]:
        """Return the figures as plain values."""
        return asdict(self)


def score(marked: Sequence[Marked], threshold: float) -> Accuracy:
    """Return the figures of photos whose candidates stand beside the labels.

    Parameters
    ----------
    marked : sequence of Marked
        The photos, from `counting.accuracy.marked.mark`.
    threshold : float
        Confidence from which a candidate is proposed as a fruit.
    """
    by_photo = [_photo_row(photo, threshold) for photo in marked]
    total = {
        key: sum(row[key] for row in by_photo)
        for key in ("labelled", "proposed", "matched", "matched_centre")
    }
    labelled, proposed = total["labelled"], total["proposed"]
    hits, hits_centre = total["matched"], total["matched_centre"]
    precision, recall, f1 = _three(hits, proposed, labelled)
    precision_centre, recall_centre, f1_centre = _three(hits_centre, proposed, labelled)
    mae, bias, r2 = _count_errors(by_photo)
    return Accuracy(
        photos=len(by_photo),
        labelled=labelled,
        proposed=proposed,
        matched=hits,
        precision=precision,
        recall=recall,
        f1=f1,
        precision_centre=precision_centre,
        recall_centre=recall_centre,
        f1_centre=f1_centre,
        ap50=_ap50(marked, labelled),
        threshold=threshold,
        count_mae=mae,
        count_bias=bias,
        count_r2=r2,
        corrections_per_100=_ratio(100 * (labelled + proposed - 2 * hits_centre), labelled),
        interval_coverage=_mean([row["within"] for row in by_photo]),
        total_bias=None if not labelled else proposed / labelled - 1,
        flagged=_flagged(by_photo),
        seconds_per_photo=_mean([row["seconds"] for row in by_photo]),
        by_class=_by_class(marked, threshold),
        by_size=_by_size(marked, threshold),
        by_photo=by_photo,
    )


def _photo_row(photo: Marked, threshold: float) -> dict[str, Any]:
    wanted = photo.proposed(threshold)
    labelled, proposed = len(photo.labels), int(wanted.sum())
    hits = int((photo.by_overlap[wanted] != FREE).sum())
    centre = int((photo.by_centre[wanted] != FREE).sum())
    seen = photo.seen
    return {
        "photo": photo.photo,
        "labelled": labelled,
        "proposed": proposed,
        "matched": hits,
        "matched_centre": centre,
        "corrections": labelled + proposed - 2 * centre,
        "precision": _ratio(hits, proposed),
        "recall": _ratio(hits, labelled),
        "f1": _ratio(2 * hits, proposed + labelled),
        "f1_centre": _ratio(2 * centre, proposed + labelled),
        "expected": seen.count,
        "expected_low": seen.count_low,
        "expected_high": seen.count_high,
        "expected_error": expected_error(proposed, seen.count, seen.count_low, seen.count_high),
        "within": bool(seen.count_low <= labelled <= seen.count_high),
        "seconds": seen.seconds,
    }


def _flagged(by_photo: list[dict[str, Any]]) -> dict[str, float | None]:
    """Return the share of photos flagged for their count, and their share of all count error."""
    chosen = most_uncertain(np.array([row["expected_error"] for row in by_photo], np.float64))
    errors = np.array([abs(row["proposed"] - row["labelled"]) for row in by_photo], np.float64)
    for row, flagged in zip(by_photo, chosen, strict=True):
        row["flagged"] = bool(flagged)
    return {
        "share": _ratio(int(chosen.sum()), len(by_photo)),
        "error_share": _ratio(float(errors[chosen].sum()), float(errors.sum())),
    }


def _three(
    hits: int, proposed: int, labelled: int
) -> tuple[float | None, float | None, float | None]:
    """Precision, recall and their harmonic mean."""
    return (
        _ratio(hits, proposed),
        _ratio(hits, labelled),
        _ratio(2 * hits, proposed + labelled),
    )


def _ratio(part: float, whole: float) -> float | None:
    return part / whole if whole else None


def _mean(values: Sequence[float]) -> float | None:
    return float(np.mean(values)) if values else None


def _count_errors(
    by_photo: list[dict[str, Any]],
) -> tuple[float | None, float | None, float | None]:
    """Mean absolute error, bias and R2 of the proposed counts."""
    truth = np.array([row["labelled"] for row in by_photo], dtype=np.float64)
    error = np.array([row["proposed"] for row in by_photo], dtype=np.float64) - truth
    if not len(truth):
        return None, None, None
    spread = float(((truth - truth.mean()) ** 2).sum())
    r2 = 1 - float((error**2).sum()) / spread if spread else None
    return float(np.abs(error).mean()), float(error.mean()), r2


def _ap50(marked: Sequence[Marked], labelled: int) -> float | None:
    if not labelled:
        return None
    return average_precision(*ranked_hits(marked), labelled)


def ranked_hits(marked: Sequence[Marked]) -> tuple[Floats, Truths]:
    """Return the confidence of every candidate of all photos, and whether it is a hit by overlap.

    Returns
    -------
    confidence : (N,) ndarray of float
        Photo by photo, not ranked over all.
    hit : (N,) ndarray of bool
    """
    confidence = [photo.candidates["confidence"].to_numpy(np.float64) for photo in marked]
    hits = [photo.by_overlap != FREE for photo in marked]
    none = np.zeros(0)
    return np.concatenate([none, *confidence]), np.concatenate([none.astype(bool), *hits])


def best_f1(confidence: Floats, hit: Truths, labelled: int) -> tuple[float | None, float | None]:
    """Return the best F1 over all thresholds, and the threshold that gives it.

    Parameters
    ----------
    confidence, hit : (N,) ndarray
        As `ranked_hits` gives them.
    labelled : int
        Number of labels.

    Returns
    -------
    f1, threshold : float or None
        None without candidates.
    """
    if not len(confidence):
        return None, None
    order = np.argsort(-confidence, kind="stable")
    f1 = 2 * np.cumsum(hit[order]) / (np.arange(1, len(hit) + 1) + labelled)
    best = int(f1.argmax())
    return float(f1[best]), float(confidence[order[best]])


def average_precision(
    confidence: Floats,
    hit: Truths,
    labelled: int,
    *,
    read_at: Literal["101 points", "all points"] = "101 points",
) -> float:
    """Return the average precision of ranked candidates.

    Parameters
    ----------
    confidence : (N,) ndarray of float
        Equal ones keep the order given.
    hit : (N,) ndarray of bool
        Whether each candidate got a label.
    labelled : int
        Number of labels, at least 1.
    read_at : {"101 points", "all points"}
        Where the monotone curve is read: at recall 0, 0.01 ... 1 (COCO), or at every recall
        reached (Pascal VOC from 2010 on).

    Returns
    -------
    float
        0..1.
    """
    ranked = hit[np.argsort(-confidence, kind="stable")]
    hits = np.cumsum(ranked)
    recall = hits / labelled
    precision = hits / np.arange(1, len(ranked) + 1)
    best = np.maximum.accumulate(precision[::-1])[::-1]
    if read_at == "all points":
        return float((np.diff(recall, prepend=0.0) * best).sum())
    at = np.searchsorted(recall, _RECALLS, side="left")
    reached = at < len(best)
    return float(best[at[reached]].sum() / len(_RECALLS))


def _by_class(marked: Sequence[Marked], threshold: float) -> dict[str, dict[str, Any]]:
    return {
        str(kind): _recalls(part)
        for kind, part in _found_labels(marked, threshold).groupby("kind", sort=True)
    }


def _recalls(labels: pd.DataFrame) -> dict[str, Any]:
    return {
        "labelled": len(labels),
        "recall": _mean(labels["found"].tolist()),
        "recall_centre": _mean(labels["found_centre"].tolist()),
    }


def _by_size(marked: Sequence[Marked], threshold: float) -> dict[str, dict[str, Any]]:
    """Recall by the label's size, precision by the candidate's own."""
    labels = _found_labels(marked, threshold)
    hits = [photo.by_overlap != FREE for photo in marked]
    shown = [photo.candidates.assign(hit=hit) for photo, hit in zip(marked, hits, strict=True)]
    wanted = [table[photo.proposed(threshold)] for photo, table in zip(marked, shown, strict=True)]
    sizes = {}
    for name, (low, high) in SIZES.items():
        ours = [table["hit"][_between(table, low, high)] for table in wanted]
        proposed, hit = sum(map(len, ours)), sum(int(part.sum()) for part in ours)
        sizes[name] = {
            **_recalls(labels[_between(labels, low, high)]),
            "proposed": proposed,
            "precision": _ratio(hit, proposed),
            "from_px": low,
            "to_px": high,
        }
    return sizes


def _between(table: pd.DataFrame, low: float, high: float | None) -> Truths:
    """Which boxes belong to a size class."""
    area = (table["width"] * table["height"]).to_numpy(np.float64)
    inside: Truths = (area >= low**2) & (area < (np.inf if high is None else high**2))
    return inside


def _found_labels(marked: Sequence[Marked], threshold: float) -> pd.DataFrame:
    """All labels with the columns `found` and `found_centre`: whether a proposed candidate hit."""
    parts = []
    for photo in marked:
        wanted, rows = photo.proposed(threshold), np.arange(len(photo.labels))
        overlap = np.isin(rows, photo.by_overlap[wanted])
        centre = np.isin(rows, photo.by_centre[wanted])
        parts.append(photo.labels.assign(found=overlap, found_centre=centre))
    if not parts:
        return empty({**LABELS, "found": "bool", "found_centre": "bool"})
    return pd.concat(parts, ignore_index=True)


def calibration(marked: Sequence[Marked]) -> tuple[pd.DataFrame, float | None]:
    """Return how often candidates of a confidence are fruit (hits by centre).

    Returns
    -------
    table : DataFrame
        One row per tenth of confidence that holds candidates: ``low, high, candidates,
        confidence`` (their mean) and ``share`` (that are fruit).
    error : float or None
        Expected calibration error: mean of |share - confidence| weighted by candidates (Guo et
        al. 2017, arXiv 1706.04599); None without candidates.
    """
    listed = [photo.candidates["confidence"].to_numpy(np.float64) for photo in marked]
    confidence = np.concatenate([np.zeros(0), *listed])
    hit = np.concatenate([np.zeros(0, dtype=bool), *(photo.by_centre != FREE for photo in marked)])
    tenth = np.minimum((confidence * _BINS).astype(int), _BINS - 1)
    rows = [
        {
            "low": step / _BINS,
            "high": (step + 1) / _BINS,
            "candidates": int((tenth == step).sum()),
            "confidence": float(confidence[tenth == step].mean()),
            "share": float(hit[tenth == step].mean()),
        }
        for step in np.unique(tenth)
    ]
    table = pd.DataFrame(rows, columns=["low", "high", "candidates", "confidence", "share"])
    if not rows:
        return table, None
    gap = (table["share"] - table["confidence"]).abs() * table["candidates"]
    return table, float(gap.sum() / table["candidates"].sum())
