"""The figures of each source of labelled photos by itself: whom they were taken by, and where.

A finder is good in one place and poor in another, and a mean over both tells of neither.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePosixPath
from typing import Any

from counting.accuracy.marked import Marked
from counting.accuracy.score import score

__all__ = ["SOURCE_FIGURES", "by_source"]

SOURCE_FIGURES = (
    *("photos", "labelled", "proposed", "ap50", "f1", "f1_centre", "count_mae", "count_bias"),
    *("count_r2", "total_bias", "interval_coverage", "flagged"),
)
"""Of `counting.accuracy.score.Accuracy`, what is told of each source."""


def by_source(
    marked: Sequence[Marked], threshold: float, usual: str = "photos"
) -> dict[str, dict[str, Any]]:
    """Return the figures of each source, by its name.

    Parameters
    ----------
    marked : sequence of Marked
        The photos; a source is the first folder of a photo's name in the labels.
    threshold : float
        Confidence from which a candidate is proposed as a fruit.
    usual : str
        What to call the source of photos whose name has no folder.

    Returns
    -------
    dict of str to dict
        Name to `SOURCE_FIGURES`, in order of the names; what cannot be computed is None. Photos
        are flagged within their source, as in a trial of these photos alone.
    """
    parts: dict[str, list[Marked]] = {}
    for photo in marked:
        parts.setdefault(_source(photo.photo) or usual, []).append(photo)
    told = {}
    for name, part in sorted(parts.items()):
        figures = score(part, threshold)
        told[name] = {each: getattr(figures, each) for each in SOURCE_FIGURES}
    return told


def _source(photo: str) -> str:
    folders = PurePosixPath(photo.replace("\\", "/")).parts[:-1]
    return next((folder for folder in folders if folder not in {"/", ".."}), "")
