"""The same fruit in two photos of one side of a plant, proposed by their places round its tag.

Both photos show the plant's own tag, so that each fruit has a place in the row's plane, mm from the
tag. A fruit before or behind that plane slides along it when the phone moves, in a direction that
both lines of sight tell; how far it stands off is unknown. A pair fits as far as one such distance
explains both its shifts, and its size and colour agree (a normal error on each; the pairs of least
sum are chosen, each fruit once).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from counting.finding.zone.plane import RowPlane, TagSeen, plane_of

__all__ = ["View", "same_fruit"]

Array = NDArray[np.float64]

_PLACE_MM = (12.0, 9.0, 7.0, 5.0)
"""Error of a place along or up the plane, standard deviation, in each round: at first what the two
planes differ by is in it, at last the boxes' error alone (4 mm on drawn rows)."""
DEPTH_MM = 50.0
"""How far fruit stand before or behind the tag's plane, standard deviation."""
_SIZE = 0.13
"""Error of the logarithm of a size; what hides a part of a fruit differs between photos."""
_RED = 0.35
"""Error of a red share between two lights."""
_SHIFT_MM, _STRETCH = 15.0, 0.08
"""How far, and by which share, the planes of two photos differ (drawn rows)."""
_WORST = 11.3
"""Sum of squares from which two fruit are none: 1 % of true pairs lie above (chi-square, 3)."""


@dataclass(frozen=True, slots=True)
class View:
    """The fruit of one photo.

    Attributes
    ----------
    tag : TagSeen
        The plant's own.
    size : (int, int)
        Width and height of the full-size photo, px.
    boxes : (N, 4) ndarray of float
        Centre x, centre y, width, height, px of the full-size photo.
    red : (N,) ndarray of float
        Red share, 0..1.
    """

    tag: TagSeen
    size: tuple[int, int]
    boxes: Array
    red: Array


def same_fruit(one: View, other: View) -> list[tuple[int, int]]:
    """Return which fruit of two photos of one side of a plant are likely the same.

    Parameters
    ----------
    one, other : View
        Photos of one plant from one side, both with its tag.

    Returns
    -------
    list of (int, int)
        Places in the two lists, each at most once; by the first.
    """
    if not len(one.boxes) or not len(other.boxes):
        return []
    (here, slid_here, size_here), (there, slid_there, size_there) = _placed(one), _placed(other)
    slide = slid_here[:, None, :] - slid_there[None, :, :]
    alike = (np.log(size_here[:, None] / size_there[None, :]) / _SIZE) ** 2
    alike += ((one.red[:, None] - other.red[None, :]) / _RED) ** 2
    pairs = np.empty((0, 2), dtype=np.int64)
    for place_mm in _PLACE_MM:
        gap = here[:, None, :] - there[None, :, :] - _common(here, there, slide, pairs)
        cost = _unexplained(gap, slide, place_mm) + alike
        cost = np.where(np.isfinite(cost), np.minimum(cost, _WORST), _WORST)
        rows, columns = linear_sum_assignment(cost)
        fits = cost[rows, columns] < _WORST
        pairs = np.column_stack([rows[fits], columns[fits]])
    return [(int(row), int(column)) for row, column in pairs]


def _unexplained(gap: Array, slide: Array, place_mm: float) -> Array:
    """Return the square of each gap that no one distance from the plane explains, in errors."""
    along, stretch = (gap * slide).sum(axis=2), (slide**2).sum(axis=2)
    explained = along**2 / (stretch + place_mm**2 / DEPTH_MM**2)
    return np.asarray(((gap**2).sum(axis=2) - explained) / place_mm**2)


def _common(here: Array, there: Array, slide: Array, pairs: NDArray[np.int64]) -> Array:
    """Return the gap that all pairs have in common at each place, (N, 1, 2).

    A small tag tells its tilt poorly, so that the two planes differ: by a shift, and by so much for
    each mm along and up. What that is the pairs themselves tell (ridge regression).
    """
    if not len(pairs):
        return np.zeros((len(here), 1, 2))
    first, second = pairs.T
    gap, slid = here[first] - there[second], slide[first, second]
    # what a fruit's distance from the plane does to it is taken out first
    off = (gap * slid).sum(axis=1) / ((slid**2).sum(axis=1) + _PLACE_MM[0] ** 2 / DEPTH_MM**2)
    known = np.column_stack([np.full(len(pairs), _SHIFT_MM), _STRETCH * here[first]])
    held = known.T @ known + _PLACE_MM[0] ** 2 * np.eye(3)
    told = np.linalg.solve(held, known.T @ (gap - off[:, None] * slid))
    at = np.column_stack([np.full(len(here), _SHIFT_MM), _STRETCH * here])
    return np.asarray((at @ told)[:, None, :])


def _placed(view: View) -> tuple[Array, Array, Array]:
    """Return places in the plane, how far each slides for 1 mm off it, and sizes, mm."""
    plane = plane_of([view.tag], view.size)
    found = plane.of_photo(view.boxes[:, :2])
    size = view.boxes[:, 2:].max(axis=1) * found[:, 2] / plane.focal
    return found[:, :2], _slide(plane, view.boxes[:, :2]), size


def _slide(plane: RowPlane, places: Array) -> Array:
    """Return mm along the row and up by which a place moves if the fruit stands 1 mm nearer."""
    sight = np.column_stack([(places - plane.middle) / plane.focal, np.ones(len(places))])
    facing = sight @ np.cross(plane.along, plane.up)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.column_stack([sight @ plane.along, sight @ plane.up]) / facing[:, None]
