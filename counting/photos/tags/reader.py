"""Tags in a photo: which plant, how many mm a pixel is, what grey looks like.

The marker is measured by all its edges, those inside too, so that glare, ink and a camera's tone
curve, which make black look smaller or larger, are taken out (`counting.photos.tags.fit`). From its
corners and a nominal focal length follow distance and tilt of the card, and from these the scale
that holds for a round fruit beside it. tests/tags.md says how far it is from the truth.

A scale holds at the tag's own distance. A fruit 10 % nearer to the camera than the tag (4 cm at
40 cm) is measured 11 % too large, one 10 % farther 9 % too small (`counting.plan.card.nearer`).
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from counting.ledger.facts import Tag
from counting.photos.tags.fit import Corners, fitted_corners
from counting.plan.card import CARD, GREY, MARK, MARK_COLUMNS, MARK_ROWS, MARKER, WHITE, Box
from counting.plan.mark import TrialMark

__all__ = ["FOCAL", "TagReading", "read_tags"]

Point = tuple[float, float]
Array = npt.NDArray[np.float64]
Photo = npt.NDArray[np.uint8]

FOCAL = 0.75
"""Focal length as a share of the photo's long side: a phone's main camera, 26 mm on 24 x 36 mm
film (common practice). It matters only for a tilted tag far from the middle."""
_PRINT_ERROR = 0.0025
"""Standard error of the printed size as a share; the ruler check allows 0.5 mm in 100 mm."""
_TWO_SIDED = 1.96
"""Standard errors on either side that hold 95 % of a normal curve."""
_NUDGE_PX = 0.05
"""How far a corner is moved to see what the scale makes of it."""
_SMALLEST_SIDE = 12.0
"""Under 12 px a side, less than 2 px a module, what looks like a marker is too often none."""
_QUIET_MM = (2.5, 4.0, 5.5)
"""Where the white margin is looked at, in mm outside the marker; the card leaves 10 mm."""
_QUIET_SHARE = 0.85
"""Share of the margin that must be brighter than half way up; a thumb or a torn corner may hide
the rest."""
_LEAST_CONTRAST = 20.0
"""Levels of grey between the black and the white of a marker, of 255."""
_GREY_SPREAD = 14.0
"""A grey patch whose levels differ more is partly hidden, shaded or shining."""


@dataclass(frozen=True, slots=True)
class TagReading:
    """One tag as it was read.

    All positions are px of the full-size upright photo, 0-based, x right, y down.

    Attributes
    ----------
    id : int
        Number of the marker; the `tag` column of the plants' table.
    corners : tuple of 4 points
        Outer corners of the black marker: top left, top right, bottom right, bottom left.
    card : tuple of 4 points
        The whole card, in the same order; may reach beyond the photo.
    mm_per_px : float
        Scale at the tag, of the full-size photo, tilt corrected.
    mm_per_px_low, mm_per_px_high : float
        Its 95 % interval, from how well the marker fits and the tolerance of the print; about 15 %
        to either side where it is too blurred, hidden or shining to be measured.
    tilt_deg : float
        How far the card is turned away from the camera, 0 = facing it.
    grey : tuple of 3 floats or None
        sRGB of the grey patch, 0..255; None where the patch cannot be trusted.
    trial : str
        The trial's mark (`counting.plan.mark`) as printed; empty on tags without one and where it
        cannot be read.
    """

    id: int
    corners: tuple[Point, ...]
    card: tuple[Point, ...]
    mm_per_px: float
    mm_per_px_low: float
    mm_per_px_high: float
    tilt_deg: float
    grey: tuple[float, float, float] | None
    trial: str = ""

    @property
    def turned(self) -> bool:
        """Whether the tag is nearer to lying or standing on its head than to hanging upright."""
        top_left, top_right, bottom_right, bottom_left = self.corners
        across = bottom_left[0] + bottom_right[0] - top_left[0] - top_right[0]
        down = bottom_left[1] + bottom_right[1] - top_left[1] - top_right[1]
        return down <= abs(across)

    def record(self, code: str = "") -> Tag:
        """Return the reading as the ledger keeps it, with the code of its plant."""
        return Tag(
            code=code,
            id=self.id,
            mm_per_px=float(f"{self.mm_per_px:.6g}"),
            mm_per_px_low=float(f"{self.mm_per_px_low:.6g}"),
            mm_per_px_high=float(f"{self.mm_per_px_high:.6g}"),
            corners=tuple((round(x, 2), round(y, 2)) for x, y in self.corners),
            card=tuple((round(x, 1), round(y, 1)) for x, y in self.card),
            tilt_deg=round(self.tilt_deg, 1),
            grey=None if self.grey is None else tuple(round(level, 1) for level in self.grey),
        )


def read_tags(
    rgb: Photo, scale: float = 1.0, *, known: Collection[int] | None = None
) -> list[TagReading]:
    """Read the tags in a photo.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
        The upright photo, or a reduced copy of it. Half size reads nearly as well as full size
        and several times as fast; take the full size where nothing is found.
    scale : float
        Full-size px per px of `rgb`.
    known : collection of int, optional
        Numbers of the trial's tags; others are passed over, unless a trial's mark can be read on
        them. Fewer numbers, fewer mistakes.

    Returns
    -------
    list of TagReading
        Nearest to the middle of the photo first; empty when there is none.
    """
    grey = np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    readings = []
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    for number, rough in _markers(grey, dictionary):
        if _shortest_side(rough) < _SMALLEST_SIDE or not _has_margin(grey, rough):
            continue
        pattern = np.asarray(cv2.aruco.generateImageMarker(dictionary, number, 7)) > 0
        corners = fitted_corners(grey, rough, pattern)
        mark = _mark(grey, corners.places)
        if known is None or number in known or mark:
            readings.append(replace(_reading(rgb, scale, number, corners), trial=mark))
    height, width = grey.shape
    middle = (width * scale / 2, height * scale / 2)
    return sorted(readings, key=lambda reading: _distance(reading, middle))


def _markers(grey: Photo, dictionary: Any) -> list[tuple[int, Array]]:
    """Return (number, corners) of all that looks like a marker, corners in px of `grey`."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    # one module may be wrong, not two: a missed tag is asked for, a mistaken one spoils a count
    parameters.errorCorrectionRate = 0.5
    parameters.minMarkerPerimeterRate = 4 * _SMALLEST_SIDE / max(grey.shape)
    detector = cv2.aruco.ArucoDetector(dictionary, parameters)
    corners, numbers, _ = detector.detectMarkers(grey)
    if numbers is None:
        return []
    return [
        (int(number), np.asarray(quad, dtype=np.float64).reshape(4, 2))
        for number, quad in zip(numbers.ravel(), corners, strict=True)
    ]


