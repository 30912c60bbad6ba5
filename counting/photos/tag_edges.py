"""The four sides of a marker to a fraction of a pixel."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

__all__ = ["Corners", "refined_corners"]

Array = npt.NDArray[np.float64]

_FROM, _TO = 0.08, 0.92
"""The part of a side that is measured; at its ends the neighbouring side is too near."""
_REACH = 0.8
"""How far on either side of an edge the levels are read, in modules: the frame is 1 module."""
_MODULES = 7
"""A 5 x 5 marker with its black frame."""
_OUTLIER = 3.0
"""Lines across a side that lie so many robust standard deviations off are left out."""
_FLOOR_PX = 0.04
"""What remains unknown of a corner even without noise (blur, sharpening, the lens); chosen so
that the intervals keep their word on rendered photos, see the tests."""
_TOO_FAR = 4.0
"""Sides that meet so many px from the rough corner are not those of the marker."""
_UNMEASURED = 0.15
"""Standard error, in modules, where the sides of a marker are too blurred to be measured: corners
of such drawn photos were up to a quarter of a module off."""
_UNEVEN = 0.08
"""Light on frame or margin that strays so far from even, as a share of the contrast, makes the
sum of light doubtful; twice as far makes it worthless."""
_TONE_SHIFT = 0.2
"""How far a camera's tone curve moves a blurred edge, as a share of the blur: measured on the
rendered photos with a strong curve, see the tests."""
_INK = 0.02
"""How far ink may spread, in modules: 0.1 mm (common practice for plain paper)."""
_SRGB = np.arange(256) / 255.0
_LINEAR = np.where(_SRGB <= 0.04045, _SRGB / 12.92, ((_SRGB + 0.055) / 1.055) ** 2.4)
"""sRGB level to light, IEC 61966-2-1: a blurred edge is symmetrical in light, not in levels."""


@dataclass(frozen=True, slots=True)
class Corners:
    """The corners of a marker, measured by its sides.

    Attributes
    ----------
    places : ndarray, shape (4, 2)
        The corners (x, y), px of the photo measured.
    errors : ndarray, shape (4, 2)
        Their standard errors, each corner for itself.
    shift : float
        Standard error that all four sides have in common, px outwards.
    """

    places: Array
    errors: Array
    shift: float


def refined_corners(
    grey: npt.NDArray[np.uint8], rough: Array, pattern: npt.NDArray[np.bool_]
) -> Corners:
    """Measure the corners of a marker by its sides.

    Ink that spreads, light that glares and a camera's tone curve make black look larger or
    smaller than it is. The pattern inside the marker tells by how much, and the sides are moved
    back.

    Parameters
    ----------
    grey : ndarray of uint8, shape (H, W)
        The photo.
    rough : ndarray, shape (4, 2)
        Corners (x, y) to within a pixel or two, in order round the marker.
    pattern : ndarray of bool, shape (7, 7)
        The marker's modules, True is white.

    Returns
    -------
    Corners
        `rough` with wide errors where the sides cannot be measured.
    """
    light, corner = _light_round(grey, rough)
    module = float(np.sqrt(cv2.contourArea(rough.astype(np.float32)))) / _MODULES
    unmeasured = Corners(rough, np.full((4, 2), 0.5), max(0.5, _UNMEASURED * module))
    corners, errors, shift = rough - corner, unmeasured.errors, unmeasured.shift
    for _ in range(2):
        sides = [_side(light, corners, number) for number in range(4)]
        blur = float(np.mean([side.blur for side in sides]))
        swollen, shift = _swelling(light, corners, pattern, blur)
        sides = [side.moved(-swollen) for side in sides]
        moved = np.array([_meet(sides[number - 1], sides[number]) for number in range(4)])
        if not np.isfinite(moved).all() or np.abs(moved[:, :2] + corner - rough).max() > _TOO_FAR:
            return unmeasured
        corners, errors = moved[:, :2], moved[:, 2:]
    return Corners(corners + corner, np.hypot(errors, _FLOOR_PX), shift)


def _light_round(
    grey: npt.NDArray[np.uint8], rough: Array
) -> tuple[npt.NDArray[np.float32], Array]:
    """Cut the marker out with room round it, as light; return it and its place."""
    room = 0.3 * np.linalg.norm(rough[0] - rough[2]) + 4
    height, width = grey.shape
    left, top = np.maximum(np.floor(rough.min(axis=0) - room), 0).astype(int)
    right, bottom = np.ceil(rough.max(axis=0) + room).astype(int)
    cut = grey[top : min(bottom, height), left : min(right, width)]
    return _LINEAR[cut].astype(np.float32), np.array([left, top], dtype=np.float64)


def _swelling(
    light: npt.NDArray[np.float32], corners: Array, pattern: npt.NDArray[np.bool_], blur: float
) -> tuple[float, float]:
    """Return by how many px black looks larger than it is on every edge, and the error left.

    Blur keeps the sum of light; what the inner part of the marker lacks in light has been taken
    by the black along all its edges. Where a shadow crosses the marker or its modules are few
    pixels wide, that sum says little and nothing is corrected.
    """
    per = 12
    # from the middle of the frame on one side to the middle of it on the other
    at = 0.5 + (np.arange((_MODULES - 1) * per) + 0.5) / per
    x, y = np.meshgrid(at, at)
    seen = _sampled(light, corners, x, y)
    dark, dark_rest = _even_level(light, corners, 0.5, (x, y))
    bright, bright_rest = _even_level(light, corners, -0.9, (x, y))
    contrast = np.maximum(bright - dark, 1e-4)
    missing = float(pattern.sum()) - float(np.mean((seen - dark) / contrast)) * (_MODULES - 1) ** 2
    edges = int(np.sum(np.diff(pattern, axis=0)) + np.sum(np.diff(pattern, axis=1)))
    module = float(np.sqrt(cv2.contourArea(corners.astype(np.float32)))) / _MODULES
    # more than a tone curve and spreading ink can do is shine or shadow inside the marker
    most = 1.5 * _TONE_SHIFT * blur + _INK * module
    found = float(np.clip(missing / edges * module, -most, most))
    uneven = max(dark_rest, bright_rest) / float(np.mean(contrast))
    trust = float(np.clip((module - 4) / 6, 0, 1) * np.clip(2 - uneven / _UNEVEN, 0, 1))
    # blur wider than the frame mixes the levels themselves
    mixed = 0.3 * max(0.0, blur - 0.3 * module)
    # shine or shadow across the marker pulls at its sides themselves
    pulled = 0.15 * max(0.0, uneven - _UNEVEN) * module
    left = (1 - trust) * _TONE_SHIFT * blur + trust * 0.2 * abs(found) + mixed + pulled
    return trust * found, float(np.hypot(left, _FLOOR_PX / 2))


def _sampled(light: npt.NDArray[np.float32], corners: Array, x: Array, y: Array) -> Array:
    """Return the light at places on the marker, in modules from its top left corner."""
    size = float(_MODULES)
    square = np.array([[0, 0], [size, 0], [size, size], [0, size]], dtype=np.float32)
    matrix = cv2.getPerspectiveTransform(square, corners.astype(np.float32))
    places = np.stack([x, y], axis=-1).astype(np.float64).reshape(1, -1, 2)
    at = cv2.perspectiveTransform(places, matrix).astype(np.float32).reshape(*x.shape, 2)
    seen = cv2.remap(
        light, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(seen, dtype=np.float64).reshape(x.shape)


def _even_level(
    light: npt.NDArray[np.float32], corners: Array, inset: float, at: tuple[Array, Array]
) -> tuple[Array, float]:
    """Lay a plane through the light on a square so many modules inside the marker's sides.

    Return its level at places on the marker and how far the light strays from it.
    """
    ring = np.linspace(max(inset, 0), _MODULES - max(inset, 0), 40)
    low, high = np.full_like(ring, inset), np.full_like(ring, _MODULES - inset)
    x, y = np.concatenate([ring, ring, low, high]), np.concatenate([low, high, ring, ring])
    level = _sampled(light, corners, x[None], y[None]).ravel()
    terms = np.column_stack([np.ones_like(x), x, y])
    plane, *_ = np.linalg.lstsq(terms, level, rcond=None)
    rest = float(np.sqrt(np.mean((level - terms @ plane) ** 2)))
    return np.asarray(plane[0] + plane[1] * at[0] + plane[2] * at[1], dtype=np.float64), rest


@dataclass(frozen=True, slots=True)
class _Side:
    """A straight side: a point in its middle, its direction, the way out, and its errors."""

    point: Array
    direction: Array
    outward: Array
    half: float
    offset_variance: float
    slope_variance: float
    blur: float

    def moved(self, out: float) -> _Side:
        return replace(self, point=self.point + out * self.outward)


def _side(light: npt.NDArray[np.float32], corners: Array, number: int) -> _Side:
    """Measure one side."""
    start, stop = corners[number], corners[(number + 1) % 4]
    long = float(np.linalg.norm(stop - start))
    along = (stop - start) / long
    outward = np.array([along[1], -along[0]])
    if outward @ (corners.mean(axis=0) - start) > 0:
        outward = -outward
    depth = float(np.abs((corners - start) @ outward).max())
    reach = max(_REACH * depth / _MODULES, 2.0)
    lines = int(np.clip(long * 0.7, 10, 64))
    steps = int(np.ceil(reach * 2)) * 2 + 1
    t = (np.linspace(_FROM, _TO, lines) - 0.5) * long
    u = np.linspace(-reach, reach, steps)
    middle = start + 0.5 * long * along
    at = (middle + t[:, None, None] * along + u[None, :, None] * outward).astype(np.float32)
    values = cv2.remap(
        light, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    offset, contrast, blur = _edge(np.asarray(values, dtype=np.float64), u)
    a, b, offset_variance, slope_variance = _line(t, offset, contrast)
    direction = along + b * outward
    return _Side(
        middle + a * outward,
        direction / np.linalg.norm(direction),
        outward,
        long / 2,
        offset_variance,
        slope_variance,
        blur,
    )


def _edge(values: Array, u: Array) -> tuple[Array, Array, float]:
    """Return for each line across a side where black turns white, its contrast, and the blur.

    The place is where a sharp step would hold the same light as the blurred one seen; the blur is
    a normal curve's standard deviation, px.
    """
    ends = max(1, len(u) // 5)
    dark = values[:, :ends].mean(axis=1)
    bright = values[:, -ends:].mean(axis=1)
    contrast = np.maximum(bright - dark, 1e-4)
    share = np.clip((values - dark[:, None]) / contrast[:, None], -0.25, 1.25)
    offset = np.asarray(float(u[-1]) - np.trapezoid(share, u, axis=1), dtype=np.float64)
    step = u[None, :] > offset[:, None]
    # the area between a normal blurred step and the sharp one is sigma sqrt(2 / pi)
    area = np.trapezoid(np.abs(share - step), u, axis=1)
    return offset, contrast, float(np.median(area)) / np.sqrt(2 / np.pi)


def _line(t: Array, offset: Array, weight: Array) -> tuple[float, float, float, float]:
    """Lay offset = a + b t through the points, outliers dropped; return a, b, var a, var b."""
    keep = weight > 0.25 * np.median(weight)
    for _ in range(4):
        if keep.sum() < 6:
            return (np.nan,) * 4
        b, a = np.polyfit(t[keep], offset[keep], 1)
        rest = offset - a - b * t
        sigma = 1.4826 * float(np.median(np.abs(rest[keep]))) + 1e-3
        keep = keep & (np.abs(rest) < _OUTLIER * sigma)
    n = int(keep.sum())
    if n < 6:
        return (np.nan,) * 4
    variance = float(np.sum(rest[keep] ** 2)) / (n - 2)
    centred = t[keep] - t[keep].mean()
    slope = variance / float(np.sum(centred**2))
    return float(a), float(b), variance / n, slope


def _meet(one: _Side, other: _Side) -> Array:
    """Return where two sides meet, with the standard errors in x and y."""
    d, e = one.direction, other.direction
    across = d[0] * e[1] - d[1] * e[0]
    if not np.isfinite(across) or abs(across) < 1e-6:
        return np.full(4, np.nan)
    apart = other.point - one.point
    place = one.point + (apart[0] * e[1] - apart[1] * e[0]) / across * d
    # a side moved across itself moves the corner along the other side
    own = [side.offset_variance + side.slope_variance * side.half**2 for side in (one, other)]
    error = np.sqrt(own[0] * e**2 + own[1] * d**2) / abs(across)
    return np.concatenate([place, error])
