"""The colour stage: white balance, how fruit-like each pixel is, and areas of such pixels."""

from __future__ import annotations

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from counting.finding.boxes import clip
from counting.finding.stages.areas import areas
from counting.finding.stages.numbers import Raw, judged, linear
from counting.finding.stages.profile import (
    DOWN,
    IN,
    OUT,
    SPOKES,
    Linear,
    Profile,
    pyramid,
    read_profile,
)
from counting.photos.image import Image

__all__ = [
    "CHEAP_SIDE",
    "LONG_SIDE",
    "balance",
    "raw_candidates",
    "colour",
    "fruit_map",
    "pixel_features",
    "planes",
    "resized",
]

Map = NDArray[np.float32]
Array = NDArray[np.float64]

LONG_SIDE = 256
"""Long side the stage works at without the learned scorer, px: 512 found no more fruit."""
CHEAP_SIDE = 128
"""Long side beside the learned scorer, which leaves the stage little to add."""
_GAMMA = 2.2
_WINDOWS = (3, 7, 17)  # px at `LONG_SIDE`; texture of hairs, of veins, of leaves
_WIDE = 51
SAME = 0.35
"""Overlap above which the poorer of two candidates goes."""


def resized(rgb: NDArray[np.uint8], long_side: int) -> NDArray[np.uint8]:
    """Return a photo brought to that long side by area averaging (or linearly, when enlarged)."""
    scale = long_side / max(rgb.shape[:2])
    size = (max(1, round(rgb.shape[1] * scale)), max(1, round(rgb.shape[0] * scale)))
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    return cv2.resize(rgb, size, interpolation=way).astype(np.uint8, copy=False)


def balance(rgb: NDArray[np.uint8], *, keep_green: bool = False) -> Map:
    """Return a photo as sRGB 0..1 with the cast of the light taken out.

    The mean of each channel, in linear light, is made equal ("grey world", Buchsbaum 1980,
    doi 10.1016/0016-0032(80)90058-7), by at most a factor of two either way. Grow lights turn
    whole photos purple; the highlights are then burnt out and cannot serve as white.

    Parameters
    ----------
    rgb : (H, W, 3) ndarray of uint8
        The photo.
    keep_green : bool
        Leave a photo alone whose mean is greener than grey: that is foliage, not the light.

    Returns
    -------
    (H, W, 3) ndarray of float32
        sRGB, 0..1.
    """
    counts = [np.bincount(rgb[..., k].ravel(), minlength=256) for k in range(3)]
    level = (np.arange(256) / 255) ** _GAMMA
    means = np.array([count @ level / count.sum() for count in counts])
    gains = np.clip(means.mean() / np.maximum(means, 1e-4), 0.5, 2)
    if keep_green and gains[1] < 1:
        gains = np.ones(3)
    tables = np.clip(level[:, None] * gains, 0, 1) ** (1 / _GAMMA)
    return np.dstack([tables[:, k].astype(np.float32)[rgb[..., k]] for k in range(3)])


def planes(srgb: Map) -> list[Map]:
    """Return L*, a*, b* over 100 of sRGB 0..1, one plane each."""
    lab = np.asarray(cv2.cvtColor(srgb, cv2.COLOR_RGB2LAB), dtype=np.float32) / np.float32(100)
    return [np.ascontiguousarray(lab[..., k]) for k in range(3)]


def _mean(plane: Map, window: int) -> Map:
    return np.asarray(cv2.blur(plane, (window, window)), dtype=np.float32)


def pixel_features(rgb: NDArray[np.uint8], lab: list[Map] | None = None) -> list[Map]:
    """Return planes of colour and texture, each (H, W), that the pixel classes are told by."""
    lab = planes(balance(rgb)) if lab is None else lab
    share = max(rgb.shape[:2]) / LONG_SIDE
    windows = [max(3, 2 * round(window * share / 2) + 1) for window in _WINDOWS]
    raw = planes((rgb / np.float32(255)).astype(np.float32))[1:]
    means = {(k, w): _mean(plane, w) for k, plane in enumerate([*lab, *raw]) for w in windows}
    spread = [
        np.log(np.sqrt(np.maximum(_mean(lab[k] ** 2, w) - means[k, w] ** 2, 1e-6)) + 0.005)
        for k in range(3)
        for w in windows
    ]
    chroma = [np.hypot(means[1, w], means[2, w]) for w in windows[:2]]
    relative = []
    for k in range(3):
        plane = means[k, windows[0]]
        low, middle, high = np.percentile(plane[::2, ::2], (10, 50, 90))
        relative += [plane - middle, (plane - middle) / (high - low + 0.02)]
        relative.append(plane - _mean(plane, 2 * round(_WIDE * share / 2) + 1))
    fine = means[0, windows[0]]
    slope = np.hypot(cv2.Sobel(fine, -1, 1, 0), cv2.Sobel(fine, -1, 0, 1)) * (share / 8)
    slopes = [np.log(_mean(slope, w) + 0.003) for w in windows]
    return [*means.values(), *spread, *chroma, *relative, *slopes]


