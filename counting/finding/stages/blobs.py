"""The blob stage: smooth things with a round edge, of whatever colour."""

from __future__ import annotations

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from counting.finding.boxes import clip
from counting.finding.stages.circles import circles, slopes
from counting.finding.stages.colour import resized
from counting.finding.stages.numbers import Raw, judged, linear
from counting.finding.stages.profile import ACROSS, DOWN, IN, OUT, Profile, pyramid, read_profile
from counting.photos.image import Image

__all__ = ["CHEAP_SIDE", "LONG_SIDE", "blobs", "raw_candidates"]

Map = NDArray[np.float32]
Array = NDArray[np.float64]

LONG_SIDE = 256
"""Long side the stage works at when the learned scorer is not beside it, px."""
CHEAP_SIDE = 128
"""Long side beside the learned scorer."""
SAME = 0.3
"""Overlap above which the poorer of two candidates goes."""


def blobs(image: Image, *, long_side: int = LONG_SIDE) -> pd.DataFrame:
    """Propose fruit by round edges alone, without regard to colour.

    Circles are found as the places that the slopes of the brightness point to from all sides
    (radial symmetry: Loy & Zelinsky 2003, doi 10.1109/TPAMI.2003.1217601), then judged by how
    closed, how smooth and how well set off they are.

    Parameters
    ----------
    image : Image
        The photo.
    long_side : int
        Size the stage works at, px.

    Returns
    -------
    DataFrame
        Schema `counting.finding.boxes.PROPOSED`.
    """
    part = "candidate" if long_side == LONG_SIDE else "cheap"
    return judged(image, raw_candidates(image, long_side), linear("blobs", part), SAME)


def raw_candidates(image: Image, long_side: int) -> Raw:
    """Return boxes (N, 4) in px of the photo at `long_side`, features (N, F) and its shape."""
    small = resized(image.rgb, long_side)
    grey = np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), dtype=np.float32) / np.float32(255)
    height, width = grey.shape
    thorough = long_side == LONG_SIDE
    boxes = clip(circles(grey, thorough=thorough), width, height)
    across, down, slope = slopes(np.asarray(cv2.GaussianBlur(grey, (0, 0), 1.2), dtype=np.float32))
    mean = cv2.GaussianBlur(grey, (0, 0), 1.5)
    texture = np.maximum(cv2.GaussianBlur(grey**2, (0, 0), 1.5) - mean**2, 1e-6)
    rough = np.log(np.sqrt(texture) + 0.005)
    planes = (grey, across, down, rough.astype(np.float32), np.log(slope + 0.004))
    read = read_profile(pyramid(planes), boxes)
    return boxes, _features(read, boxes, long_side), (height, width)


def _features(read: Profile, boxes: Array, long_side: int) -> Array:
    """Return (N, F) numbers that tell a fruit from other round edges."""
    light, rough, slope = (read.planes[..., k] for k in (0, 3, 4))
    inward = -(read.planes[..., 1] * ACROSS[:, None] + read.planes[..., 2] * DOWN[:, None])
    core = np.median(light[:, :, :4], axis=(1, 2))
    alike = np.exp(-np.abs(light - core[:, None, None]) / 0.1)
    rings = [plane.mean(axis=1) for plane in (inward, alike, slope)]
    spokes = [
        inward[:, :, 4:8].max(axis=2),
        np.abs(inward[:, :, 4:8]).max(axis=2),
        light[:, :, 3:6].mean(axis=2) - light[:, :, 7:10].mean(axis=2),
        alike[:, :, 3:6].mean(axis=2) - alike[:, :, 7:10].mean(axis=2),
        alike[:, :, IN].mean(axis=2),
        slope[:, :, 5:8].max(axis=2),
    ]
    ordered = [np.sort(spoke, axis=1)[:, [2, 7, 12, 17, 21]] for spoke in spokes]
    size = np.sqrt(boxes[:, 2] * boxes[:, 3]) / long_side
    inner, outer = light[:, :, IN].mean(axis=(1, 2)), light[:, :, OUT].mean(axis=(1, 2))
    single = [
        inner,
        inner - outer,
        light[:, :, IN].std(axis=(1, 2)),
        rough[:, :, :4].mean(axis=(1, 2)),
        rough[:, :, OUT].mean(axis=(1, 2)),
        np.log(size),
        np.log(size) ** 2,
        read.inside[:, :, :7].mean(axis=(1, 2)),
        light[:, :, :2].mean(axis=(1, 2)) - light[:, :, 4:6].mean(axis=(1, 2)),
        light[:, :, :5].max(axis=(1, 2)) - inner,
        (light[:, :, 3:7].mean(axis=2) * -DOWN).mean(axis=1),
    ]
    return np.concatenate([*rings, *ordered, np.stack(single, 1)], axis=1).astype(np.float64)
