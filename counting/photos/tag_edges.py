"""The four sides of a marker to a fraction of a pixel."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

__all__ = ["refined_corners"]

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
_SRGB = np.arange(256) / 255.0
_LINEAR = np.where(_SRGB <= 0.04045, _SRGB / 12.92, ((_SRGB + 0.055) / 1.055) ** 2.4)
"""sRGB level to light, IEC 61966-2-1: a blurred edge is symmetrical in light, not in levels."""


def refined_corners(
    grey: npt.NDArray[np.uint8], rough: Array, pattern: npt.NDArray[np.bool_]
) -> tuple[Array, Array]:
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
    corners : ndarray, shape (4, 2)
        The corners, px of `grey`; `rough` where the sides cannot be measured.
    errors : ndarray, shape (4, 2)
        Their standard errors in x and y, px.
    """
    light, corner = _light_round(grey, rough)
    corners = rough - corner
    errors = np.full((4, 2), 0.5)
    for _ in range(2):
        swollen = _swelling(light, corners, pattern)
        sides = [_side(light, corners, number, swollen) for number in range(4)]
        moved = np.array([_meet(sides[number - 1], sides[number]) for number in range(4)])
        if not np.isfinite(moved).all() or np.abs(moved[:, :2] + corner - rough).max() > 4.0:
            return rough, np.full((4, 2), 0.5)
        corners, errors = moved[:, :2], moved[:, 2:]
    return corners + corner, np.hypot(errors, _FLOOR_PX)


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
    light: npt.NDArray[np.float32], corners: Array, pattern: npt.NDArray[np.bool_]
) -> float:
    """Return by how many px black looks larger than it is on every edge of the pattern.

    Blur keeps the sum of light; what the inner part of the marker lacks in light has been taken
    by the black along all its edges.
    """
    per = 12
    # from the middle of the frame on one side to the middle of it on the other
    at = 0.5 + (np.arange((_MODULES - 1) * per) + 0.5) / per
    x, y = np.meshgrid(at, at)
    seen = _sampled(light, corners, x, y)
    ring = np.linspace(0.5, _MODULES - 0.5, 40)
    low, high = np.full_like(ring, 0.5), np.full_like(ring, _MODULES - 0.5)
    dark = _plane(light, corners, [(ring, low), (ring, high), (low, ring), (high, ring)], (x, y))
    low, high = np.full_like(ring, -0.9), np.full_like(ring, _MODULES + 0.9)
    bright = _plane(light, corners, [(ring, low), (ring, high), (low, ring), (high, ring)], (x, y))
    share = float(np.mean((seen - dark) / np.maximum(bright - dark, 1e-4)))
    area = (_MODULES - 1) ** 2
    edges = int(np.sum(np.diff(pattern, axis=0)) + np.sum(np.diff(pattern, axis=1)))
    missing = float(pattern.sum()) - share * area
    module = float(np.sqrt(cv2.contourArea(corners.astype(np.float32)))) / _MODULES
    return float(np.clip(missing / edges, -0.2, 0.2)) * module


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


def _plane(
    light: npt.NDArray[np.float32],
    corners: Array,
    lines: list[tuple[Array, Array]],
    at: tuple[Array, Array],
) -> Array:
    """Return the level at places as a plane laid through the light along lines: even shade."""
    x = np.concatenate([line[0] for line in lines])
    y = np.concatenate([line[1] for line in lines])
    level = _sampled(light, corners, x[None], y[None]).ravel()
    terms, *_ = np.linalg.lstsq(np.column_stack([np.ones_like(x), x, y]), level, rcond=None)
    return np.asarray(terms[0] + terms[1] * at[0] + terms[2] * at[1], dtype=np.float64)


def _side(light: npt.NDArray[np.float32], corners: Array, number: int, swollen: float) -> Array:
    """Measure one side; move it inwards by what black has swollen.

    Returns
    -------
    ndarray, shape (7,)
        A point of the line and its direction (x, y each), then the variances of its offset and
        slope and the rest of its length: offset across is a + b t at t px along.
    """
    start, stop = corners[number], corners[(number + 1) % 4]
    long = float(np.linalg.norm(stop - start))
    along = (stop - start) / long
    outward = np.array([along[1], -along[0]])
    if outward @ (corners.mean(axis=0) - start) > 0:
        outward = -outward
    reach = max(_REACH * long / _MODULES, 2.0)
    lines = int(np.clip(long * 0.7, 10, 64))
    steps = int(np.ceil(reach * 2)) * 2 + 1
    t = np.linspace(_FROM, _TO, lines) * long
    u = np.linspace(-reach, reach, steps)
    points = start + t[:, None, None] * along + u[None, :, None] * outward
    at = points.astype(np.float32)
    values = cv2.remap(
        light, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    offset, spread = _edge(np.asarray(values, dtype=np.float64), u)
    middle = long / 2
    a, b, var_a, var_b = _line(t - middle, offset, spread)
    a -= swollen
    point = start + middle * along + a * outward
    direction = along + b * outward
    return np.array([*point, *(direction / np.linalg.norm(direction)), var_a, var_b, middle])


def _edge(values: Array, u: Array) -> tuple[Array, Array]:
    """Return for each line across a side where black turns white, and a weight for it.

    The place is where a sharp step would hold the same light as the blurred one seen.
    """
    ends = max(1, len(u) // 5)
    dark = values[:, :ends].mean(axis=1)
    bright = values[:, -ends:].mean(axis=1)
    contrast = np.maximum(bright - dark, 1e-4)
    share = np.clip((values - dark[:, None]) / contrast[:, None], -0.25, 1.25)
    reach = float(u[-1])
    offset: Array = reach - np.trapezoid(share, u, axis=1)
    return offset, contrast


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


def _meet(one: Array, other: Array) -> Array:
    """Return where two sides meet, with the standard errors in x and y."""
    (p, d), (q, e) = (one[:2], one[2:4]), (other[:2], other[2:4])
    across = d[0] * e[1] - d[1] * e[0]
    if not np.isfinite(across) or abs(across) < 1e-6:
        return np.full(4, np.nan)
    s = ((q - p)[0] * e[1] - (q - p)[1] * e[0]) / across
    place = p + s * d
    # a side moved across itself moves the corner along the other side
    own = [side[4] + side[5] * side[6] ** 2 for side in (one, other)]
    error = np.sqrt(own[0] * e**2 + own[1] * d**2) / abs(across)
    return np.concatenate([place, error])
