"""Where the plants of a row stand in its plane: from tags, spacing and the fruit themselves.

A tag stands beside its stem, how far nobody wrote down; on one row mostly on the same side. So one
shift of all stems against their tags is unknown, and the fruit tell it: they hang near stems. Each
shift is weighed by how well the fruit then lie about the stems, and the shares of a fruit are the
mean over the shifts (a mixture of normal curves with a common shift; Bayes' rule).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from counting.finding.zone.plane import RowPlane, TagSeen

__all__ = ["Hanging", "Stand", "off_stem", "row_shares", "stand_of"]

Array = NDArray[np.float64]

SPREAD_MM = 85.0
"""How far fruit hang from their stem along the row, standard deviation."""
DEPTH_MM = 70.0
"""How far fruit stand before or behind the row's plane, standard deviation."""
SHIFT_MM = 80.0
"""How far stems are from their tags, standard deviation of the common part."""
OWN_SHIFT_MM = 25.0
"""The same of each tag by itself."""
FRUIT_ALIKE = 4.0
"""Fruit of one truss hang together, so that so many tell as much as one (drawn rows)."""
_SHIFTS = np.arange(-170.0, 171.0, 5.0)
_FARTHEST = 9
_LEAST_SPACING_MM = 100.0
"""Tags nearer to one another than this do not stand on neighbouring plants."""
_BESIDE = 0.75
"""Spacings beside the photo's middle from which a tag is the next plant's: half a spacing is the
border, and stems stand beside their tags."""
_SPACING_SD = 0.03
"""How far a spacing in a bed is from the planned one, share (common practice)."""


@dataclass(frozen=True, slots=True)
class Stand:
    """Where the plants stand along the row, before the stems' shift from their tags.

    Attributes
    ----------
    steps : (P,) ndarray of int
        Plants from the one with the first tag, which is 0; negative to the left.
    along : (P,) ndarray of float
        mm to the right of the first tag.
    spacing : float
        mm between plants.
    names : dict
        Step to code of the plants whose tags are in view.
    own : int
        Place of the photo's own plant in the three arrays' order.
    """

    steps: NDArray[np.int64]
    along: Array
    spacing: float
    names: dict[int, str]
    own: int


@dataclass(frozen=True, slots=True)
class Hanging:
    """Shares of fruit in the plants of a row.

    Attributes
    ----------
    shares : (N, P) ndarray of float
        By the columns of the stand; rows sum to 1.
    shift : float
        Most likely shift of the stems against their tags, mm to the right.
    """

    shares: Array
    shift: float


def stand_of(
    plane: RowPlane,
    tags: Sequence[TagSeen],
    spacing_mm: float | None,
    position: int | None = None,
) -> Stand | None:
    """Return where the plants stand; None where neither a second tag nor a spacing says so.

    Parameters
    ----------
    plane : RowPlane
        Laid through `tags`.
    tags : sequence of TagSeen
        The photo's own first, or the nearest to it where its own was not read.
    spacing_mm : float, optional
        The plan's.
    position : int, optional
        Where the photo's own plant stands in the row, where its own tag is not among `tags`.
    """
    steps = _steps(plane.tags, tags, spacing_mm)
    spacing = _spacing(plane.tags, steps, spacing_mm)
    if spacing is None:
        return None
    every = np.arange(-_FARTHEST, _FARTHEST + 1)
    known = dict(zip(steps.tolist(), plane.tags.tolist(), strict=True))
    anchors = np.array(sorted(known))
    nearest = anchors[np.abs(every[:, None] - anchors[None, :]).argmin(axis=1)]
    along = [known[int(a)] + (k - a) * spacing for k, a in zip(every, nearest, strict=True)]
    names = {int(step): tag.plant for step, tag in zip(steps, tags, strict=True)}
    places = np.array(along, dtype=np.float64)
    apart = _apart(tags, steps, position)
    if position is None and tags[0].position is None:
        apart = _loose(plane, every, places)
    own = _own(plane, every, places, apart)
    return None if own is None else Stand(every, places, spacing, names, own)


def _apart(
    tags: Sequence[TagSeen], steps: NDArray[np.int64], position: int | None
) -> tuple[int, ...]:
    """Return how many plants to the right of the first tag the own one may stand."""
    first = tags[0].position
    if position is None or first is None or position == first:
        return (0,)
    told = sum(
        (tag.position - first) * int(step)
        for tag, step in zip(tags, steps, strict=True)
        if tag.position is not None
    )
    apart = position - first
    # one tag does not tell from which side of the row the photo was taken
    return (apart, -apart) if told == 0 else (apart if told > 0 else -apart,)


