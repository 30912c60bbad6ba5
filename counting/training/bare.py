"""Made-up photos without fruit: walls, skies, soil, blurred greens, flowers and hands before them.

Petals and fingertips are round and shaded as fruit are, and labelled photos show few of them.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["bare_photo"]

Picture = NDArray[np.float64]

SIZE = 512
"""Side of a made-up photo, px."""
_WITH_FLOWERS, _WITH_HAND = 0.3, 0.3
_BANDS = 7  # steps of shading from the rim of a petal or finger to its middle
_PALE, _DARK = np.array([243.0, 205.0, 180.0]), np.array([70.0, 43.0, 32.0])
"""The palest and the darkest skin, RGB (from memory)."""


def bare_photo(rng: np.random.Generator) -> NDArray[np.uint8]:
    """Return one photo without fruit, (`SIZE`, `SIZE`, 3), RGB."""
    picture = _ground(rng)
    what = rng.uniform()
    if what < _WITH_FLOWERS:
        for _ in range(rng.integers(1, 4)):
            _flower(picture, rng)
    elif what < _WITH_FLOWERS + _WITH_HAND:
        _hand(picture, rng)
    if rng.uniform() < 0.7:
        picture = cv2.GaussianBlur(picture, (0, 0), rng.uniform(0.5, 2.0)).astype(np.float64)
    picture += rng.normal(0, rng.uniform(0, 6), picture.shape)
    flat: NDArray[np.uint8] = np.clip(picture, 0, 255).astype(np.uint8)
    return flat


def _ground(rng: np.random.Generator) -> Picture:
    """A wall, sky, soil or blurred green: a gradient plus noise at several scales."""
    kinds = {
        "wall": ((225, 222, 215), 25, 0.4),
        "sky": ((130, 175, 230), 30, 0.6),
        "soil": ((95, 75, 60), 30, 3.0),
        "green": ((80, 120, 60), 35, 2.0),
        "any": (tuple(rng.uniform(10, 245, 3)), 40, 1.5),
    }
    base, spread, rough = kinds[rng.choice(list(kinds))]
    colour = np.array(base) + rng.normal(0, spread, 3)
    y, x = np.mgrid[0:SIZE, 0:SIZE] / SIZE - 0.5
    angle = rng.uniform(0, 2 * np.pi)
    slope = rng.normal(0, 40) * (np.cos(angle) * x + np.sin(angle) * y)
    picture = colour + slope[:, :, None] * rng.uniform(0.6, 1.2, 3)
    for cells in (3, 8, 24, 80, 256):
        coarse = rng.normal(0, 1, (cells, cells, 1)) + rng.normal(0, 0.25, (cells, cells, 3))
        grown = cv2.resize(coarse, (SIZE, SIZE), interpolation=cv2.INTER_CUBIC)
        picture = picture + grown * rough * rng.uniform(0, 10)
    return np.ascontiguousarray(picture)


def _flower(picture: Picture, rng: np.random.Generator) -> None:
    """Draw rings of petals, the outermost first, each shaded from its rim to its middle."""
    middle, radius = rng.uniform(0.1, 0.9, 2) * SIZE, SIZE * rng.uniform(0.12, 0.6)
    rings, petals = rng.integers(1, 8), rng.integers(5, 22)
    rim, heart = rng.uniform(20, 255, (2, 3))
    round_tip = rng.uniform(0.5, 1.0)
    for ring in range(rings):
        reach = radius * (1 - ring / rings)
        width = np.pi * reach / petals * rng.uniform(0.6, 1.3)
        start = rng.uniform(0, 2 * np.pi)
        for petal in range(petals):
            angle = start + 2 * np.pi * petal / petals + rng.normal(0, 0.05)
            towards = np.array([np.cos(angle), np.sin(angle)])
            shade = rng.uniform(0.7, 1.1)
            for band in range(_BANDS):
                inner = 1 - band / _BANDS
                axes = (reach / 2 * (0.4 + 0.6 * inner), max(width / 2 * inner * round_tip, 1.0))
                at = middle + towards * reach * (0.55 + 0.08 * band / _BANDS)
                colour = shade * (rim + (heart - rim) * band / _BANDS)
                _ellipse(picture, at, axes, np.degrees(angle), colour)
    if rng.uniform() < 0.5:
        _ellipse(picture, middle, (radius * 0.12, radius * 0.12), 0.0, rng.uniform(20, 255, 3))


def _hand(picture: Picture, rng: np.random.Generator) -> None:
    """Draw a palm and fingers that reach in from one side, lit along their middle."""
    skin = _PALE + (_DARK - _PALE) * rng.uniform() + rng.normal(0, 8, 3)
    wide = SIZE * rng.uniform(0.05, 0.16)
    along = rng.uniform(0, 2 * np.pi)
    towards = np.array([np.cos(along), np.sin(along)])
    aside = np.array([-towards[1], towards[0]])
    palm = SIZE * rng.uniform(0.25, 0.75, 2) - towards * SIZE * 0.3
    _limb(picture, palm - towards * SIZE, palm, wide * rng.uniform(3, 4.5), skin)
    for finger in range(rng.integers(1, 6)):
        root = palm + aside * wide * 1.05 * (finger - 2) + towards * wide
        turn = rng.normal(0, 0.25)
        heading = np.cos(turn) * towards + np.sin(turn) * aside
        tip = root + heading * wide * rng.uniform(1.5, 5)
        tone = skin * rng.uniform(0.85, 1.1) + rng.normal(0, 5, 3)
        _limb(picture, root, tip, wide, tone)
        if rng.uniform() < 0.6:
            nail = tone * 0.6 + np.array([245.0, 200.0, 195.0]) * 0.4
            _ellipse(
                picture,
                tip - heading * wide * 0.1,
                (wide * 0.3, wide * 0.22),
                np.degrees(along + turn),
                nail,
            )


def _limb(
    picture: Picture,
    start: NDArray[np.float64],
    end: NDArray[np.float64],
    wide: float,
    tone: NDArray[np.float64],
) -> None:
    """Draw a rounded bar, darker towards its rim."""
    for band in range(_BANDS):
        share = band / (_BANDS - 1)
        colour = tone * (0.6 + 0.45 * share)
        thick = max(round(wide * (1 - 0.8 * share)), 1)
        cv2.line(picture, _whole(start), _whole(end), colour.tolist(), thick, cv2.LINE_AA)


def _ellipse(
    picture: Picture,
    at: NDArray[np.float64],
    axes: tuple[float, float],
    degrees: float,
    colour: NDArray[np.float64],
) -> None:
    """Draw a filled ellipse."""
    size = _whole(np.maximum(np.array(axes), 1.0))
    cv2.ellipse(picture, _whole(at), size, float(degrees), 0, 360, colour.tolist(), -1)


def _whole(pair: NDArray[np.float64]) -> tuple[int, int]:
    return round(float(pair[0])), round(float(pair[1]))
