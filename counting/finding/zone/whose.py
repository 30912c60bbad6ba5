"""A share for every candidate: this plant's, a neighbour's, behind, fallen."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from counting.crops import TOMATO
from counting.finding.zone.behind import OFF_STEM_UNKNOWN, behind_shares
from counting.finding.zone.plane import RowPlane, TagSeen, plane_of
from counting.finding.zone.stand import Stand, off_stem, row_shares, stand_of
from counting.ledger.facts import Border
from counting.plan.card import MARKER

__all__ = ["MIDDLE", "NO_TAGS", "RowTags", "Fruit", "Whose", "Zone", "whose", "zone_json"]

Array = NDArray[np.float64]

MIDDLE = "middle"
"""What a zone rests on where the plant's own tag was not read and no plan says where the plant
stands: it is taken to stand in the middle."""


class Whose(StrEnum):
    """Whose fruit a candidate is."""

    THIS = "this plant"
    NEIGHBOUR = "neighbour"
    BEHIND = "behind"
    FALLEN = "fallen"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Fruit:
    """The fruit that a photo's candidates propose, as far as the zone asks.

    Attributes
    ----------
    boxes : (N, 4) ndarray of float
        Centre x, centre y, width, height, px of the full-size photo.
    red : (N,) ndarray of float
        Red share, 0..1.
    confidence : (N,) ndarray of float
        Probability that it is a fruit.
    on_ground : (N,) ndarray of float
        Probability that it lies on the ground, by what is round it.
    """

    boxes: Array
    red: Array
    confidence: Array
    on_ground: Array


@dataclass(frozen=True, slots=True)
class RowTags:
    """What is known of the row in a photo before its fruit are looked for.

    Attributes
    ----------
    tags : tuple of TagSeen
        Tags of the row in the photo, its own plant's first; where that was not read, those of the
        next plants, the nearest first.
    spacing_mm : float or None
        From stem to stem, by the plan.
    count_fallen : bool
        Whether the counting rule takes fallen fruit too.
    typical_mm : float
        Diameter of a usual fruit of the crop.
    position : int or None
        Where the photo's own plant stands in the row, where its own tag is not among `tags`.
    cards : tuple of tuple of 4 points
        Outlines of all tags' cards in the photo, px: no fruit is there.
    usual_mm_per_px : float or None
        Scale of the survey's other photos, brought to this one's size. Where no tag was read the
        plant is then taken to stand in the photo's middle.
    """

    tags: tuple[TagSeen, ...] = ()
    spacing_mm: float | None = None
    count_fallen: bool = False
    typical_mm: float = TOMATO.typical_mm
    position: int | None = None
    cards: tuple[tuple[tuple[float, float], ...], ...] = ()
    usual_mm_per_px: float | None = None


NO_TAGS = RowTags()
"""Nothing is known: the whole photo is the plant's."""


@dataclass(frozen=True, slots=True)
class Zone:
    """Whose the fruit of a photo are.

    Attributes
    ----------
    known : str
        What it rests on: ``tags`` (two or more), ``spacing`` (one tag and the plan's spacing),
        ``middle`` (see `MIDDLE`) or ``photo`` (nothing: the whole photo is taken for the plant's).
    borders : tuple of two Border, or None
        Left and right border of the plant's part of the photo.
    own : (N,) ndarray of float
        Probability that a fruit there is this plant's.
    whose : tuple of Whose
        The likeliest.
    names : tuple of str
        Code of the neighbour where its tag is in view, else empty.
    """

    known: str
    borders: tuple[Border, Border] | None
    own: Array
    whose: tuple[Whose, ...]
    names: tuple[str, ...]


def zone_json(zone: Zone) -> dict[str, Any]:
    """Return a zone as JSON values, all but the candidates' shares."""
    borders = None if zone.borders is None else [list(border) for border in zone.borders]
    return {"known": zone.known, "borders": borders}


