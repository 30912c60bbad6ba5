"""A photo's candidates: the stages run, merged, sized, coloured, flagged and counted."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from counting.crops import TOMATO, Crop
from counting.finding.boxes import overlap
from counting.finding.interval import count_with
from counting.finding.merge import Merged, merge
from counting.finding.ripeness import Ripeness, ripeness
from counting.finding.stages.colour import balance
from counting.finding.stages.run import Tables, reduced, stage_tables
from counting.finding.trusses import number_trusses
from counting.finding.zone import MIDDLE, NO_TAGS, Fruit, RowTags, Whose, Zone, on_ground, whose
from counting.flags import Flag
from counting.ledger.facts import Candidate, Tag
from counting.photos.balance import balanced as by_grey_patch
from counting.photos.image import Image
from counting.settings import OWN_FROM, Settings, reaches
from counting.tables import CANDIDATES

__all__ = ["DECIMALS", "LONG_SIDE_READ", "Found", "counted", "find"]

Array = NDArray[np.float64]
Truths = NDArray[np.bool_]
LONG_SIDE_READ = 832
"""Least long side in px at which a photo is read for the stages, the closer look of it included."""
_EDGE_PX = 2.0  # of the full-size photo, scaled up with it: a box that near the edge is cut by it
_WIDE = 0.35  # interval wider than this share of the count asks for a look; from held-out photos
_WIDE_LEAST = 4  # and at least this many fruit wide
_ALONE = 0.65  # a quarter of the labelled tomato photos have a larger share
_LIKELY = 0.3  # confidence from which a candidate is taken for the surface of another fruit
_CROWDED = 0.5  # share of the proposed fruit that overlap another one

DECIMALS: Mapping[str, int] = {
    "x": 1,
    "y": 1,
    "width": 1,
    "height": 1,
    "diameter_px": 1,
    "diameter_mm": 2,
    "red_share": 3,
    "confidence": 4,
    "own_share": 3,
}
"""As much as the numbers are good for; keeps the ledger small and alike on every machine."""


@dataclass(frozen=True, slots=True)
class Found:
    """What the finder sees in one photo.

    Attributes
    ----------
    candidates : DataFrame
        Schema `counting.tables.CANDIDATES`, most confident first; `photo` is left empty.
    proposed : int
        How many of them reach the threshold and are large enough to count.
    count : float
        Expected number of fruit to count; 0 where no candidate reaches the threshold.
    count_low, count_high : int
        Its 90 % interval.
    flags : tuple of Flag
        Why a person should look.
    zone : Zone
        Which part of the photo is the plant's; `own_share` in the table is by the counting rule.
    seconds : float
        Time it took, without reading the file.
    """

    candidates: pd.DataFrame
    proposed: int
    count: float
    count_low: int
    count_high: int
    flags: tuple[Flag, ...]
    zone: Zone
    seconds: float

    def records(
        self, *, truss: int | None = None, decimals: Mapping[str, int] = DECIMALS
    ) -> tuple[Candidate, ...]:
        """Return the candidates as facts, rounded: what the ledger keeps and what is written.

        Parameters
        ----------
        truss : int, optional
            The only truss that the photo is of.
        decimals : mapping of str to int
            Decimals of each number.
        """
        return tuple(_record(row, truss, decimals) for row in self.candidates.to_dict("records"))


def _record(row: Mapping[Any, Any], truss: int | None, decimals: Mapping[str, int]) -> Candidate:
    numbers: dict[str, Any] = {
        name: None if pd.isna(row[name]) else round(float(row[name]), digits)
        for name, digits in decimals.items()
    }
    own = None if pd.isna(row["truss"]) else int(row["truss"])
    return Candidate(
        candidate=int(row["candidate"]),
        **numbers,
        colour=row["colour"],
        stages=row["stages"],
        truss=own if truss is None else truss,
        flags=tuple(flag for flag in row["flags"].split("; ") if flag),
        whose=row["whose"],
        neighbour=row["neighbour"],
    )


def find(
    image: Image,
    settings: Settings,
    *,
    tag: Tag | None = None,
    smallest_mm: float | None = None,
    crop: Crop = TOMATO,
    row: RowTags = NO_TAGS,
    tables: Tables | None = None,
) -> Found:
    """Find the fruit in a photo.

    Parameters
    ----------
    image : Image
        The photo, at least `LONG_SIDE_READ` px long where it has them.
    settings : Settings
        Stages and threshold.
    tag : Tag, optional
        The record of the tag in the photo: gives the scale; its card is never proposed.
    smallest_mm : float, optional
        Fruit under this diameter are shown but not counted.
    crop : Crop
        What grows: its colours and sizes.
    row : RowTags
        The tags of the row that are in the photo, and the plants' spacing: they tell whose fruit
        a candidate is.
    tables : mapping of str to DataFrame, optional
        What `stage_tables` said of this photo, which may be `reduced` then: no stage runs again.

    Returns
    -------
    Found
        Candidates, the expected count and why to look.
    """
    start = time.perf_counter()
    scale = None if tag is None else _Scale.of(tag)
    small = reduced(image)
    said = stage_tables(image, settings) if tables is None else tables
    merged = merge(said, slope=settings.slope, offset=settings.offset)
    cards = [*row.cards, *([] if scale is None else [scale.card])]
    merged = merged.only((merged.confidence >= settings.floor) & ~_on_cards(merged.boxes, cards))
    seen = _colours(small, merged, scale, crop)
    candidates = _table(merged, seen, _flagged(image, merged.boxes, scale, smallest_mm), scale)
    typical = crop.typical_mm / scale.mm_per_px if scale else None
    candidates["truss"] = number_trusses(candidates, settings.threshold, typical)
    row = replace(row, typical_mm=crop.typical_mm)
    found = counted(candidates, image, settings, row)
    return replace(found, seconds=time.perf_counter() - start)


def counted(candidates: pd.DataFrame, image: Image, settings: Settings, row: RowTags) -> Found:
    """Say whose fruit a photo's candidates are, and count them.

    Parameters
    ----------
    candidates : DataFrame
        Schema `counting.tables.CANDIDATES`; what it says of whose they are is written anew.
    image : Image
        The photo.
    settings : Settings
        Stages and threshold by which they were found.
    row : RowTags
        What is known of the row.
    """
    table = candidates.copy()
    small = reduced(image)
    boxes = table[["x", "y", "width", "height"]].to_numpy(dtype=np.float64)
    seen = Fruit(
        boxes,
        table["red_share"].fillna(0.0).to_numpy(dtype=np.float64),
        table["confidence"].to_numpy(dtype=np.float64),
        on_ground(small.rgb, boxes / small.scale),
    )
    zone = whose(seen, row, (image.width, image.height))
    fallen = np.array([word is Whose.FALLEN for word in zone.whose], dtype=bool)
    table["whose"] = pd.Series([word.value for word in zone.whose], dtype="str")
    table["neighbour"] = pd.Series(zone.names, dtype="str")
    table["own_share"] = np.where(fallen, 1.0, zone.own) if row.count_fallen else zone.own
    return _counted(table, zone, settings)


@dataclass(frozen=True, slots=True)
class _Scale:
    mm_per_px: float
    low: float
    high: float
    card: Array
    grey: tuple[float, ...]

    @classmethod
    def of(cls, tag: Tag) -> _Scale:
        mm_per_px = float(tag.mm_per_px)
        low, high = tag.mm_per_px_low or mm_per_px, tag.mm_per_px_high or mm_per_px
        card = np.array(tag.card, dtype=np.float64)
        return cls(mm_per_px, float(low), float(high), card, tag.grey or ())


def _on_cards(boxes: Array, cards: Sequence[Any]) -> Truths:
    """Whether a candidate's middle lies on a tag's card, its own plant's or a next one's."""
    on = np.zeros(len(boxes), dtype=bool)
    for card in cards:
        outline = np.asarray(card, dtype=np.float32).reshape(-1, 1, 2)
        sides = [
            cv2.pointPolygonTest(outline, (float(x), float(y)), False) for x, y in boxes[:, :2]
        ]
        on |= np.array(sides, dtype=np.float64).reshape(-1) >= 0
    return on


def _colours(small: Image, merged: Merged, scale: _Scale | None, crop: Crop) -> list[Ripeness]:
    """Return how ripe each candidate looks, without the surface of likely fruit beside it."""
    shrink = 1 / small.scale
    balanced = _balanced(small.rgb, scale)
    likely = merged.boxes[merged.confidence >= _LIKELY]
    seen = []
    for box, touching in zip(merged.boxes, overlap(merged.boxes, likely) > 0, strict=True):
        others = likely[touching & (likely != box).any(axis=1)] * shrink
        x, y, width, height = (float(value) * shrink for value in box)
        seen.append(ripeness(balanced, x, y, (width, height), others=others, crop=crop))
    return seen


def _balanced(rgb: NDArray[np.uint8], scale: _Scale | None) -> NDArray[np.float32]:
    """Take the cast of the light out: by the tag's grey patch where it was read, else by guess."""
    if scale and scale.grey:
        return np.float32(1 / 255) * by_grey_patch(rgb, scale.grey)
    return balance(rgb, keep_green=True)


