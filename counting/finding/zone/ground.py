"""Fallen fruit: low in the photo, with next to nothing green about it or above it.

What hangs has a stalk, a stem, a leaf or its like above it; what fell has soil, straw or film. On
nine rendered photos green was at most 5 % of what lies round and above fallen fruit, and less than
14 % for one in twenty of the hanging ones.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse.csgraph import connected_components

__all__ = ["on_ground"]

Array = NDArray[np.float64]

_GREENER = 1.04
"""By how much green must exceed red and blue; straw and dry leaves are redder than green."""
_DARKEST = 12.0
"""Levels of green, of 255, under which a pixel has no hue."""
_ROUND, _WIDE, _HIGH = 1.5, 1.2, 2.2
"""How far round, beside and above it is looked, in diameters from the fruit's middle."""
_GREEN_LIMIT, _GREEN_WIDTH = 0.08, 0.015
_TOUCH = 0.7
"""Fruit nearer than this share of their diameters together hang or lie in one bunch."""
_LOW_LIMIT, _LOW_WIDTH = 0.6, 0.05
"""Share of the photo's height under which the ground is seen, lens level with the trusses."""


def on_ground(rgb: NDArray[np.float32] | NDArray[np.uint8], boxes: Array) -> Array:
    """Return the probability that each fruit lies on the ground, by what is round it.

    Parameters
    ----------
    rgb : (H, W, 3) ndarray
        The photo, or a reduced copy, 0..255.
    boxes : (N, 4) ndarray of float
        Centre x, centre y, width, height in px of `rgb`.

    Returns
    -------
    (N,) ndarray of float
    """
    if not len(boxes):
        return np.empty(0)
    red, green, blue = (rgb[..., channel].astype(np.float32) for channel in range(3))
    leafy = (green > _GREENER * red) & (green > _GREENER * blue) & (green > _DARKEST)
    sums = np.pad(leafy.cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0))).astype(np.float64)
    x, y = boxes[:, 0], boxes[:, 1]
    size = boxes[:, 2:4].max(axis=1)
    above = _share(sums, x - _WIDE * size, y - _HIGH * size, x + _WIDE * size, y - 0.5 * size)
    about = _share(sums, x - _ROUND * size, y - _ROUND * size, x + _ROUND * size, y + _ROUND * size)
    bare = 1 / (1 + np.exp(((above + about) / 2 - _GREEN_LIMIT) / _GREEN_WIDTH))
    low = 1 / (1 + np.exp((_LOW_LIMIT - y / rgb.shape[0]) / _LOW_WIDTH))
    return _least_of_bunch(np.asarray(bare * low), boxes)


def _least_of_bunch(chance: Array, boxes: Array) -> Array:
    """Give all fruit of a bunch the least chance among them: where one hangs, all hang."""
    size = boxes[:, 2:4].max(axis=1)
    gap = np.hypot(*(boxes[:, None, axis] - boxes[None, :, axis] for axis in (0, 1)))
    touch = gap <= _TOUCH * (size[:, None] + size[None, :])
    _, bunch = connected_components(touch, directed=False)
    least = np.full(bunch.max() + 1, np.inf)
    np.minimum.at(least, bunch, chance)
    return np.asarray(least[bunch])


def _share(sums: Array, left: Array, top: Array, right: Array, bottom: Array) -> Array:
    """Return the mean within boxes, cut off at the edges; half where nothing is left."""
    height, width = sums.shape[0] - 1, sums.shape[1] - 1
    x0, x1 = (np.clip(np.rint(v), 0, width).astype(int) for v in (left, right))
    y0, y1 = (np.clip(np.rint(v), 0, height).astype(int) for v in (top, bottom))
    total = sums[y1, x1] - sums[y0, x1] - sums[y1, x0] + sums[y0, x0]
    area = (x1 - x0) * (y1 - y0)
    return np.where(area > 0, total / np.maximum(area, 1), 0.5)
