"""Fruit of the row behind: too small for its colour, near the height of the lens, among its like.

A fruit 1.2 m behind the row looks less than half as large as it is. A small green fruit may be
young or far; a small red one is far. What hangs round it is as far as it is, so its neighbours are
asked too. The weights were fitted on rendered rows (`fixtures/render/fit_whose.py`).
"""

from __future__ import annotations

import json
from functools import lru_cache
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

__all__ = ["FEATURES", "behind_features", "behind_shares"]

Array = NDArray[np.float64]

FEATURES = (
    "size",
    "size squared",
    "red",
    "red by size",
    "size of those round it",
    "red of those round it",
    "red by size of those round it",
    "height from the lens",
    "height over the lens",
    "height squared",
    "size by height",
    "red by height",
)
TYPICAL_MM = 25.0
_ROUND_MM = 60.0
"""How far fruit of one bunch lie from each other in the row's plane (drawn rows)."""
_HEIGHT_MM = 300.0
_ROUNDS = 30
_NONE_BEHIND = (0.3, 10.0)
"""Fruit behind and not behind that each photo is thought to show besides (rendered rows)."""


def behind_features(places: Array, size_mm: Array, red: Array, weight: Array) -> Array:
    """Return what tells the row behind from the row.

    Parameters
    ----------
    places : (N, 2) ndarray of float
        mm along the row and upwards, the height from that of the lens.
    size_mm : (N,) ndarray of float
        Longer side in mm, as if the fruit hung in the row's plane.
    red : (N,) ndarray of float
        Red share, 0..1.
    weight : (N,) ndarray of float
        How surely each is a fruit.

    Returns
    -------
    (N, F) ndarray of float
        Columns `FEATURES`.
    """
    size = np.log(np.maximum(size_mm, 1.0) / TYPICAL_MM)
    own = np.column_stack([size, red, red * size])
    gap = places[:, None, :] - places[None, :, :]
    near = np.exp(-0.5 * (gap**2).sum(axis=2) / _ROUND_MM**2) * weight[None, :]
    round_it = near @ own / np.maximum(near.sum(axis=1, keepdims=True), 1e-9)
    height = np.clip(places[:, 1] / _HEIGHT_MM, -3.0, 3.0)
    of_height = [np.abs(height), height, height**2, size * height, red * height]
    return np.column_stack([size, size**2, red, red * size, round_it, *of_height])


@lru_cache(maxsize=1)
def _fitted() -> tuple[Array, float, float]:
    """Return the weights of the features, the intercept and the share behind it was fitted at."""
    text = files("counting.finding.zone").joinpath("behind.json").read_text(encoding="utf-8")
    fitted = json.loads(text)
    weights = [fitted["weights"][name] for name in FEATURES]
    share = float(fitted["share_behind"])
    return np.array(weights, dtype=np.float64), float(fitted["intercept"]), share


def behind_shares(places: Array, size_mm: Array, red: Array, weight: Array) -> Array:
    """Return the probability that each fruit hangs in the row behind; see `behind_features`.

    How much of the row behind a photo shows differs: a backdrop hides it, a young row bears
    nothing. So the share of fruit behind is estimated for each photo anew, in turn with the
    probabilities (Saerens, Latinne & Decaestecker 2002, Neural Computation 14:21).
    """
    if not len(places):
        return np.empty(0)
    weights, intercept, usual = _fitted()
    plain = behind_features(places, size_mm, red, weight) @ weights + intercept - logit(usual)
    share = usual
    for _ in range(_ROUNDS):
        behind = expit(plain + logit(share))
        share = (_NONE_BEHIND[0] + weight @ behind) / (sum(_NONE_BEHIND) + weight.sum())
    return np.asarray(expit(plain + logit(share)))
