"""Boxes of fruit-like areas: round ones, those of one colour, touching ones split."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.segmentation import watershed

from counting.finding.boxes import suppress
from counting.finding.stages.circles import at_scale, circles

__all__ = ["areas"]

Map = NDArray[np.float32]
Array = NDArray[np.float64]

_RADIUS = 8  # px: the photo is resized so that fruit of each size in turn have this radius
_SIZES = 0.0135 * 1.2 ** np.arange(14)  # radii as shares of the long side: 0.0135 to 0.145
_LIKE = (0.09, 0.15, 0.23)  # colour distances within which an area is one fruit; 0.1 = 10 Lab units
_LIKELY = (0.4, 0.6, 0.8)
_PEAKS = 60  # of each size
_SEEDS = 70
_LEAST_SIDE = 0.015  # of the long side


def areas(fruit: Map, lab: list[Map], *, thorough: bool = True) -> Array:
    """Return boxes (N, 4): centre x, centre y, width, height in px.

    Parameters
    ----------
    fruit : (H, W) ndarray of float32
        How likely each pixel shows fruit.
    lab : list of three (H, W) ndarray of float32
        L*, a*, b* over 100.
    thorough : bool
        Also look for round peaks, areas of one colour and circles: ten times the time.
    """
    if not thorough:
        return _large_enough(_split(fruit), fruit)
    peaks, answer = _round_peaks(fruit)
    grown = _grown(peaks[suppress(peaks, answer, 0.5)[:_SEEDS]], fruit, lab)
    return _large_enough(np.vstack([peaks, grown, _split(fruit), circles(fruit)]), fruit)


def _large_enough(boxes: Array, fruit: Map) -> Array:
    large = (boxes[:, 2:] >= _LEAST_SIDE * max(fruit.shape)).all(axis=1)
    return np.asarray(boxes[large])


def _disk_and_ring() -> tuple[Map, Map]:
    reach = 12
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    far = np.hypot(x, y)
    disk = np.clip(_RADIUS + 0.5 - far, 0, 1)
    ring = np.clip(12 - far, 0, 1) - np.clip(9.5 - far, 0, 1)
    return (disk / disk.sum()).astype(np.float32), (ring / ring.sum()).astype(np.float32)


def _round_peaks(fruit: Map) -> tuple[Array, Array]:
    """Return boxes (N, 4) of disks that are fruit within and not without, and how much so (N,)."""
    disk, ring = _disk_and_ring()
    boxes, answers = [np.empty((0, 4))], [np.empty(0)]
    for radius in _SIZES * max(fruit.shape):
        shrink = _RADIUS / radius
        plane = at_scale(fruit, shrink)
        inner = cv2.filter2D(plane, -1, disk, borderType=cv2.BORDER_REPLICATE)
        outer = cv2.filter2D(plane, -1, ring, borderType=cv2.BORDER_REPLICATE)
        answer = inner - 0.7 * outer
        top = cv2.dilate(answer, np.ones((5, 5), dtype=np.uint8))
        rows, columns = np.nonzero((answer >= top) & (inner > 0.35))
        best = np.argsort(-answer[rows, columns], kind="stable")[:_PEAKS]
        rows, columns = rows[best], columns[best]
        side = np.full(len(rows), 2 * radius)
        boxes.append(np.stack([(columns + 0.5) / shrink, (rows + 0.5) / shrink, side, side], 1))
        answers.append(answer[rows, columns].astype(np.float64))
    return np.concatenate(boxes), np.concatenate(answers)


def _grown(seeds: Array, fruit: Map, lab: list[Map]) -> Array:
    """Grow each seed to the area round it that is of its colour; three widths of "its colour"."""
    tint = np.dstack([lab[0] * 0.5, lab[1] * 1.3, lab[2] * 1.3])
    tint = cv2.GaussianBlur(tint, (0, 0), 1.2)
    boxes = []
    for x, y, width, _ in seeds:
        radius = width / 2
        reach = int(3.2 * radius) + 4
        left, top = max(0, int(x) - reach), max(0, int(y) - reach)
        window = np.s_[top : int(y) + reach + 1, left : int(x) + reach + 1]
        column, row = int(x) - left, int(y) - top
        near = max(1, int(radius * 0.35))
        middle = np.s_[
            max(0, row - near) : row + near + 1, max(0, column - near) : column + near + 1
        ]
        patch = tint[window]
        if patch[middle].size == 0:
            continue
        away = np.sqrt(((patch - np.median(patch[middle].reshape(-1, 3), axis=0)) ** 2).sum(-1))
        opening = 2 * max(1, int(radius * 0.18)) + 1
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (opening, opening))
        for like in _LIKE:
            mask = ((away < like) & (fruit[window] > 0.3)).astype(np.uint8)
            mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, kernel)
            _, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
            named = labels[middle][labels[middle] > 0]
            if len(named):
                x0, y0, wide, high, _ = stats[np.bincount(named).argmax()]
                boxes.append([left + x0 + wide / 2, top + y0 + high / 2, wide, high])
    return np.array(boxes, dtype=np.float64).reshape(-1, 4)


def _split(fruit: Map) -> Array:
    """Split areas of fruit-like pixels at their necks: watershed of the distance to the outside."""
    boxes = []
    for likely in _LIKELY:
        mask = cv2.morphologyEx((fruit > likely).astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3)))
        deep = cv2.GaussianBlur(cv2.distanceTransform(mask, cv2.DIST_L2, 5), (0, 0), 1.5)
        top = (deep >= cv2.dilate(deep, np.ones((9, 9), dtype=np.uint8))) & (deep > 4)
        _, seeds = cv2.connectedComponents(top.astype(np.uint8))
        labels = watershed(-deep, seeds, mask=mask > 0)  # type: ignore[no-untyped-call]
        boxes += _boxes_of(labels)
    return np.array(boxes, dtype=np.float64).reshape(-1, 4)


def _boxes_of(labels: NDArray[np.int32]) -> list[list[float]]:
    """Return the box of each label above 0."""
    return [
        [(x.start + x.stop) / 2, (y.start + y.stop) / 2, x.stop - x.start, y.stop - y.start]
        for y, x in filter(None, ndimage.find_objects(labels))
    ]
