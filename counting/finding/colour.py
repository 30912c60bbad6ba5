"""The colour stage: white balance, how fruit-like each pixel is, and round areas of such pixels."""

from __future__ import annotations

import json
from functools import lru_cache
from importlib.resources import files

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from counting.finding.boxes import clip, proposed, suppress
from counting.photos.image import Image

__all__ = ["balance", "colour", "fruit_map", "resized"]

Map = NDArray[np.float32]

LONG_SIDE = 512
"""Long side the stage works at, px: a fruit a hundredth of the photo wide is still 5 px."""
_GAMMA = 2.2


def resized(rgb: NDArray[np.uint8], long_side: int) -> NDArray[np.uint8]:
    """Return a photo brought to that long side by area averaging (or linearly, when enlarged)."""
    scale = long_side / max(rgb.shape[:2])
    size = (max(1, round(rgb.shape[1] * scale)), max(1, round(rgb.shape[0] * scale)))
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    return cv2.resize(rgb, size, interpolation=way).astype(np.uint8, copy=False)


def balance(rgb: NDArray[np.uint8]) -> Map:
    """Return a photo as sRGB 0..1 with the cast of the light taken out.

    The mean of each channel, in linear light, is made equal ("grey world", Buchsbaum 1980,
    doi 10.1016/0016-0032(80)90058-7), by at most a factor of two either way.
    """
    linear = (rgb.astype(np.float32) / 255) ** _GAMMA
    means = linear.reshape(-1, 3).mean(axis=0)
    gains = np.clip(means.mean() / np.maximum(means, 1e-4), 0.5, 2)
    return np.asarray(np.clip(linear * gains, 0, 1) ** (1 / _GAMMA), dtype=np.float32)


def _blur(plane: Map, sigma: float) -> Map:
    return np.asarray(cv2.GaussianBlur(plane, (0, 0), sigma), dtype=np.float32)


def _log_spread(plane: Map, sigma: float) -> Map:
    mean = _blur(plane, sigma)
    return np.log(np.sqrt(np.maximum(_blur(plane * plane, sigma) - mean * mean, 1e-6)) + 0.005)


def _planes(srgb: Map) -> list[Map]:
    """Return L*, a*, b* over 100 of sRGB 0..1, one plane each."""
    lab = np.asarray(cv2.cvtColor(srgb, cv2.COLOR_RGB2LAB), dtype=np.float32) / np.float32(100)
    return [np.ascontiguousarray(lab[..., k]) for k in range(3)]


def _features(rgb: NDArray[np.uint8]) -> Map:
    light, a, b = _planes(balance(rgb))
    raw = _planes((rgb / np.float32(255)).astype(np.float32))
    smooth = [_blur(plane, 2) for plane in (light, a, b)]
    texture = [_log_spread(light, sigma) for sigma in (1.5, 4, 10)]
    texture += [_log_spread(plane, 4) for plane in (a, b)]
    around = [plane - _blur(plane, 30) for plane in smooth]
    as_taken = [_blur(plane, 2) for plane in raw[1:]]
    return np.stack(
        [*smooth, *texture, *around, np.hypot(smooth[1], smooth[2]), *as_taken], axis=-1
    ).astype(np.float32)


@lru_cache(maxsize=1)
def _weights() -> tuple[NDArray[np.float32], float]:
    text = files("counting.finding").joinpath("colour.json").read_text(encoding="utf-8")
    pixel = json.loads(text)["pixel"]
    return np.array(pixel["weights"], dtype=np.float32), float(pixel["intercept"])


def fruit_map(rgb: NDArray[np.uint8]) -> Map:
    """Return (H, W) float32, how likely each pixel shows fruit, 0..1."""
    weights, intercept = _weights()
    odds = _features(rgb) @ weights + np.float32(intercept)
    return np.asarray(1 / (1 + np.exp(-np.clip(odds, -30, 30))), dtype=np.float32)


def _disk_and_ring() -> tuple[Map, Map]:
    reach = 12
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    far = np.hypot(x, y)
    disk = np.clip(8.5 - far, 0, 1)
    ring = np.clip(12 - far, 0, 1) - np.clip(9.5 - far, 0, 1)
    return (disk / disk.sum()).astype(np.float32), (ring / ring.sum()).astype(np.float32)


def colour(image: Image) -> pd.DataFrame:
    """Propose fruit by colour.

    Parameters
    ----------
    image : Image
        The photo.

    Returns
    -------
    DataFrame
        Schema `counting.finding.boxes.PROPOSED`.
    """
    small = resized(image.rgb, LONG_SIDE)
    scale = image.scale * max(image.rgb.shape[:2]) / LONG_SIDE
    fruit = fruit_map(small)
    disk, ring = _disk_and_ring()
    boxes, scores = [], []
    for radius in 7 * 1.2 ** np.arange(14):
        shrink = 8 / radius
        plane = cv2.resize(fruit, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
        inner = cv2.filter2D(plane, -1, disk, borderType=cv2.BORDER_REPLICATE)
        outer = cv2.filter2D(plane, -1, ring, borderType=cv2.BORDER_REPLICATE)
        answer = inner - 0.7 * outer
        rows, columns = np.nonzero((answer >= cv2.dilate(answer, np.ones((5, 5)))) & (inner > 0.35))
        width = np.full(len(rows), 2 * radius)
        boxes.append(np.stack([(columns + 0.5) / shrink, (rows + 0.5) / shrink, width, width], 1))
        scores.append(answer[rows, columns].clip(0, 1))
    every = clip(np.concatenate(boxes), small.shape[1], small.shape[0])
    score = np.concatenate(scores).astype(np.float64)
    kept = suppress(every, score, 0.4)
    return proposed(every[kept] * scale, score[kept])