def _shortest_side(corners: Array) -> float:
    return float(np.linalg.norm(corners - np.roll(corners, -1, axis=0), axis=1).min())


def _to_photo(corners: Array, points_mm: Array) -> Array:
    """Return where points of the card, in mm, lie in the photo, given the marker's corners."""
    marker = np.asarray(MARKER.corners, dtype=np.float32)
    matrix = cv2.getPerspectiveTransform(marker, corners.astype(np.float32)).astype(np.float64)
    seen = cv2.perspectiveTransform(points_mm.reshape(1, -1, 2), matrix)
    return np.asarray(seen, dtype=np.float64).reshape(-1, 2)


def _levels(image: Photo, points: Array) -> npt.NDArray[np.uint8]:
    """Return the pixels nearest to points, those outside the image left out."""
    at = np.rint(points).astype(int)
    height, width = image.shape[:2]
    within = (at >= 0).all(axis=1) & (at[:, 0] < width) & (at[:, 1] < height)
    at = at[within]
    return np.asarray(image[at[:, 1], at[:, 0]])


def _ring(outside_mm: float) -> Array:
    """Return points on a square that lies so far outside (under 0: inside) the marker."""
    low, high = MARKER.x - outside_mm, MARKER.x + MARKER.width + outside_mm
    along = np.linspace(low, high, 24, endpoint=False)
    top = np.column_stack([along, np.full_like(along, low)])
    right = np.column_stack([np.full_like(along, high), along])
    return np.concatenate([top, right, low + high - top, low + high - right])


def _has_margin(grey: Photo, corners: Array) -> bool:
    """Tell whether a marker is framed in black and stands on white, as a printed card does.

    Frame and margin are compared place by place, so that a shadow or a shine across the card does
    no harm.
    """
    black = _levels(grey, _to_photo(corners, _ring(-MARKER.width / 14)))
    if len(black) < len(_ring(0)):
        return False
    steps = np.array(
        [
            white.astype(float) - black
            for white in (_levels(grey, _to_photo(corners, _ring(out))) for out in _QUIET_MM)
            if len(white) == len(black)
        ]
    )
    if len(steps) < 2:
        return False
    usual = float(np.median(steps))
    return usual >= _LEAST_CONTRAST and bool(np.mean(steps > 0.3 * usual) >= _QUIET_SHARE)


def _reading(rgb: Photo, scale: float, number: int, measured: Corners) -> TagReading:
    """Turn a marker's corners, px of `rgb`, into a reading."""
    corners = measured.places
    card = _to_photo(corners, np.asarray(CARD.corners, dtype=np.float64))
    scale_mm, tilt = _scale_and_tilt(corners, rgb.shape)
    side = float(np.sqrt(cv2.contourArea(corners.astype(np.float32))))
    errors = [
        _relative_error(measured, rgb.shape, scale_mm),
        2 * measured.shift / side,
        _PRINT_ERROR,
    ]
    relative = float(np.linalg.norm(errors))
    factor = float(np.exp(_TWO_SIDED * relative))
    mm_per_px = scale_mm / scale
    return TagReading(
        id=number,
        corners=_full_size(corners, scale),
        card=_full_size(card, scale),
        mm_per_px=mm_per_px,
        mm_per_px_low=mm_per_px / factor,
        mm_per_px_high=mm_per_px * factor,
        tilt_deg=tilt,
        grey=_grey_patch(rgb, corners),
    )