def _diameters(boxes: Array) -> Array:
    """Return the longer sides: what hides a fruit, or the photo's edge, shortens the other."""
    return np.asarray(boxes[:, 2:].max(axis=1, initial=0))


def _flagged(
    image: Image, boxes: Array, scale: _Scale | None, smallest: float | None
) -> dict[Flag, Truths]:
    """Return which candidates the photo's edge cuts, which the size limit leaves out or nearly."""
    near = _EDGE_PX * max(1.0, max(image.width, image.height) / LONG_SIDE_READ)
    half, size = boxes[:, 2:] / 2, np.array([image.width, image.height])
    cut = (boxes[:, :2] - half <= near) | (boxes[:, :2] + half >= size - near)
    flagged: dict[Flag, Truths] = {Flag.AT_EDGE: np.asarray(cut.any(axis=1))}
    if smallest is not None and scale is None:
        flagged[Flag.SIZE_RELATIVE] = np.ones(len(boxes), dtype=bool)
    elif smallest is not None and scale is not None:
        diameter = _diameters(boxes)
        flagged[Flag.TOO_SMALL_TO_COUNT] = diameter * scale.mm_per_px < smallest
        low, high = 0.9 * (diameter * scale.low), 1.1 * (diameter * scale.high)
        flagged[Flag.NEAR_LIMIT] = (low < smallest) & (smallest < high)
    return flagged


