"""Fruit of the row behind: too small for its colour, near the height of the lens, among its like.

A fruit 1.2 m behind the row looks less than half as large as it is. A small green fruit may be
young or far; a small red one is far. What hangs round it is as far as it is, so those round it are
asked too, near and wide, and those at its height: far trusses crowd towards the height of the
lens. And a row's own fruit hang by its stems, those behind anywhere between. The weights were
fitted on rendered rows of many cultivars and places (`fixtures/render/fit_whose.py`).
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

__all__ = ["FEATURES", "OFF_STEM_UNKNOWN", "Fitted", "behind_features", "behind_shares"]

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
    "fruit within 25 mm",
    "their size",
    "fruit within 60 mm",
    "fruit within 150 mm",
    "their size, wide",
    "fruit at its height",
    "size of those at its height",
    "fruit in the photo",
    "share of larger fruit",
    "off the stem",
)
TYPICAL_MM = 25.0
_TRUSS_MM, _ROUND_MM, _WIDE_MM = 25.0, 60.0, 150.0
"""How far fruit of one truss, of one bunch and of one plant lie from each other in the row's plane
(standard deviations; tried on rendered rows)."""
_BAND_MM = 60.0
"""How far fruit at one height differ in it, standard deviation."""
_HEIGHT_MM = 300.0
_LARGER = 0.15
"""How much larger, on the logarithm, a fruit is that counts as larger."""
REACH = 10.0
"""Spreads from its mean beyond which a feature tells no more than there."""
_OFF_STEM_MM, _FARTHEST_MM = 100.0, 400.0
OFF_STEM_UNKNOWN = 85.0
"""mm off the stem where none is known: as the fruit of a row hang (`stand.SPREAD_MM`)."""


def behind_features(
    places: Array, size_mm: Array, red: Array, weight: Array, off_stem_mm: Array
) -> Array:
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
    off_stem_mm : (N,) ndarray of float
        From the nearest stem, along the row.

    Returns
    -------
    (N, F) ndarray of float
        Columns `FEATURES`.
    """
    size = np.log(np.maximum(size_mm, 1.0) / TYPICAL_MM)
    own = np.column_stack([size, red, red * size])
    gap = places[:, None, :] - places[None, :, :]
    apart = (gap**2).sum(axis=2)
    truss, round_it, wide = (
        np.exp(-0.5 * apart / reach**2) * weight[None, :]
        for reach in (_TRUSS_MM, _ROUND_MM, _WIDE_MM)
    )
    band = np.exp(-0.5 * (gap[..., 1] / _BAND_MM) ** 2) * weight[None, :]
    height = np.clip(places[:, 1] / _HEIGHT_MM, -3.0, 3.0)
    whole = weight.sum()
    larger = (size[None, :] > size[:, None] + _LARGER) @ weight
    return np.column_stack(
        [
            size,
            size**2,
            red,
            red * size,
            _mean(round_it, own),
            *(np.abs(height), height, height**2, size * height, red * height),
            _others(truss),
            _mean(truss, size),
            _others(round_it),
            _others(wide),
            _mean(wide, size),
            np.log1p(band.sum(axis=1)),
            _mean(band, size),
            np.full(len(size), np.log1p(whole)),
            larger / max(whole, 1e-9),
            np.clip(off_stem_mm, 0.0, _FARTHEST_MM) / _OFF_STEM_MM,
        ]
    )


def _mean(near: Array, values: Array) -> Array:
    """Return the mean of values over those near each fruit, itself among them."""
    whole = np.maximum(near.sum(axis=1), 1e-9)
    return np.asarray((near @ values) / (whole[:, None] if values.ndim > 1 else whole))


def _others(near: Array) -> Array:
    """Return the logarithm of how many others, and one, are near each fruit."""
    return np.asarray(np.log1p(near.sum(axis=1) - np.diagonal(near)))


@dataclass(frozen=True, slots=True)
class Fitted:
    """What was fitted: a straight part and a small layer beside it.

    Attributes
    ----------
    middle, spread : (F,) ndarray of float
        Mean and standard deviation of each feature where it was fitted.
    straight : (F,) ndarray of float
    intercept : float
    within : (F, H) ndarray of float
    bias, out : (H,) ndarray of float
    for_own : float
        By how much the log-odds are lowered.
    """

    middle: Array
    spread: Array
    straight: Array
    intercept: float
    within: Array
    bias: Array
    out: Array
    for_own: float

    def log_odds(self, features: Array) -> Array:
        """Return the log-odds of hanging behind, of features (N, F), before they are lowered."""
        scaled = np.clip((features - self.middle) / self.spread, -REACH, REACH)
        layer = np.tanh(scaled @ self.within + self.bias)
        return np.asarray(scaled @ self.straight + self.intercept + layer @ self.out)


@lru_cache(maxsize=1)
def _fitted() -> Fitted:
    """Return what was fitted on rendered rows."""
    text = files("counting.finding.zone").joinpath("behind.json").read_text(encoding="utf-8")
    stored = json.loads(text)
    by_name = np.array([stored["features"][name] for name in FEATURES], dtype=np.float64)
    middle, spread, straight = by_name[:, 0], by_name[:, 1], by_name[:, 2]
    bias, out = (np.array(stored[name], dtype=np.float64) for name in ("bias", "out"))
    intercept, for_own = float(stored["intercept"]), float(stored["for_own"])
    return Fitted(middle, spread, straight, intercept, by_name[:, 3:], bias, out, for_own)


def behind_shares(
    places: Array, size_mm: Array, red: Array, weight: Array, off_stem_mm: Array
) -> Array:
    """Return the probability that each fruit hangs in the row behind; see `behind_features`.

    The log-odds are lowered by what loses about as many own fruit as it counts strangers, over
    rendered rows left out of the fit.
    """
    if not len(places):
        return np.empty(0)
    network = _fitted()
    features = behind_features(places, size_mm, red, weight, off_stem_mm)
    return np.asarray(expit(network.log_odds(features) - network.for_own))