def fruit_map(rgb: NDArray[np.uint8], lab: list[Map], told: Linear) -> Map:
    """Return (H, W) float32, how likely each pixel shows fruit, 0..1.

    A weighted sum of local colour (as taken and balanced), texture, and colour relative to the
    rest of the photo: pixel classes as Yamamoto et al. 2014 (doi 10.3390/s140712191) told them,
    by a logistic regression whose weights stand in ``colour.json``.

    Parameters
    ----------
    rgb : (H, W, 3) ndarray of uint8
        The photo as taken.
    lab : list of three (H, W) ndarray of float32
        Its `planes`, balanced.
    told : Linear
        Weights of the pixel classes.
    """
    odds = np.full(rgb.shape[:2], told.intercept, dtype=np.float32)
    for weight, plane in zip(told.weights, pixel_features(rgb, lab), strict=True):
        odds += np.float32(weight) * plane
    return np.asarray(expit(odds), dtype=np.float32)


def colour(image: Image, *, long_side: int = LONG_SIDE) -> pd.DataFrame:
    """Propose fruit by colour: smooth areas of fruit-like pixels, split where they touch.

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
    raw = raw_candidates(image, long_side, linear("colour", "pixel"))
    return judged(image, raw, linear("colour", part), SAME)


def raw_candidates(image: Image, long_side: int, told: Linear) -> Raw:
    """Return what may be fruit, before it is judged.

    Parameters
    ----------
    image : Image
        The photo.
    long_side : int
        Size to work at, px.
    told : Linear
        Weights of the pixel classes.

    Returns
    -------
    boxes : (N, 4) ndarray of float
        In px of the photo at `long_side`.
    features : (N, F) ndarray of float
        What they are judged by.
    shape : (int, int)
        Height and width of the photo at `long_side`.
    """
    small = resized(image.rgb, long_side)
    lab = planes(balance(small))
    fruit = fruit_map(small, lab, told)
    height, width = fruit.shape
    thorough = long_side == LONG_SIDE
    boxes = clip(areas(fruit, lab, thorough=thorough), width, height)
    slope = np.zeros_like(fruit)
    for weight, plane in zip((1, 1.5, 1.5), lab, strict=True):
        soft = cv2.GaussianBlur(plane, (0, 0), 1.2) * weight
        slope = np.maximum(slope, np.hypot(cv2.Sobel(soft, -1, 1, 0), cv2.Sobel(soft, -1, 0, 1)))
    texture = (
        cv2.GaussianBlur(lab[0] ** 2, (0, 0), 1.5) - cv2.GaussianBlur(lab[0], (0, 0), 1.5) ** 2
    )
    rough = np.log(np.sqrt(np.maximum(texture, 1e-6)) + 0.005)
    levels = pyramid([fruit, *lab, rough.astype(np.float32), np.log(slope / 8 + 0.004)])
    read = read_profile(levels, boxes)
    return boxes, _candidate_features(read, boxes, long_side), (height, width)


def _candidate_features(read: Profile, boxes: Array, long_side: int) -> Array:
    """Return (N, F) numbers that tell a fruit from a leaf, a part of a fruit, or two fruit."""
    values = read.planes
    fruit, light, slope = values[..., 0], values[..., 1], values[..., 5]
    tint = values[..., 1:4] * np.array([1, 1.5, 1.5], dtype=np.float32)
    core = np.median(tint[:, :, :4].reshape(len(boxes), 4 * SPOKES, 3), axis=1)
    alike = np.exp(-np.sqrt(((tint - core[:, None, None]) ** 2).sum(-1)) / 0.15)
    rings = [plane.mean(axis=1) for plane in (fruit, alike, slope)]
    spokes = [
        fruit[:, :, 3:6].mean(2) - fruit[:, :, 7:10].mean(2),
        alike[:, :, 3:6].mean(2) - alike[:, :, 7:10].mean(2),
        slope[:, :, 5:8].max(2),
        fruit[:, :, IN].mean(2),
        alike[:, :, IN].mean(2),
        fruit[:, :, OUT].mean(2),
    ]
    ordered = [np.sort(spoke, axis=1)[:, [2, 7, 12, 17, 21]] for spoke in spokes]
    mean = values[:, :, IN].mean(axis=(1, 2))
    outer = values[:, :, OUT].mean(axis=(1, 2))
    spread = values[:, :, IN].std(axis=(1, 2))
    size = np.sqrt(boxes[:, 2] * boxes[:, 3]) / long_side
    single = [
        np.hypot(mean[:, 2], mean[:, 3]),
        np.log(size),
        np.log(size) ** 2,
        np.abs(np.log(boxes[:, 2] / boxes[:, 3])),
        read.inside[:, :, :7].mean(axis=(1, 2)),
        (light[:, :, 3:7].mean(2) * -DOWN).mean(axis=1),
        light[:, :, :2].mean(axis=(1, 2)) - light[:, :, 4:6].mean(axis=(1, 2)),
        light[:, :, :5].max(axis=(1, 2)) - mean[:, 1],
    ]
    parts = [*rings, *ordered, mean, mean - outer, spread, np.stack(single, axis=1)]
    return np.concatenate(parts, axis=1).astype(np.float64)
