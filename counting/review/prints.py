"""Small prints of a photo for the sheet: one to review, one for the grid of frames."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from counting.flags import Flag
from counting.ledger.facts import Candidate
from counting.photos.image import load_image
from counting.photos.tags.reader import read_tags
from counting.plan.trial import Trial
from counting.review.frames import Frame

__all__ = ["LARGER_BYTES", "LARGEST_BYTES", "Prints", "Wanted", "most_bytes", "prints", "prints_of"]

LARGEST_BYTES = 120_000
"""Both prints of one photo together, before base64: what a five-year-old phone opens at once."""
LARGER_BYTES = 260_000
"""The same where fruit are small or many: at three times its size such a print still shows them."""
_MANY = 25
_SMALL = 0.035
"""Share of the photo's long side: on a phone's screen such a fruit is under 14 px wide. Both by
eye on 24 photos of rows."""
_GRID_SIDE = 280
"""px; a frame of the grid is at most 140 CSS px wide, shown sharp at two device px each."""
_GRID_QUALITY = 62
_TRIED_SIDE = 1024
_REVIEW_SIDES = (2400, 2000, 1600, 1400, 1200, 1024, 896, 768, 640, 480, 320)
_USUAL = _REVIEW_SIDES.index(1600)
_LEAST_PART = 0.4
"""Share of the sides that the grid's print shows at least: one fruit alone tells no plant."""
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


def most_bytes(frame: Frame) -> int:
    """Return how large the prints of a frame may be together."""
    sizes = [max(each.width, each.height) for each in _shown(frame)]
    long_side = max(frame.width, frame.height)
    small = bool(sizes) and float(np.median(sizes)) < _SMALL * long_side
    return LARGER_BYTES if small or len(sizes) >= _MANY else LARGEST_BYTES


def _shown(frame: Frame) -> list[Candidate]:
    return [each for each in frame.candidates if each.candidate in frame.shown]


def _about(frame: Frame) -> tuple[float, float, float, float] | None:
    """Return the part of a photo that holds its rings, left, top, right, bottom in px."""
    shown = _shown(frame)
    if not shown:
        return None
    sides = frame.width, frame.height
    spans = []
    share = 0.0
    for axis, side in enumerate(sides):
        places = [(each.x, each.y)[axis] for each in shown]
        half = max((each.width, each.height)[axis] for each in shown)
        low, high = min(places) - half, max(places) + half
        spans.append((low + high) / 2)
        share = max(share, (high - low) / side)
    share = min(max(share, _LEAST_PART), 1.0)
    left, top = (
        min(max(middle - share * side / 2, 0.0), (1 - share) * side)
        for middle, side in zip(spans, sides, strict=True)
    )
    return left, top, left + share * frame.width, top + share * frame.height


def prints_of(trial: Trial, frame: Frame, *, blind: bool) -> Prints:
    """Make the prints of a sheet's frame; on a blind sheet no tag of the trial can be read.

    Raises
    ------
    PhotoError
        If the photo cannot be read.
    """
    path = trial.directory / frame.file
    show = Wanted(most_bytes(frame), _about(frame))
    if not blind:
        return prints(path, wanted=show)
    # the ledger keeps the tag that gave plant and scale; a neighbour's is sought again
    several = Flag.MANY_TAGS.value in frame.flags
    tags = [int(tag) for tag in trial.plants["tag"].dropna()] if several else ()
    return prints(path, frame.card, tags, wanted=show)


@dataclass(frozen=True, slots=True)
class Wanted:
    """How the prints are to be.

    Attributes
    ----------
    most : int
        Bytes of both together.
    about : tuple of float or None
        The part of the photo for the grid: left, top, right, bottom in px; None shows all of it.
    """

    most: int = LARGEST_BYTES
    about: tuple[float, float, float, float] | None = None


def prints(
    path: Path,
    card: Sequence[tuple[float, float]] = (),
    tags: Collection[int] = (),
    *,
    wanted: Wanted | None = None,
) -> Prints:
    """Make the prints of a photo.

    Parameters
    ----------
    path : Path
        The original.
    card : sequence of (x, y)
        Polygon in px of the full-size photo that is covered, since it bears the plant's code;
        empty covers nothing.
    tags : collection of int
        Numbers of tags whose cards are sought in the photo and covered too.

    wanted : Wanted, optional
        How large they may be, and which part the small one shows.

    Raises
    ------
    PhotoError
        If the photo cannot be read.
    """
    wanted = wanted or Wanted()
    sides = _REVIEW_SIDES if wanted.most > LARGEST_BYTES else _REVIEW_SIDES[_USUAL:]
    image = load_image(path, long_side=sides[0])
    cards = [card] if len(card) > 2 else []
    if tags:
        cards += [found.card for found in read_tags(image.rgb, image.scale, known=tags)]
    rgb = image.rgb
    if cards:
        rgb = rgb.copy()
        for corners in cards:
            polygon = np.round(np.array(corners, dtype=np.float64) / image.scale)
            cv2.fillPoly(rgb, [polygon.astype(np.int32)], _COVER)
    part = rgb
    if wanted.about is not None:
        left, top, right, bottom = (round(value / image.scale) for value in wanted.about)
        part = rgb[top : max(bottom, top + 1), left : max(right, left + 1)]
    grid = _jpeg(_shrunk(part, _GRID_SIDE), _GRID_QUALITY)
    return Prints(_fitted(rgb, wanted.most - len(grid), sides), grid)


def _fitted(rgb: NDArray[np.uint8], limit: int, sides: Sequence[int]) -> bytes:
    """Return the largest print that fits, and of that size about the best that fits."""
    tried = _shrunk(rgb, _TRIED_SIDE)
    # data grow about as the pixels do, so one trial tells where to begin
    likely = max(tried.shape[:2]) * 1.1 * np.sqrt(limit / len(_jpeg(tried, _LOWEST_QUALITY)))
    data = b""
    for side in (side for side in sides if side <= likely or side == sides[-1]):
        shrunk = _shrunk(rgb, side)
        data = _jpeg(shrunk, _LOWEST_QUALITY)
        if len(data) <= limit:
            return _better(shrunk, data, limit)
    return data


def _better(rgb: NDArray[np.uint8], data: bytes, limit: int) -> bytes:
    """Raise the quality in a few steps while the data fit."""
    low, high = _LOWEST_QUALITY, _HIGHEST_QUALITY
    while high - low > 4:
        middle = (low + high + 1) // 2
        tried = _jpeg(rgb, middle)
        if len(tried) <= limit:
            low, data = middle, tried
        else:
            high = middle
    return data


def _shrunk(rgb: NDArray[np.uint8], side: int) -> NDArray[np.uint8]:
    """Return the picture with at most `side` px on the long side; never enlarged."""
    factor = side / max(rgb.shape[:2])
    if factor >= 1:
        return rgb
    height, width = (max(1, round(length * factor)) for length in rgb.shape[:2])
    shrunk = cv2.resize(rgb, (width, height), interpolation=cv2.INTER_AREA)
    return np.asarray(shrunk, dtype=np.uint8)


def _jpeg(rgb: NDArray[np.uint8], quality: int) -> bytes:
    """Return JPEG data; colour at half the resolution, as cameras write it."""
    choices = [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_OPTIMIZE, 1]
    _, data = cv2.imencode(".jpg", np.ascontiguousarray(rgb[..., ::-1]), choices)
    return bytes(data)
