"""How ripe each fruit looks: the shares of its visible surface that are green, turning and ripe."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from counting.crops import TOMATO, Crop

__all__ = ["Ripeness", "ripeness"]

_GREEN_UP_TO = 0.10
"""Share not green up to which a fruit is called green: the stages green and breakers together
(7 CFR 51.1860). On the labelled tomato photos (boxes as labelled) 93 % of 663 fruit then bear
their label's class."""
_ENOUGH = 0.25  # share of the middle of the box that must be left when other fruit are taken out
_FAINT = 15.0  # chroma under which a colour has no hue to speak of: pale green under grow lights
_COLD, _FAINT_COLD = 10.0, 30.0  # hue under which purple light reddens green fruit, and its chroma


@dataclass(frozen=True, slots=True)
class Ripeness:
    """Shares of the visible surface, which add up to 1.

    Attributes
    ----------
    green, turning, ripe : float
        Shares, 0..1.
    colour : str
        The class: ``green`` while at most a tenth is not (USDA stages green and breakers), then
        ``turning`` or the crop's ripe colour, whichever covers more.
    """

    green: float
    turning: float
    ripe: float
    colour: str


def ripeness(
    balanced: NDArray[np.float32],
    x: float,
    y: float,
    size: tuple[float, float],
    *,
    others: NDArray[np.float64] | None = None,
    crop: Crop = TOMATO,
) -> Ripeness:
    """Return how ripe the fruit in a box looks.

    Parameters
    ----------
    balanced : (H, W, 3) ndarray of float32
        White-balanced sRGB, 0..1.
    x, y : float
        Middle of the box, px of `balanced`.
    size : (float, float)
        Width and height of the box.
    others : (N, 4) ndarray of float, optional
        Boxes (centre x, y, width, height) of the other fruit: their surface is left out where
        enough of this one's remains.
    crop : Crop
        Whose hues tell ripe from unripe.

    Returns
    -------
    Ripeness
        Of the middle of the box; leaves in front of the fruit count as green surface.
    """
    patch, corner = _patch(balanced, x, y, size)
    lab = cv2.cvtColor(patch, cv2.COLOR_RGB2LAB)
    own = np.ones(lab.shape[:2], dtype=bool) if others is None else _own(lab, corner, others)
    hue = np.degrees(np.arctan2(lab[..., 2], lab[..., 1]))
    strong = np.hypot(lab[..., 1], lab[..., 2]) > np.where(hue < _COLD, _FAINT_COLD, _FAINT)
    turning, ripe = (
        float((strong & (hue >= low) & (hue < high))[own].mean())
        for low, high in (crop.turning_hues, crop.ripe_hues)
    )
    green = 1 - (turning + ripe)
    later = crop.ripe_colour if ripe > turning else "turning"
    return Ripeness(green, turning, ripe, "green" if 1 - green <= _GREEN_UP_TO else later)


def _own(
    lab: NDArray[Any], corner: tuple[int, int], others: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Return which pixels lie in no other fruit; all of them, where that leaves under a quarter."""
    rows, columns = np.mgrid[: lab.shape[0], : lab.shape[1]]
    own = np.ones(lab.shape[:2], dtype=bool)
    for x, y, width, height in others:
        across = (columns + corner[0] + 0.5 - x) / max(width / 2, 1e-6)
        down = (rows + corner[1] + 0.5 - y) / max(height / 2, 1e-6)
        own &= across**2 + down**2 > 1
    return own if own.mean() >= _ENOUGH else np.ones_like(own)


def _patch(
    balanced: NDArray[np.float32], x: float, y: float, size: tuple[float, float]
) -> tuple[NDArray[np.float32], tuple[int, int]]:
    """Return the middle of a box (0.7 of its sides, at least one pixel) and its corner."""
    height, width = balanced.shape[:2]
    left = int(np.clip(x - 0.35 * size[0], 0, width - 1))
    top = int(np.clip(y - 0.35 * size[1], 0, height - 1))
    right = int(np.clip(x + 0.35 * size[0], left + 1, width))
    bottom = int(np.clip(y + 0.35 * size[1], top + 1, height))
    return np.ascontiguousarray(balanced[top:bottom, left:right]), (left, top)