def _mark(grey: Photo, corners: Array) -> str:
    """Return the trial's mark beside a marker, empty where there is none to be read."""
    wide, high = MARK.width / MARK_COLUMNS, MARK.height / MARK_ROWS
    inner = np.linspace(0.3, 0.7, 3)
    levels = []
    for place in range(MARK_ROWS * MARK_COLUMNS):
        x = MARK.x + (place % MARK_COLUMNS + inner) * wide
        y = MARK.y + (place // MARK_COLUMNS + inner) * high
        points = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
        pixels = _levels(grey, _to_photo(corners, points))
        if len(pixels) < len(points):
            return ""
        levels.append(float(np.median(pixels)))
    seen = np.array(levels)
    if seen.max() - seen.min() < _LEAST_CONTRAST:
        return ""
    # under uneven light each cell is held against the paper above and below it as well
    paper = np.array([_paper(grey, corners, place) for place in range(len(levels))])
    for white in (np.full_like(seen, seen.max()), paper):
        mark = TrialMark.of_bits((seen < (white + seen.min()) / 2).tolist())
        if mark:
            return str(mark)
    return ""


def _paper(grey: Photo, corners: Array, place: int) -> float:
    """Return how bright the paper is above and below a cell of the trial's mark."""
    x = MARK.x + (place % MARK_COLUMNS + 0.5) * MARK.width / MARK_COLUMNS
    points = np.array([[x, MARK.y - 2], [x, MARK.y + MARK.height + 2]])
    return float(np.mean(_levels(grey, _to_photo(corners, points))))


def _full_size(points: Array, scale: float) -> tuple[Point, ...]:
    """Return points in px of the full-size photo; a pixel's middle is its whole number."""
    full = (points + 0.5) * scale - 0.5
    return tuple((float(x), float(y)) for x, y in full)


def _scale_and_tilt(corners: Array, shape: tuple[int, ...]) -> tuple[float, float]:
    """Return mm per px at the marker's distance and the card's tilt in degrees."""
    height, width = shape[:2]
    focal = FOCAL * max(height, width)
    camera = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1.0]])
    half = MARKER.width / 2
    square = np.array([[-half, half, 0], [half, half, 0], [half, -half, 0], [-half, -half, 0]])
    _, turn, place = cv2.solvePnP(square, corners, camera, None, flags=cv2.SOLVEPNP_IPPE_SQUARE)
    place = place.ravel()
    normal = cv2.Rodrigues(turn)[0][:, 2]
    facing = abs(float(normal @ place)) / float(np.linalg.norm(place))
    return float(place[2]) / focal, float(np.degrees(np.arccos(min(facing, 1.0))))


def _relative_error(measured: Corners, shape: tuple[int, ...], scale_mm: float) -> float:
    """Return the standard error of the scale as a share of it: the corners moved one by one."""
    slopes = np.zeros(measured.places.size)
    for index in range(slopes.size):
        moved = measured.places.copy()
        moved.flat[index] += _NUDGE_PX
        slopes[index] = (_scale_and_tilt(moved, shape)[0] / scale_mm - 1) / _NUDGE_PX
    return float(np.sqrt(slopes @ measured.covariance @ slopes))


def _grey_patch(rgb: Photo, corners: Array) -> tuple[float, float, float] | None:
    """Return the colour of the grey patch, or None where it is hidden, shining or uneven."""
    grey, white = (_patch(rgb, corners, box) for box in (GREY, WHITE))
    if len(grey) < 9 or len(white) < 9:
        return None
    level, bright = np.median(grey, axis=0), np.median(white, axis=0)
    spread = np.percentile(grey, 84, axis=0) - np.percentile(grey, 16, axis=0)
    if (spread > 2 * _GREY_SPREAD).any() or (level < 8).any() or (level > 247).any():
        return None
    if (bright - level < 0.1 * level).any():
        return None
    red, green, blue = (float(value) for value in level)
    return red, green, blue


def _patch(rgb: Photo, corners: Array, box: Box) -> npt.NDArray[np.uint8]:
    """Return pixels from the inner part of a patch; empty if it leaves the photo."""
    along = np.linspace(0.2, 0.8, 13)
    x, y = np.meshgrid(box.x + along * box.width, box.y + along * box.height)
    points = _to_photo(corners, np.column_stack([x.ravel(), y.ravel()]))
    pixels = _levels(rgb, points)
    return pixels if len(pixels) == len(points) else pixels[:0]


def _distance(reading: TagReading, middle: Point) -> float:
    """Return how far a tag lies from the middle of the photo, px."""
    x, y = np.mean(reading.corners, axis=0)
    return float(np.hypot(x - middle[0], y - middle[1]))