def _table(
    merged: Merged,
    seen: list[Ripeness],
    flagged: dict[Flag, Truths],
    scale: _Scale | None,
) -> pd.DataFrame:
    """Return the candidates as a table of schema `CANDIDATES`, their trusses still missing."""
    count = len(merged.boxes)
    diameter = _diameters(merged.boxes)
    words = ["; ".join(flag for flag, has in flagged.items() if has[row]) for row in range(count)]
    return pd.DataFrame(
        {
            "photo": [""] * count,
            "candidate": np.arange(count),
            **dict(zip(("x", "y", "width", "height"), merged.boxes.T, strict=True)),
            "diameter_px": diameter,
            "diameter_mm": diameter * (scale.mm_per_px if scale else np.nan),
            "colour": [one.colour for one in seen],
            "red_share": [one.ripe for one in seen],
            "confidence": merged.confidence,
            "stages": merged.stages,
            "truss": [pd.NA] * count,
            "flags": words,
            "whose": [""] * count,
            "neighbour": [""] * count,
            "own_share": [np.nan] * count,
        }
    ).astype(dict(CANDIDATES))


def _counted(candidates: pd.DataFrame, zone: Zone, settings: Settings) -> Found:
    """Count the candidates that the rule lets count and say why to look."""
    counts = ~candidates["flags"].str.contains(Flag.TOO_SMALL_TO_COUNT, regex=False)
    large = candidates[counts]
    own = large["own_share"].to_numpy(dtype=np.float64)
    # a fruit counts as far as it is one and as far as it is this plant's
    confidence = large["confidence"].to_numpy(dtype=np.float64)
    count, low, high = count_with(confidence, own, settings)
    proposed = len(_shown(large[own >= OWN_FROM], settings))
    if not proposed:
        # where nothing reaches the threshold, what lies under it is leaves more often than it says
        count, low = 0.0, 0
    flags = _flags(candidates, settings, (count, low, high), proposed)
    if zone.borders is None and len(candidates):
        flags = (*flags, Flag.NEIGHBOURS)
    elif zone.known == MIDDLE:
        flags = (*flags, Flag.TAG_HIDDEN)
    return Found(candidates, proposed, count, low, high, flags, zone, 0.0)


def _flags(
    candidates: pd.DataFrame,
    settings: Settings,
    interval: tuple[float, int, int],
    proposed: int,
) -> tuple[Flag, ...]:
    count, low, high = interval
    flags = []
    if not proposed:
        flags.append(Flag.NOTHING_FOUND)
    if high - low >= max(_WIDE_LEAST, _WIDE * count):
        flags.append(Flag.WIDE_INTERVAL)
    if len(settings.stages) > 1 and _disagree(candidates, settings):
        flags.append(Flag.STAGES_DISAGREE)
    if _crowded(_shown(candidates, settings)):
        flags.append(Flag.CROWDED)
    return tuple(flags)


def _shown(candidates: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Return those proposed as fruit, by the confidence as it will be recorded."""
    confidence = candidates["confidence"].to_numpy(dtype=np.float64)
    return candidates[reaches(confidence.round(DECIMALS["confidence"]), settings.threshold)]


def _disagree(candidates: pd.DataFrame, settings: Settings) -> bool:
    """Whether far more of the fruit proposed than usual were seen by one stage only."""
    shown = _shown(candidates, settings)
    alone = ~shown["stages"].str.contains("+", regex=False)
    return len(shown) >= 3 and float(alone.mean()) > _ALONE


def _crowded(shown: pd.DataFrame) -> bool:
    if len(shown) < 3:
        return False
    boxes = shown[["x", "y", "width", "height"]].to_numpy(dtype=np.float64)
    common = overlap(boxes, boxes)
    np.fill_diagonal(common, 0)
    return bool((common.max(axis=1) > 0.1).mean() > _CROWDED)
