"""Candidates of several stages made into one table with one probability each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit, logit

from counting.finding.expected import Spread
from counting.finding.matching import FREE, match_by_overlap
from counting.finding.stages.numbers import numbers
from counting.settings import STAGES, Settings

__all__ = ["Merged", "merge", "merge_numbers", "spread_of", "stage_set"]

Array = NDArray[np.float64]

SAME_FRUIT = 0.4
"""Overlap (intersection over union) from which candidates of two stages are one fruit."""
ORDER = ("scorer", "colour", "blobs")
"""Whose box stands where stages agree: the one whose boxes overlap the labels best comes first."""


@dataclass(frozen=True, slots=True)
class Merged:
    """Candidates of all stages, one row per fruit.

    Attributes
    ----------
    boxes : (N, 4) ndarray of float
        Centre x, centre y, width, height in px of the full-size photo, most probable first.
    confidence : (N,) ndarray of float
        Probability that it is a fruit to count.
    stages : tuple of str
        Stages that proposed each, joined by ``+``.
    """

    boxes: Array
    confidence: Array
    stages: tuple[str, ...]

    def only(self, kept: NDArray[np.bool_]) -> Merged:
        """Return those of a mask (N,)."""
        stages = tuple(said for said, stays in zip(self.stages, kept, strict=True) if stays)
        return Merged(self.boxes[kept], self.confidence[kept], stages)


def stage_set(stages: tuple[str, ...]) -> str:
    """Return the name by which numbers for a set of stages are kept, such as ``blobs+colour``."""
    return "+".join(sorted(stages))


def merge_numbers(stages: tuple[str, ...]) -> dict[str, Any]:
    """Return the fitted numbers of a set of stages, from ``confidence.json``."""
    fitted: dict[str, Any] = numbers("confidence")["sets"][stage_set(stages)]
    return fitted


def spread_of(settings: Settings) -> Spread:
    """Return how far counts stray: in a place never seen, unless the trial's own numbers tell.

    Numbers that another survey taught never make it less than as shipped.
    """
    fitted = merge_numbers(settings.stages)["spread"]
    own = settings.tuned and not settings.borrowed
    strange = 0.0 if own else fitted.get("strange", 0.0)
    wider = max(settings.fruit_spread, 1.0) if settings.borrowed else settings.fruit_spread
    return Spread(fitted["shift_sd"] * wider, fitted["missed"], strange)


def join(tables: Mapping[str, pd.DataFrame]) -> tuple[Array, Array, tuple[str, ...]]:
    """Match the stages' candidates.

    Where the scorer is one of the stages, the others add no candidate of their own: they only
    make the scorer's more or less likely. What they alone see is a leaf more often than a fruit.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        Stage to its table (schema `counting.finding.boxes.PROPOSED`).

    Returns
    -------
    boxes : (N, 4) ndarray of float
        One box per fruit.
    scores : (N, S) ndarray of float
        Score of each stage for it, NaN where the stage did not propose it.
    names : tuple of S str
        The stages, in the columns' order.
    """
    names = tuple(name for name in ORDER if name in tables)
    boxes = np.empty((0, 4))
    scores = np.empty((0, len(names)))
    for column, name in enumerate(names):
        values = tables[name].to_numpy(dtype=np.float64)
        partner = match_by_overlap(values[:, :4], values[:, 4], boxes, iou=SAME_FRUIT)
        alone = partner == FREE
        scores[partner[~alone], column] = values[~alone, 4]
        if column > 0 and names[0] == "scorer":
            continue
        fresh = np.full((alone.sum(), len(names)), np.nan)
        fresh[:, column] = values[alone, 4]
        boxes, scores = np.vstack([boxes, values[alone, :4]]), np.vstack([scores, fresh])
    return boxes, scores, names


def log_odds(probability: Array) -> Array:
    """Return log-odds, held within what 0.001 and 0.999 give so that no one score decides alone."""
    return np.asarray(logit(np.clip(probability, 1e-3, 1 - 1e-3)))


def merge_features(scores: Array) -> Array:
    """Return (N, 2 S): per stage its log-odds (0 where it is silent) and 1 where it is silent."""
    silent = np.isnan(scores)
    odds = np.where(silent, 0.0, log_odds(np.where(silent, 0.5, scores)))
    return np.hstack([odds, silent.astype(np.float64)])


def merge(tables: Mapping[str, pd.DataFrame], *, slope: float = 1, offset: float = 0) -> Merged:
    """Join the stages' candidates into fruit with a probability each.

    The log-odds of a fruit are a weighted sum of the log-odds its stages gave, with a fixed
    penalty for each stage that stayed silent; the weights were fitted on labelled photos of other
    scenes than those each stage's numbers came from.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        Stage to its table (schema `counting.finding.boxes.PROPOSED`).
    slope, offset : float
        A trial's own correction of the log-odds.

    Returns
    -------
    Merged
        Most probable first.
    """
    boxes, scores, names = join(tables)
    fitted = merge_numbers(names)
    weights = np.array([fitted["weight"][name] for name in names])
    silent = np.array([fitted["silent"][name] for name in names])
    odds = merge_features(scores) @ np.concatenate([weights, silent]) + fitted["intercept"]
    confidence = np.asarray(expit(slope * odds + offset))
    order = np.lexsort((boxes[:, 1], boxes[:, 0], -confidence))
    flow = [names.index(name) for name in STAGES if name in names]
    spoke = ~np.isnan(scores)
    said = tuple("+".join(names[k] for k in flow if spoke[row, k]) for row in order)
    return Merged(boxes[order], confidence[order], said)
