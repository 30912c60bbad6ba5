"""Circles in a plane, by the way its slopes point."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["at_scale", "circles", "slopes"]

Map = NDArray[np.float32]
Array = NDArray[np.float64]

_RADIUS = 8  # px: the plane is resized so that things of each size in turn have this radius
_SIZES = 0.0135 * 1.22 ** np.arange(13)  # radii as shares of the long side: 0.0135 to 0.147
_PER_SIZE = 40
_FAINT = 0.03  # slope in grey levels 0..1 per px at which an edge counts half


def slopes(grey: Map) -> tuple[Map, Map, Map]:
    """Return the direction of the slope and its strength.

    Parameters
    ----------
    grey : (H, W) ndarray of float32
        0..1.

    Returns
    -------
    across, down, strength : (H, W) ndarray of float32
        Direction as a vector, shorter than 1 where the slope is faint; change per px.
    """
    across = np.asarray(cv2.Sobel(grey, -1, 1, 0, scale=1 / 8), dtype=np.float32)
    down = np.asarray(cv2.Sobel(grey, -1, 0, 1, scale=1 / 8), dtype=np.float32)
    strength = np.asarray(np.hypot(across, down), dtype=np.float32)
    part = np.asarray(1 / (strength + _FAINT), dtype=np.float32)
    return across * part, down * part, strength


def at_scale(plane: Map, scale: float) -> Map:
    """Return a plane enlarged or reduced by a factor, at least one pixel each way."""
    size = (max(1, round(plane.shape[1] * scale)), max(1, round(plane.shape[0] * scale)))
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(plane, size, interpolation=way), dtype=np.float32)


def _spokes() -> tuple[Map, Map]:
    """Return kernels that sum the part of a slope which points to the middle, over the rim."""
    reach = 12
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    far = np.hypot(x, y)
    rim = np.exp(-(((far - _RADIUS) / 1.3) ** 2) / 2)
    rim /= rim.sum() * np.maximum(far, 1)
    return (-x * rim).astype(np.float32), (-y * rim).astype(np.float32)


def circles(grey: Map, *, thorough: bool = True) -> Array:
    """Return boxes (N, 4) of circles, lighter or darker than what is round them.

    Circles are the places that the slopes point to (or away from) on all sides: radial symmetry,
    Loy & Zelinsky 2003, doi 10.1109/TPAMI.2003.1217601.

    Parameters
    ----------
    grey : (H, W) ndarray of float32
        0..1.
    thorough : bool
        Look for all sizes; otherwise for three larger ones (the plane of a small one is large, and
        takes most of the time), and fewer of each.
    """
    to_middle = _spokes()
    boxes = [np.empty((0, 4))]
    sizes = _SIZES if thorough else _SIZES[5::3]
    for radius in sizes * max(grey.shape):
        shrink = _RADIUS / radius
        plane = at_scale(grey, shrink)
        across, down, _ = slopes(np.asarray(cv2.GaussianBlur(plane, (0, 0), 1), dtype=np.float32))
        answer = np.asarray(
            cv2.filter2D(across, -1, to_middle[0], borderType=cv2.BORDER_REPLICATE)
        ) + np.asarray(cv2.filter2D(down, -1, to_middle[1], borderType=cv2.BORDER_REPLICATE))
        # fruit is lighter than what lies behind it more often than darker
        answer = np.maximum(answer, -0.7 * answer)
        rows, columns = np.nonzero(answer >= cv2.dilate(answer, np.ones((5, 5), dtype=np.uint8)))
        best = np.argsort(-answer[rows, columns], kind="stable")[
            : _PER_SIZE if thorough else _PER_SIZE // 3
        ]
        rows, columns = rows[best], columns[best]
        side = np.full(len(rows), 2 * radius)
        boxes.append(np.stack([(columns + 0.5) / shrink, (rows + 0.5) / shrink, side, side], 1))
    return np.concatenate(boxes)
