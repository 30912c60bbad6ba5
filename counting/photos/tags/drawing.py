"""A marker drawn as a camera would see it: place, blur, tone curve, sharpening, uneven light."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

__all__ = ["MODULES", "Grid", "State", "corners_of", "drawn", "grid_of", "levels_at", "moved"]

Array = npt.NDArray[np.float64]

MODULES = 7
"""A 5 x 5 marker with its black frame."""
_MARGIN = 0.9
"""White paper drawn round the marker, in modules; the card leaves 1.75."""
_WIDER = 2.2
"""Radius of a camera's sharpening, in blurs."""


@dataclass(frozen=True, slots=True)
class Grid:
    """Where the marker is sampled, a square of places, and how uneven light may be there.

    Attributes
    ----------
    at : ndarray, shape (n,)
        Places along a line, in modules from the marker's top left corner.
    dark_terms, contrast_terms : ndarray, shape (n * n, terms)
        Polynomials of the place: the level of black, and by how much white is brighter.
    """

    at: Array
    dark_terms: Array
    contrast_terms: Array

    @property
    def places(self) -> tuple[Array, Array]:
        """X and y of all samples, row by row."""
        x, y = np.meshgrid(self.at, self.at)
        return x.ravel(), y.ravel()


@dataclass(frozen=True, slots=True)
class State:
    """The unknowns of a drawing.

    Attributes
    ----------
    matrix : ndarray, shape (3, 3)
        Homography from modules to px.
    blur : ndarray, shape (2,)
        Logarithm of the blur's standard deviation along x and y of the marker, px.
    tone : float
        Over 0 white looks larger than it is, under 0 smaller.
    sharpening : float
        Share of the camera's sharpening; under 0 a soft halo.
    light : ndarray, shape (terms,)
        Weights of the grid's dark terms, then of its contrast terms.
    """

    matrix: Array
    blur: Array
    tone: float
    sharpening: float
    light: Array


def grid_of(per: float) -> Grid:
    """Lay the samples, so many per module."""
    long = MODULES + 2 * _MARGIN
    count = round(long * per)
    at = -_MARGIN + (np.arange(count) + 0.5) * long / count
    u = (at - MODULES / 2) / (long / 2)
    powers = np.polynomial.legendre.legvander(u, 3)

    def terms(degree: int) -> Array:
        return np.stack(
            [
                np.outer(powers[:, j], powers[:, i]).ravel()
                for i in range(degree + 1)
                for j in range(degree + 1 - i)
            ],
            axis=1,
        )

    return Grid(at, terms(3), terms(2))


def levels_at(image: Array, matrix: Array, grid: Grid) -> Array:
    """Return the photo's levels at the samples."""
    x, y = grid.places
    at = matrix @ np.stack([x, y, np.ones_like(x)])
    shape = (len(grid.at), len(grid.at))
    across, down = ((at[k] / at[2]).astype(np.float32).reshape(shape) for k in (0, 1))
    seen = cv2.remap(image, across, down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(seen, dtype=np.float64).ravel()


def drawn(grid: Grid, state: State, cells: Array) -> tuple[Array, Array]:
    """Draw the marker.

    Parameters
    ----------
    grid : Grid
        Where.
    state : State
        How.
    cells : ndarray, shape (9, 9)
        The marker's modules and the white paper round them, 1 is white.

    Returns
    -------
    ndarray, shape (n * n,)
        Share of white at the samples.
    ndarray, shape (n * n, 12)
        Its slopes: eight by the place (middle, size, turn, perspective; see `moved`), two by the
        blur, one by the tone, one by the sharpening.
    """
    corners = corners_of(state.matrix)
    sides = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    blur = np.exp(state.blur) * 2 * MODULES / (sides[:2] + sides[2:])
    in_x, slope_x, by_blur_x = _spread(grid.at, float(blur[0]))
    in_y, slope_y, by_blur_y = _spread(grid.at, float(blur[1]))

    def pattern(down: Array, across: Array) -> Array:
        return np.asarray(down @ cells @ across.T, dtype=np.float64).ravel()

    plain = np.clip(pattern(in_y, in_x), 0, 1)
    wide_y, wide_x = (_spread(grid.at, _WIDER * float(blur[k]))[0] for k in (1, 0))
    shade, by_plain, by_tone = _toned(plain, state.tone)
    halo = shade - _toned(np.clip(pattern(wide_y, wide_x), 0, 1), state.tone)[0]
    half = MODULES / 2
    x, y = (place / half - 1 for place in grid.places)
    by_x, by_y = by_plain * pattern(in_y, slope_x) * half, by_plain * pattern(slope_y, in_x) * half
    by_depth = by_x * x + by_y * y
    slopes = [by_x, by_x * x, by_x * y, by_y, by_y * x, by_y * y, by_depth * x, by_depth * y]
    slopes += [by_plain * pattern(in_y, by_blur_x), by_plain * pattern(by_blur_y, in_x)]
    return shade + state.sharpening * halo, np.stack([*slopes, by_tone, halo], axis=1)


def _spread(at: Array, blur: float) -> tuple[Array, Array, Array]:
    """Return what each column of modules adds at each place, its slope, and that by log blur."""
    z = (at[:, None] - np.arange(MODULES + 1.0)) / blur
    bell = np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
    edge = np.pad(ndtr(z), ((0, 0), (1, 1)), constant_values=((0, 0), (1, 0)))
    slope = np.pad(bell / blur, ((0, 0), (1, 1)))
    by_blur = np.pad(-z * bell, ((0, 0), (1, 1)))
    return -np.diff(edge, axis=1), -np.diff(slope, axis=1), -np.diff(by_blur, axis=1)


def _toned(plain: Array, tone: float) -> tuple[Array, Array, Array]:
    """Bend shares of light by a tone curve (over 0 swells white); return also the slopes."""
    fade = float(np.exp(-tone))
    under = plain + (1 - plain) * fade
    return plain / under, fade / under**2, plain * (1 - plain) * fade / under**2


def corners_of(matrix: Array) -> Array:
    """Return the marker's corners, px, shape (4, 2), top left first, clockwise."""
    square = np.array([[0, 1, 1, 0], [0, 0, 1, 1], [1 / MODULES] * 4]) * MODULES
    at = matrix @ square
    return np.asarray((at[:2] / at[2]).T)


def moved(matrix: Array, place: Array) -> Array:
    """Return the homography after a move.

    Parameters
    ----------
    matrix : ndarray, shape (3, 3)
        Homography from modules to px.
    place : ndarray, shape (8,)
        The move in the marker's own frame, whose middle is 0 and whose sides lie at 1: x goes to
        x + p0 + p1 x + p2 y, y to y + p3 + p4 x + p5 y, both divided by 1 - p6 x - p7 y.
    """
    half = MODULES / 2
    frame = np.array([[1 / half, 0, -1], [0, 1 / half, -1], [0, 0, 1.0]])
    motion = np.array(
        [
            [1 + place[1], place[2], place[0]],
            [place[4], 1 + place[5], place[3]],
            [-place[6], -place[7], 1.0],
        ]
    )
    return np.asarray(matrix @ np.linalg.inv(frame) @ np.linalg.inv(motion) @ frame)
