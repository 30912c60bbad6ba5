"""What lies in and round a candidate's box: planes of the photo read along spokes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

__all__ = ["IN", "OUT", "RADII", "SPOKES", "Linear", "Profile", "pyramid", "read_profile"]

Map = NDArray[np.float32]
Array = NDArray[np.float64]

SPOKES = 24
"""Directions; a multiple of eight, so that a turned or mirrored photo reads the same."""
RADII = np.array([0.1, 0.3, 0.5, 0.65, 0.8, 0.9, 1.0, 1.1, 1.2, 1.35, 1.55], dtype=np.float32)
"""Distances from the middle, as shares of the box's half sides."""
IN = slice(0, 6)
OUT = slice(8, 11)
_LEAST_RADIUS = 7.0  # px: larger boxes are read from a reduced photo, so that spokes skip nothing
_LEVELS = 4
_AT_ONCE = 1000  # boxes per call: OpenCV's remap takes at most 32767 rows
_ANGLES = (np.arange(SPOKES) + 0.5) * 2 * np.pi / SPOKES
ACROSS = np.cos(_ANGLES).astype(np.float32)
DOWN = np.sin(_ANGLES).astype(np.float32)


@dataclass(frozen=True, slots=True)
class Profile:
    """Planes read round N boxes.

    Attributes
    ----------
    planes : (N, SPOKES, len(RADII), C) ndarray of float32
        The planes' values; beyond the photo's edge those at the edge.
    inside : (N, SPOKES, len(RADII)) ndarray of bool
        Whether the place lies in the photo.
    """

    planes: Map
    inside: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Linear:
    """A fitted weighted sum that gives log-odds.

    Attributes
    ----------
    weights : (F,) ndarray of float
        One per feature.
    intercept : float
        Added to the sum.
    """

    weights: Array
    intercept: float

    def odds(self, features: Array) -> Array:
        """Return the log-odds of features (N, F)."""
        return np.asarray(features @ self.weights + self.intercept)

    def probability(self, features: Array) -> Array:
        """Return 0..1 for features (N, F)."""
        return np.asarray(expit(self.odds(features)))


def pyramid(planes: Sequence[Map]) -> list[Map]:
    """Return planes (H, W) stacked, at full, half, quarter ... size."""
    levels = [np.dstack(list(planes)).astype(np.float32)]
    while len(levels) < _LEVELS and min(levels[-1].shape[:2]) >= 16:
        last = levels[-1]
        size = (last.shape[1] // 2, last.shape[0] // 2)
        # one plane at a time: OpenCV's area averaging takes at most four channels
        half = [cv2.resize(plane, size, interpolation=cv2.INTER_AREA) for plane in cv2.split(last)]
        levels.append(np.dstack(half).astype(np.float32))
    return levels


def read_profile(levels: list[Map], boxes: Array) -> Profile:
    """Read planes along spokes round boxes.

    Parameters
    ----------
    levels : list of (H, W, C) ndarray of float32
        As `pyramid` returns them.
    boxes : (N, 4) ndarray of float
        Centre x, centre y, width, height in px of the first level.
    """
    shape = (len(boxes), SPOKES, len(RADII))
    values = np.zeros((*shape, levels[0].shape[2]), dtype=np.float32)
    inside = np.zeros(shape, dtype=np.bool_)
    radius = np.sqrt(boxes[:, 2] * boxes[:, 3]) / 2
    wanted = np.floor(np.log2(np.maximum(radius, 1) / _LEAST_RADIUS)).clip(0, len(levels) - 1)
    for number, level in enumerate(levels):
        rows = np.flatnonzero(wanted == number)
        for start in range(0, len(rows), _AT_ONCE):
            some = rows[start : start + _AT_ONCE]
            values[some], inside[some] = _read(level, boxes[some], levels[0].shape)
    return Profile(values, inside)


def _read(level: Map, boxes: Array, full: tuple[int, ...]) -> tuple[Map, NDArray[np.bool_]]:
    height, width = level.shape[:2]
    part = (width / full[1], height / full[0])
    reach = boxes[:, 2:, None, None] / 2 * RADII
    x = (boxes[:, 0, None, None] + reach[:, 0] * ACROSS[:, None]) * part[0] - 0.5
    y = (boxes[:, 1, None, None] + reach[:, 1] * DOWN[:, None]) * part[1] - 0.5
    inside = (x > -0.5) & (x < width - 0.5) & (y > -0.5) & (y < height - 0.5)
    flat = (len(boxes) * SPOKES, len(RADII))
    read = [
        cv2.remap(
            np.ascontiguousarray(level[..., plane]),
            x.reshape(flat).astype(np.float32),
            y.reshape(flat).astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        for plane in range(level.shape[2])
    ]
    stacked = np.stack(read, axis=-1).reshape(*inside.shape, -1)
    return stacked.astype(np.float32, copy=False), inside
