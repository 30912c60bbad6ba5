"""The blob stage: round edges of any colour."""

from __future__ import annotations

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from counting.finding.boxes import clip, proposed, suppress
from counting.finding.colour import resized
from counting.photos.image import Image

__all__ = ["blobs"]

LONG_SIDE = 512
_REACH = 12


def _spokes() -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    y, x = np.mgrid[-_REACH : _REACH + 1, -_REACH : _REACH + 1]
    far = np.hypot(x, y)
    rim = np.exp(-(((far - 8) / 1.2) ** 2) / 2)
    rim /= rim.sum()
    away = np.maximum(far, 1)
    return (-x / away * rim).astype(np.float32), (-y / away * rim).astype(np.float32)


def blobs(image: Image) -> pd.DataFrame:
    """Propose fruit by round edges, without regard to colour.

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
    grey = cv2.cvtColor(small, cv2.COLOR_RGB2GRAY).astype(np.float32) / 255
    across, down = _spokes()
    boxes, scores = [], []
    for radius in 7 * 1.2 ** np.arange(14):
        shrink = 8 / radius
        plane = cv2.resize(grey, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
        plane = cv2.GaussianBlur(plane, (0, 0), 1)
        gx, gy = cv2.Sobel(plane, -1, 1, 0) / 8, cv2.Sobel(plane, -1, 0, 1) / 8
        strength = np.hypot(gx, gy) + 0.02
        answer = cv2.filter2D(gx / strength, -1, across) + cv2.filter2D(gy / strength, -1, down)
        rows, columns = np.nonzero((answer >= cv2.dilate(answer, np.ones((5, 5)))) & (answer > 0.4))
        width = np.full(len(rows), 2 * radius)
        boxes.append(np.stack([(columns + 0.5) / shrink, (rows + 0.5) / shrink, width, width], 1))
        scores.append(answer[rows, columns].clip(0, 1))
    every = clip(np.concatenate(boxes), small.shape[1], small.shape[0])
    score = np.concatenate(scores).astype(np.float64)
    kept = suppress(every, score, 0.3)
    return proposed(every[kept] * scale, score[kept])
