"""The corners of a marker to a small fraction of a pixel, by drawing the marker into the photo.

Light that glares, ink that spreads, a camera's tone curve and its sharpening make black look
smaller or larger than it is, so that one edge alone says little about where the paper's edge is.
A marker has some forty edges between black and white, in both directions and at known places.
The whole pattern is therefore drawn as a camera would see it, with its place, blur, tone curve,
sharpening and uneven light as unknowns, and these are changed until the drawing equals the photo
(Gauss-Newton steps with robust weights; Baker & Matthews 2004, Lucas-Kanade 20 years on). What
swells white swells it at every edge, and only a true change of scale moves all edges apart.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from counting.photos.tags.drawing import (
    MODULES,
    State,
    corners_of,
    drawn,
    grid_of,
    levels_at,
    moved,
)

__all__ = ["Corners", "fitted_corners"]

Array = npt.NDArray[np.float64]

_LEAST_SAMPLES, _MOST_SAMPLES = 4.0, 8.0
"""Samples per module along a line; more cost time and add little."""
_STEPS = 10
_ENOUGH_PX = 0.006
"""A step that moves no corner farther is the last."""
_FIRST_BLUR = 0.25
"""Blur to begin with, modules; a marker with more is hardly ever recognised."""
_TONE_SPREAD, _SHARPENING_SPREAD = 1.5, 0.4
"""How strong tone curve and sharpening are expected, standard deviation."""
_LEAST_SHARPENING, _MOST_SHARPENING = -0.15, 1.0
_LIKE = 6.0
"""Samples that share one error: neighbours resemble each other in a photo."""
_FLOOR_PX = 0.04
"""Standard error of a corner that remains without noise: the lens, paper that is not flat."""
_SHIFT_PX, _SHIFT_BLUR = 0.02, 0.05
"""Standard error of all sides outwards that the drawing leaves, px and share of the blur;
chosen so that the intervals keep their word, see tests/tags.md."""
_DOUBT, _MOST_MISFIT = 0.03, 0.2
"""A drawing that differs from the photo by so large a share of the contrast is less to be trusted
than its edges seem to say (shine, shadows, leaves); with the second share it is no measurement."""
_LEAST_USED = 0.45
"""Share of the samples that must agree with the drawing; else too much is hidden or shining."""
_UNMEASURED = 0.25
"""Standard error of all sides outwards, modules, where the drawing does not fit: the rough
corners of blurred photos were as far off."""


@dataclass(frozen=True, slots=True)
class Corners:
    """The corners of a marker and how well they are known.

    Attributes
    ----------
    places : ndarray, shape (4, 2)
        The corners (x, y), px of the photo measured, in the order given.
    covariance : ndarray, shape (8, 8)
        Of x and y of the first corner, of the second, and so on; px squared.
    shift : float
        Standard error that all four sides have in common, px outwards.
    measured : bool
        Whether the drawing fits the photo; if not, `places` are rough and `shift` is wide.
    """

    places: Array
    covariance: Array
    shift: float
    measured: bool


@dataclass(frozen=True, slots=True)
class _Fit:
    """A state, the covariance of its place, and how well the drawing fits."""

    state: State
    covariance: Array
    misfit: float
    used: float


def fitted_corners(
    grey: npt.NDArray[np.uint8], rough: Array, pattern: npt.NDArray[np.bool_]
) -> Corners:
    """Measure the corners of a marker by all its edges.

    Parameters
    ----------
    grey : ndarray of uint8, shape (H, W)
        The photo.
    rough : ndarray, shape (4, 2)
        Corners (x, y) to within a third of a module, in order round the marker.
    pattern : ndarray of bool, shape (7, 7)
        The marker's modules, True is white.

    Returns
    -------
    Corners
        `rough` with wide errors where the drawing does not fit.
    """
    module = float(np.sqrt(cv2.contourArea(rough.astype(np.float32)))) / MODULES
    per = float(np.clip(module, _LEAST_SAMPLES, _MOST_SAMPLES))
    image, corner = _cut(grey, rough, 0.5 * module / per if module > per else 0.0)
    unmeasured = Corners(rough, np.eye(8) * 0.25, max(0.5, _UNMEASURED * module), False)
    try:
        fit = _fitted(image, rough - corner, np.pad(pattern, 1, constant_values=True), per)
    except np.linalg.LinAlgError:
        return unmeasured
    places = corners_of(fit.state.matrix) + corner
    far = np.abs(places - rough).max() > max(2.0, 0.6 * module)
    if far or not np.isfinite(places).all() or fit.used < _LEAST_USED or fit.misfit > _MOST_MISFIT:
        return unmeasured
    blur = float(np.exp(fit.state.blur).mean())
    doubt = float(np.hypot(1, fit.misfit / _DOUBT))
    slopes = _corner_slopes(fit.state.matrix)
    covariance = slopes @ fit.covariance @ slopes.T + np.eye(8) * _FLOOR_PX**2
    shift = float(np.hypot(_SHIFT_PX, _SHIFT_BLUR * blur)) * doubt
    return Corners(places, covariance * doubt**2, shift, True)


def _cut(grey: npt.NDArray[np.uint8], rough: Array, soften: float) -> tuple[Array, Array]:
    """Cut the marker out with room round it, levels 0..1; return it and its place."""
    room = 0.4 * np.linalg.norm(rough[0] - rough[2]) + 4
    height, width = grey.shape
    left, top = np.maximum(np.floor(rough.min(axis=0) - room), 0).astype(int)
    right, bottom = np.ceil(rough.max(axis=0) + room).astype(int)
    cut = grey[top : min(bottom, height), left : min(right, width)].astype(np.float64) / 255
    if soften > 0:
        # a large marker is sampled coarsely: its edges must not fall between the samples
        cut = np.asarray(cv2.GaussianBlur(cut, (0, 0), soften), dtype=np.float64)
    return cut, np.array([left, top], dtype=np.float64)


def _fitted(image: Array, rough: Array, cells: Array, per: float) -> _Fit:
    """Change the drawing step by step until it equals the photo."""
    grid = grid_of(per)
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=np.float32) * MODULES
    matrix = cv2.getPerspectiveTransform(square, rough.astype(np.float32)).astype(np.float64)
    module = float(np.sqrt(cv2.contourArea(rough.astype(np.float32)))) / MODULES
    begin = np.full(2, np.log(max(0.8, _FIRST_BLUR * module)))
    terms = grid.dark_terms.shape[1] + grid.contrast_terms.shape[1]
    state = State(matrix, begin, 0.0, 0.0, np.zeros(terms))
    for step in range(_STEPS):
        seen = levels_at(image, state.matrix, grid)
        shade, slopes = drawn(grid, state, cells)
        both = np.concatenate([grid.dark_terms, grid.contrast_terms * shade[:, None]], axis=1)
        if step == 0:
            state = replace(state, light=np.asarray(np.linalg.solve(*_normal(both, seen)), float))
        contrast = grid.contrast_terms @ state.light[grid.dark_terms.shape[1] :]
        contrast = np.maximum(contrast, 1e-3)
        rest = seen - both @ state.light
        columns = np.concatenate([slopes * contrast[:, None], both], axis=1)
        weights = _weights(rest / contrast.mean()) if step else np.ones_like(rest)
        change, covariance, variance = _solved(columns, rest, weights, state)
        state = _changed(state, change, module, sharpen=step >= 3)
        if step > 3 and np.abs(change[:8]).max() * module * MODULES / 2 < _ENOUGH_PX:
            break
    misfit = float(np.sqrt(variance) / contrast.mean())
    return _Fit(state, covariance, misfit, float(weights.mean()))


def _weights(rest: Array) -> Array:
    """Weigh samples down that do not fit: leaves, shine, tears (Geman & McClure 1987)."""
    usual = 1.4826 * float(np.median(np.abs(rest))) + 0.004
    return np.asarray(1 / (1 + (rest / (3 * usual)) ** 2) ** 2)


def _solved(
    columns: Array, rest: Array, weights: Array, state: State
) -> tuple[Array, Array, float]:
    """Return the change of the unknowns, the covariance of the place, the variance of the rest."""
    variance = max(float(np.sum(weights * rest**2) / np.sum(weights)), 1e-8)
    root = np.sqrt(weights)
    square, right = _normal(columns * root[:, None], rest * root)
    noise = variance * _LIKE
    # blur may change at most a little at a step; tone and sharpening are expected near none
    square[[8, 9], [8, 9]] += noise
    for k, now, spread in (
        (10, state.tone, _TONE_SPREAD),
        (11, state.sharpening, _SHARPENING_SPREAD),
    ):
        square[k, k] += noise / spread**2
        right[k] -= noise * now / spread**2
    square[np.diag_indices_from(square)] *= 1 + 1e-9
    inverse = np.asarray(np.linalg.inv(square), dtype=np.float64)
    change = np.asarray(inverse @ right, dtype=np.float64)
    return change, inverse[:8, :8] * noise, variance


def _normal(columns: Array, rest: Array) -> tuple[Array, Array]:
    """Return the normal equations of least squares."""
    # numpy's product of matrices would wake threads for a task of a millisecond
    product = cv2.mulTransposed(np.column_stack([columns, rest]), True)
    square = np.asarray(product, dtype=np.float64)
    return square[:-1, :-1].copy(), square[:-1, -1].copy()


def _changed(state: State, change: Array, module: float, *, sharpen: bool) -> State:
    """Take a step, none of it too far."""
    place = change[:8] * min(1.0, 0.15 / max(float(np.abs(change[:8]).max()), 1e-12))
    sharpening = float(np.clip(state.sharpening + change[11], _LEAST_SHARPENING, _MOST_SHARPENING))
    return State(
        moved(state.matrix, place),
        np.clip(
            state.blur + np.clip(change[8:10], -0.5, 0.5), np.log(0.25), np.log(1.5 * module + 1)
        ),
        float(np.clip(state.tone + np.clip(change[10], -1, 1), -4, 4)),
        sharpening if sharpen else 0.0,
        state.light + change[12:],
    )


def _corner_slopes(matrix: Array) -> Array:
    """Return how the corners, px, change with the place of the drawing, shape (8, 8)."""
    still, small = corners_of(matrix), 1e-4
    changes = [corners_of(moved(matrix, small * one)) - still for one in np.eye(8)]
    return np.stack([each.ravel() for each in changes], axis=1) / small
