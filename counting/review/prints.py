"""Small prints of a photo for the sheet: one to review, one for the grid of frames."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image as Pillow
from PIL import ImageDraw

from counting.photos.image import load_image

__all__ = ["LARGEST_BYTES", "Prints", "prints"]

LARGEST_BYTES = 120_000
"""Both prints of one photo together, before base64: what a five-year-old phone opens at once."""
_GRID_SIDE = 280
"""px; a frame of the grid is at most 140 CSS px wide, shown sharp at two device px each."""
_GRID_QUALITY = 62
_REVIEW_SIDES = (1600, 1400, 1200, 1024, 896, 768, 640, 480, 320)
_LOWEST_QUALITY = 48
"""Chosen by eye on tomato photos: below it, pale green fruit melt into the leaves."""
_HIGHEST_QUALITY = 82
_COVER = (118, 118, 118)
"""Mid grey in sRGB, as the patch on the tag's card."""


@dataclass(frozen=True, slots=True)
class Prints:
    """The JPEG data of one photo.

    Attributes
    ----------
    review : bytes
        For marking fruit, together with `grid` at most `LARGEST_BYTES`.
    grid : bytes
        For the grid of frames, 280 px on the long side.
    """

    review: bytes
    grid: bytes


def prints(path: Path, card: Sequence[tuple[float, float]] = ()) -> Prints:
    """Make the prints of a photo.

    Parameters
    ----------
    path : Path
        The original.
    card : sequence of (x, y)
        Polygon in px of the full-size photo that is covered, since it bears the plant's code;
        empty covers nothing.

    Raises
    ------
    PhotoError
        If the photo cannot be read.
    """
    image = load_image(path, long_side=_REVIEW_SIDES[0])
    picture = Pillow.fromarray(np.ascontiguousarray(image.rgb))
    if len(card) > 2:
        scaled = [(x / image.scale, y / image.scale) for x, y in card]
        ImageDraw.Draw(picture).polygon(scaled, fill=_COVER)
    grid = _jpeg(_shrunk(picture, _GRID_SIDE), _GRID_QUALITY)
    return Prints(_fitted(picture, LARGEST_BYTES - len(grid)), grid)


def _fitted(picture: Pillow.Image, limit: int) -> bytes:
    """Return the largest print that fits, and of that size the best that fits."""
    data = b""
    for side in _REVIEW_SIDES:
        shrunk = _shrunk(picture, side)
        data = _jpeg(shrunk, _LOWEST_QUALITY)
        if len(data) > limit:
            continue
        low, high = _LOWEST_QUALITY, _HIGHEST_QUALITY
        while low < high:
            middle = (low + high + 1) // 2
            tried = _jpeg(shrunk, middle)
            if len(tried) <= limit:
                low, data = middle, tried
            else:
                high = middle - 1
        break
    return data


def _shrunk(picture: Pillow.Image, side: int) -> Pillow.Image:
    """Return the picture with at most `side` px on the long side; never enlarged."""
    factor = side / max(picture.size)
    if factor >= 1:
        return picture
    width, height = (max(1, round(length * factor)) for length in picture.size)
    return picture.resize((width, height), Pillow.Resampling.LANCZOS)


def _jpeg(picture: Pillow.Image, quality: int) -> bytes:
    stream = io.BytesIO()
    picture.save(stream, "JPEG", quality=quality, optimize=True)
    return stream.getvalue()