def _loose(plane: RowPlane, every: NDArray[np.int64], along: Array) -> tuple[int, ...]:
    """Return which plant a photo that no plan knows is of: the first tag's, or the middle one.

    Where the first tag stands far beside the middle another plant was photographed, and its own
    tag was not read.
    """
    sides = plane.to_photo(along, np.zeros(len(along)))[:, 0]
    off = np.abs(sides - plane.middle[0])
    first, nearest = int(np.flatnonzero(every == 0)[0]), int(off.argmin())
    apart = float(np.abs(sides[first + 1] - sides[first - 1])) / 2
    return (int(every[nearest]),) if off[first] > _BESIDE * apart else (0,)


def _own(
    plane: RowPlane, every: NDArray[np.int64], along: Array, apart: tuple[int, ...]
) -> int | None:
    """Return which plant the photo is of: of those in question the one nearest its middle.

    None where the first tag itself is nearer: then it may hang on the wrong plant.
    """
    sides = plane.to_photo(along, np.zeros(len(along)))[:, 0]
    off = np.abs(sides - plane.middle[0])
    places = [int(place) for place in np.flatnonzero(np.isin(every, apart))]
    if not places:
        return None
    own, first = min(places, key=lambda place: off[place]), int(np.flatnonzero(every == 0)[0])
    return own if own == first or off[own] < off[first] else None


def _steps(along: Array, tags: Sequence[TagSeen], spacing_mm: float | None) -> NDArray[np.int64]:
    """Return how many plants to the right of the own one each tag's plant stands."""
    own = tags[0].position
    if own is not None and all(tag.position is not None for tag in tags):
        apart = np.array([(tag.position or 0) - own for tag in tags], dtype=np.int64)
        # from the other side of the row the positions run from right to left
        return apart if float(apart @ along) >= 0 else -apart
    if spacing_mm:
        return np.rint(along / spacing_mm).astype(np.int64)
    rank = np.argsort(np.argsort(along))
    return np.asarray(rank - rank[0], dtype=np.int64)


def _spacing(along: Array, steps: NDArray[np.int64], planned: float | None) -> float | None:
    """Return mm between plants: what the tags say, held by what the plan says."""
    apart = steps.astype(np.float64)
    if not apart.any():
        return planned
    measured = float((along * apart).sum() / (apart**2).sum())
    if not planned:
        return measured if measured >= _LEAST_SPACING_MM else None
    weight = (apart**2).sum() / (2 * OWN_SHIFT_MM**2)
    held = 1 / (_SPACING_SD * planned) ** 2
    return float((weight * measured + held * planned) / (weight + held))


def row_shares(stand: Stand, along: Array, slope: Array, weight: Array) -> Hanging:
    """Share fruit among the plants of the row.

    Parameters
    ----------
    stand : Stand
        Where they stand.
    along : (N,) ndarray of float
        Where the fruit are along the row, mm.
    slope : (N,) ndarray of float
        mm along the row for each mm of depth.
    weight : (N,) ndarray of float
        How surely each is a fruit of this row, 0..1.
    """
    if not len(along):
        return Hanging(np.empty((0, len(stand.steps))), 0.0)
    spread = np.sqrt(SPREAD_MM**2 + OWN_SHIFT_MM**2 + (DEPTH_MM * slope) ** 2)
    off = along[:, None, None] - stand.along[None, :, None] - _SHIFTS[None, None, :]
    bell = np.exp(-0.5 * (off / spread[:, None, None]) ** 2) / spread[:, None, None]
    total = np.maximum(bell.sum(axis=1), 1e-300)
    near = np.log(np.maximum(total, 1e-12))
    odds = (weight[:, None] * near).sum(axis=0) / FRUIT_ALIKE - 0.5 * (_SHIFTS / SHIFT_MM) ** 2
    chance = np.exp(odds - odds.max())
    chance /= chance.sum()
    shares = (bell / total[:, None, :]) @ chance
    return Hanging(shares, float(_SHIFTS @ chance))


def off_stem(stand: Stand, along: Array) -> Array:
    """Return how far places along the row are from the nearest stem, mm, by the tags alone."""
    gap = along[:, None] - stand.along[None, :]
    return np.asarray(np.abs(gap).min(axis=1))
