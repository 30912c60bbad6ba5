"""The fitted numbers that stand in JSON files beside the modules that use them."""

from __future__ import annotations

import json
from functools import lru_cache
from importlib.resources import files
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from counting.finding.boxes import proposed, suppress
from counting.finding.stages.profile import Linear
from counting.photos.image import Image

__all__ = ["Raw", "judged", "linear", "numbers"]

Array = NDArray[np.float64]
Raw = tuple[Array, Array, tuple[int, int]]
"""Raw candidates: boxes (N, 4) in px of a reduced photo, features (N, F), that photo's shape."""
_LEAST = 0.02  # a candidate scored below is dropped


@lru_cache(maxsize=8)
def numbers(name: str) -> dict[str, Any]:
    """Return the content of ``NAME.json``, read once."""
    text = files("counting.finding.stages").joinpath(f"{name}.json").read_text(encoding="utf-8")
    content: dict[str, Any] = json.loads(text)
    return content


def linear(name: str, part: str) -> Linear:
    """Return one fitted sum of ``NAME.json``."""
    found = numbers(name)[part]
    return Linear(np.array(found["weights"], dtype=np.float64), float(found["intercept"]))


def judged(image: Image, raw: Raw, told: Linear, same: float) -> pd.DataFrame:
    """Return raw candidates as a stage's table: scored, of those on one fruit the best.

    Parameters
    ----------
    image : Image
        The photo.
    raw : Raw
        Its raw candidates.
    told : Linear
        What scores their features.
    same : float
        Overlap above which the poorer of two goes.
    """
    boxes, features, shape = raw
    score = told.probability(features)
    keep = score >= _LEAST
    boxes, score = boxes[keep], score[keep]
    kept = suppress(boxes, score, same, inside=0.6)
    back = image.scale * max(image.rgb.shape[:2]) / max(shape)
    return proposed(boxes[kept] * back, score[kept])