def whose(seen: Fruit, row: RowTags, size: tuple[int, int]) -> Zone:
    """Say of every candidate whose fruit it is.

    Parameters
    ----------
    seen : Fruit
        What the candidates propose.
    row : RowTags
        What is known of the row.
    size : (int, int)
        Width and height of the full-size photo, px.
    """
    tags = row.tags or _guessed(row, size)
    if not tags:
        return _whole(seen)
    plane = plane_of(tags, size)
    in_plane = plane.of_photo(seen.boxes[:, :2])
    off = np.isnan(in_plane).any(axis=1)
    along, slope = (np.where(off, 1e4, in_plane[:, column]) for column in (0, 3))
    slope = np.minimum(slope, 3.0)
    stand = stand_of(plane, tags, row.spacing_mm, row.position)
    off_mm = np.full(len(along), OFF_STEM_UNKNOWN) if stand is None else off_stem(stand, along)
    behind = _behind(seen, plane, in_plane, row.typical_mm, off_mm)
    ground = seen.on_ground * (1 - behind)
    beside = 1 - behind - ground
    if stand is None:
        return _without_neighbours(beside, behind, ground)
    hanging = row_shares(stand, along, slope, seen.confidence * beside)
    own = stand.own
    shares = np.column_stack([hanging.shares * beside[:, None], behind, ground])
    best = shares.argmax(axis=1)
    words = tuple(_word(int(k), own, len(stand.steps)) for k in best)
    names = tuple(
        stand.names.get(int(stand.steps[k]), "") if word is Whose.NEIGHBOUR else ""
        for k, word in zip(best, words, strict=True)
    )
    borders = _borders(plane, stand, hanging.shift, size)
    known = "tags" if len(tags) > 1 else "spacing"
    if not row.tags or (row.position is None and stand.steps[own] != 0):
        known = MIDDLE
    return Zone(known, borders, shares[:, own], words, names)


def _guessed(row: RowTags, size: tuple[int, int]) -> tuple[TagSeen, ...]:
    """Return the plant's tag as if it stood in the photo's middle, where no tag was read.

    How far stems are off their tags is estimated by the fruit in any case, and that takes up how
    far the photo was aimed beside the plant.
    """
    if not row.usual_mm_per_px or not row.spacing_mm:
        return ()
    half = MARKER.width / row.usual_mm_per_px / 2
    x, y = (size[0] - 1) / 2, (size[1] - 1) / 2
    corners = (
        (x - half, y - half),
        (x + half, y - half),
        (x + half, y + half),
        (x - half, y + half),
    )
    return (TagSeen("", corners),)


def _word(column: int, own: int, plants: int) -> Whose:
    """Return the word of a column of the shares."""
    if column == own:
        return Whose.THIS
    if column < plants:
        return Whose.NEIGHBOUR
    return Whose.BEHIND if column == plants else Whose.FALLEN


def _whole(seen: Fruit) -> Zone:
    """Take the whole photo for the plant's."""
    count = len(seen.boxes)
    return Zone("photo", None, np.ones(count), (Whose.UNKNOWN,) * count, ("",) * count)


def _without_neighbours(beside: Array, behind: Array, ground: Array) -> Zone:
    """Leave out what is behind or fallen; whose the rest is nobody can tell."""
    best = np.column_stack([beside, behind, ground]).argmax(axis=1)
    words = tuple((Whose.UNKNOWN, Whose.BEHIND, Whose.FALLEN)[k] for k in best)
    return Zone("photo", None, beside, words, ("",) * len(beside))


def _behind(
    seen: Fruit, plane: RowPlane, in_plane: Array, typical_mm: float, off_stem_mm: Array
) -> Array:
    """Return the probability of hanging in the row behind."""
    if not len(seen.boxes):
        return np.empty(0)
    far = np.nan_to_num(in_plane[:, 2], nan=plane.origin[2])
    size_mm = seen.boxes[:, 2:4].max(axis=1) * far / plane.focal
    # the weights are tomato's; another crop's fruit are brought to tomato's size
    size_mm = size_mm * TOMATO.typical_mm / typical_mm
    lens = -float(plane.origin @ plane.up)
    places = np.nan_to_num(in_plane[:, :2], nan=1e4) - [0.0, lens]
    return behind_shares(places, size_mm, seen.red, seen.confidence, off_stem_mm)


def _borders(
    plane: RowPlane, stand: Stand, shift: float, size: tuple[int, int]
) -> tuple[Border, Border]:
    """Return the lines half-way to the next plants, from the upper to the lower edge."""
    own = stand.own
    lines = []
    for side in (-1, 1):
        middle = (stand.along[own] + stand.along[own + side]) / 2 + shift
        ends = plane.to_photo(np.array([middle, middle]), np.array([100.0, -100.0]))
        lines.append(_through(ends, size[1]))
    return lines[0], lines[1]


def _through(ends: Array, height: int) -> Border:
    """Draw a line through two points out to the photo's upper and lower edge."""
    (x0, y0), (x1, y1) = ends
    slope = (x1 - x0) / (y1 - y0) if abs(y1 - y0) > 1e-6 else 0.0
    upper, lower = x0 - slope * y0, x0 + slope * (height - 1 - y0)
    return round(float(upper), 1), 0.0, round(float(lower), 1), float(height - 1)
