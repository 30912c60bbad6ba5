"""What the finder saw in labelled photos, candidate by candidate beside the labels.

A crowd region is neither hit nor miss, and a candidate on it is left out, as COCO does (Lin et
al. 2014, doi 10.1007/978-3-319-10602-1_48).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from counting.accuracy.labels import Labelled
from counting.finding.boxes import shared
from counting.finding.matching import FREE, match_by_centre, match_by_overlap
from counting.photos.image import Image
from counting.settings import reaches

if TYPE_CHECKING:
    from counting.finding.stages.run import Tables

__all__ = ["BOX", "Marked", "Said", "Seen", "mark", "mark_photo"]

Floats = NDArray[np.float64]
Truths = NDArray[np.bool_]

BOX = ["x", "y", "width", "height"]
"""Columns of a box: its centre and its size, px."""


@dataclass(frozen=True, slots=True)
class Said:
    """What the stages said of one photo: a lesson weighs it anew without running them again.

    Attributes
    ----------
    tables : mapping of str to DataFrame
        From `counting.finding.stages.run.stage_tables`.
    small : Image
        The photo, reduced.
    scale : float
        Px of the labels per px of the photo.
    """

    tables: Tables
    small: Image
    scale: float


@dataclass(frozen=True, slots=True)
class Seen:
    """What the finder made of one photo.

    Attributes
    ----------
    candidates : DataFrame
        At least ``x, y, width, height, confidence``, in px of the labels.
    count, count_low, count_high : float
        Expected count with its 90 % interval.
    seconds : float
        Time of decoding and finding.
    said : Said or None
        What the stages said, where it was kept to be weighed anew.
    """

    candidates: pd.DataFrame
    count: float
    count_low: float
    count_high: float
    seconds: float
    said: Said | None = None


@dataclass(frozen=True, slots=True)
class Marked:
    """One photo's candidates and labels with their partners, most confident candidate first.

    Attributes
    ----------
    photo : str
        Its name in the labels.
    candidates : DataFrame
        ``x, y, width, height, confidence``.
    labels : DataFrame
        Columns `counting.accuracy.labels.LABELS`, without crowd regions.
    by_overlap, by_centre : (N,) ndarray of int64
        Row of the label that each candidate got, or `FREE`.
    seen : Seen
        The finder's own words.
    """

    photo: str
    candidates: pd.DataFrame
    labels: pd.DataFrame
    by_overlap: NDArray[np.int64]
    by_centre: NDArray[np.int64]
    seen: Seen

    def proposed(self, threshold: float) -> Truths:
        """Which candidates are proposed as fruit at a threshold."""
        return reaches(self.candidates["confidence"].to_numpy(np.float64), threshold)


def mark(labelled: Labelled, seen: Mapping[str, Seen]) -> list[Marked]:
    """Match the candidates of every photo that was seen with its labels."""
    groups = dict(tuple(labelled.labels.groupby("photo", sort=False)))
    none = labelled.labels.iloc[:0]
    return [
        mark_photo(photo, groups.get(photo, none), seen[photo])
        for photo in labelled.photos["photo"]
        if photo in seen
    ]


def mark_photo(photo: str, labels: pd.DataFrame, seen: Seen) -> Marked:
    """Match one photo, leaving out candidates that lie on a crowd region.

    Parameters
    ----------
    photo : str
        Its name.
    labels : DataFrame
        Its labels, columns `counting.accuracy.labels.LABELS`.
    seen : Seen
        Its candidates.
    """
    ranked = seen.candidates.sort_values("confidence", ascending=False, kind="stable")
    crowd = labels["crowd"].to_numpy(bool)
    single, crowds = labels[~crowd].reset_index(drop=True), labels[crowd]
    boxes, confidence = _boxes(ranked), ranked["confidence"].to_numpy(np.float64)
    partner = match_by_overlap(boxes, confidence, _boxes(single))
    kept = (partner != FREE) | ~_on_crowd(boxes, _boxes(crowds))
    candidates = ranked[kept].reset_index(drop=True)
    centre = match_by_centre(boxes[kept], confidence[kept], _boxes(single))
    return Marked(photo, candidates, single, partner[kept], centre, seen)


def _on_crowd(boxes: Floats, crowds: Floats) -> Truths:
    """Whether at least half of each box lies on a crowd region, as COCO counts it."""
    area = boxes[:, 2] * boxes[:, 3]
    on: Truths = np.any(shared(boxes, crowds) >= 0.5 * area[:, None], axis=1)
    return on


def _boxes(table: pd.DataFrame) -> Floats:
    return table[BOX].to_numpy(np.float64).reshape(-1, 4)
