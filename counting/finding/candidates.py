"""A photo's candidates: the stages run, merged, sized, coloured, flagged and counted."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from counting.crops import TOMATO, Crop
from counting.finding.boxes import overlap
from counting.finding.expected import Spread, expected_count
from counting.finding.merge import Merged, merge, merge_numbers
from counting.finding.ripeness import ripeness
from counting.finding.stages import blobs as blobs_module
from counting.finding.stages import colour as colour_module
from counting.finding.stages.blobs import blobs
from counting.finding.stages.colour import balance, colour, resized
from counting.finding.stages.scorer import LONG_SIDE, scorer
from counting.finding.trusses import number_trusses
from counting.flags import Flag
from counting.ledger.facts import Tag
from counting.photos.balance import balanced as by_grey_patch
from counting.photos.image import Image
from counting.settings import FLOOR, Settings, reaches
from counting.tables import CANDIDATES, frame

__all__ = ["LONG_SIDE_READ", "STAGE_FUNCTIONS", "Found", "find"]

Array = NDArray[np.float64]
Stage = Callable[[Image], pd.DataFrame]

STAGE_FUNCTIONS: Mapping[str, Stage] = {"colour": colour, "blobs": blobs, "scorer": scorer}
"""Every stage: from a photo to a table of `counting.finding.boxes.PROPOSED`; new ones join here."""
BESIDE_SCORER: Mapping[str, Stage] = {
    "colour": partial(colour, long_side=colour_module.CHEAP_SIDE),
    "blobs": partial(blobs, long_side=blobs_module.CHEAP_SIDE),
}
"""Cheaper forms of stages that add little to the learned scorer (``confidence.json`` says what)."""

LONG_SIDE_READ = LONG_SIDE
"""Least long side in px at which a photo is read for the stages."""
_SMALL_SIDE = 320  # px; the colour of a fruit is seen well enough at this long side
_EDGE_PX = 2.0  # of the full-size photo, scaled up with it: a box that near the edge is cut by it
_WIDE = 0.35  # interval wider than this share of the count asks for a look; from held-out photos
_WIDE_LEAST = 4  # and at least this many fruit wide
_ALONE = 0.65  # a quarter of the labelled tomato photos have a larger share
_LIKELY = 0.3  # confidence from which a candidate is taken for the surface of another fruit
_CROWDED = 0.5  # share of the proposed fruit that overlap another one


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
    seconds : float
        Time it took, without reading the file.
    """

    candidates: pd.DataFrame
    proposed: int
    count: float
    count_low: int
    count_high: int
    flags: tuple[Flag, ...]
    seconds: float


def find(
    image: Image,
    settings: Settings,
    *,
    tag: Tag | None = None,
    smallest_mm: float | None = None,
    crop: Crop = TOMATO,
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

    Returns
    -------
    Found
        Candidates, the expected count and why to look.
    """
    start = time.perf_counter()
    scale = None if tag is None else _Scale.of(tag)
    small = _reduced(image)
    tables = _tables(image, small, settings)
    merged = merge(tables, slope=settings.slope, offset=settings.offset)
    kept = (merged.confidence >= FLOOR) & ~_on_card(merged.boxes, scale)
    rows = _rows(image, small, merged, kept, scale, crop)
    _judge_size(rows, scale, smallest_mm)
    candidates = frame(rows, CANDIDATES)
    typical = crop.typical_mm / scale.mm_per_px if scale else None
    candidates["truss"] = number_trusses(candidates, settings.threshold, typical)
    return _counted(candidates, settings, time.perf_counter() - start)


def _tables(image: Image, small: Image, settings: Settings) -> dict[str, pd.DataFrame]:
    """Run the stages; beside the scorer the others see the small photo."""
    work = {name: partial(stage, image) for name, stage in STAGE_FUNCTIONS.items()}
    if "scorer" in settings.stages:
        work |= {name: partial(stage, small) for name, stage in BESIDE_SCORER.items()}
        work["scorer"] = partial(scorer, image, quick=settings.quick)
    return {name: work[name]() for name in settings.stages}


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


def _on_card(boxes: Array, scale: _Scale | None) -> NDArray[np.bool_]:
    """Whether a candidate's middle lies on the tag's card."""
    if scale is None:
        return np.zeros(len(boxes), dtype=bool)
    outline = scale.card.astype(np.float32).reshape(-1, 1, 2)
    sides = [cv2.pointPolygonTest(outline, (float(x), float(y)), False) for x, y in boxes[:, :2]]
    return np.array(sides, dtype=np.float64).reshape(-1) >= 0


def _reduced(image: Image) -> Image:
    """Return a photo brought down, once, to what colours and the cheap stages need."""
    rgb = resized(image.rgb, min(_SMALL_SIDE, max(image.rgb.shape[:2])))
    return replace(image, rgb=rgb, scale=max(image.width, image.height) / max(rgb.shape[:2]))


def _rows(
    image: Image,
    small: Image,
    merged: Merged,
    kept: NDArray[np.bool_],
    scale: _Scale | None,
    crop: Crop,
) -> list[dict[str, Any]]:
    """Return the candidates kept as rows, with colour and size, not yet judged by the rule."""
    shrink = 1 / small.scale
    balanced = _balanced(small.rgb, scale)
    likely = merged.boxes[kept & (merged.confidence >= _LIKELY)]
    rows = []
    for number, row in enumerate(np.flatnonzero(kept)):
        x, y, width, height = (float(value) for value in merged.boxes[row])
        others = likely[overlap(merged.boxes[row : row + 1], likely)[0] > 0]
        others = others[(others != merged.boxes[row]).any(axis=1)] * shrink
        size = (width * shrink, height * shrink)
        seen = ripeness(balanced, x * shrink, y * shrink, size, others=others, crop=crop)
        flags = [Flag.AT_EDGE] if _at_edge(image, x, y, width, height) else []
        diameter = _diameter(width, height)
        rows.append(
            {
                "candidate": number,
                "x": x,
                "y": y,
                "width": width,
                "height": height,
                "diameter_px": diameter,
                "diameter_mm": diameter * scale.mm_per_px if scale else None,
                "colour": seen.colour,
                "red_share": seen.ripe,
                "confidence": float(merged.confidence[row]),
                "stages": merged.stages[row],
                "flags": flags,
            }
        )
    return rows


def _balanced(rgb: NDArray[np.uint8], scale: _Scale | None) -> NDArray[np.float32]:
    """Take the cast of the light out: by the tag's grey patch where it was read, else by guess."""
    if scale and scale.grey:
        return np.float32(1 / 255) * by_grey_patch(rgb, scale.grey)
    return balance(rgb, keep_green=True)


def _diameter(width: float, height: float) -> float:
    """Return the longer side: what hides a fruit, or the photo's edge, shortens the other."""
    return max(width, height)


def _at_edge(image: Image, x: float, y: float, width: float, height: float) -> bool:
    near = _EDGE_PX * max(1.0, max(image.width, image.height) / LONG_SIDE)
    return (
        x - width / 2 <= near
        or y - height / 2 <= near
        or x + width / 2 >= image.width - near
        or y + height / 2 >= image.height - near
    )


def _judge_size(rows: list[dict[str, Any]], scale: _Scale | None, smallest: float | None) -> None:
    """Flag, in place, what the size limit leaves out, what is near it, and what has no scale."""
    for row in rows:
        flags: list[Flag] = row["flags"]
        if smallest is not None and scale is None:
            flags.append(Flag.SIZE_RELATIVE)
        elif smallest is not None and scale is not None:
            if row["diameter_mm"] < smallest:
                flags.append(Flag.TOO_SMALL_TO_COUNT)
            low, high = row["diameter_px"] * scale.low, row["diameter_px"] * scale.high
            if 0.9 * low < smallest < 1.1 * high:
                flags.append(Flag.NEAR_LIMIT)
        row["flags"] = "; ".join(flags)


def _counted(candidates: pd.DataFrame, settings: Settings, seconds: float) -> Found:
    """Count the candidates that the rule lets count and say why to look."""
    counts = ~candidates["flags"].str.contains(Flag.TOO_SMALL_TO_COUNT, regex=False)
    confidence = candidates.loc[counts, "confidence"].to_numpy(dtype=np.float64)
    numbers = merge_numbers(settings.stages)["spread"]
    spread = Spread(numbers["shift_sd"] * settings.fruit_spread, numbers["missed"])
    count, low, high = expected_count(confidence, spread)
    proposed = int(reaches(confidence, settings.threshold).sum())
    if not proposed:
        # where nothing reaches the threshold, what lies under it is leaves more often than it says
        count, low = 0.0, 0
    flags = _flags(candidates, settings, (count, low, high), proposed)
    return Found(candidates, proposed, count, low, high, flags, seconds)


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
    confidence = candidates["confidence"].to_numpy(dtype=np.float64)
    return candidates[reaches(confidence, settings.threshold)]


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
