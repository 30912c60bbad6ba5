"""The candidates drawn on their photo."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from counting.ledger.facts import Border, Candidate
from counting.photos.image import Image
from counting.settings import reaches

__all__ = ["COLOURS", "draw"]

COLOURS = {
    "green": (150, 235, 60),
    "turning": (255, 190, 40),
    "red": (255, 80, 110),
    "yellow": (250, 240, 90),
}
"""sRGB of the ring for each colour class; light, so that they show on leaves and on fruit."""
_DARK = (20, 24, 32)
_GREY = (170, 174, 178)


def draw(
    image: Image,
    candidates: Sequence[Candidate],
    threshold: float,
    zone: tuple[Border, Border] | None = None,
) -> NDArray[np.uint8]:
    """Return the photo's pixels with a ring round each candidate.

    A full ring is a fruit proposed; a thin one is a candidate under the threshold, or a fruit too
    small to count. A thin grey ring is a fruit that is not this plant's: a neighbour's, one of the
    row behind, a fallen one.

    Parameters
    ----------
    image : Image
        The photo.
    candidates : sequence of Candidate
        Most confident first: their rings lie on top.
    threshold : float
        Confidence from which a candidate is proposed.
    zone : tuple of two lines, optional
        The borders of the plant's part of the photo, px of the full-size photo; what lies outside
        is dimmed.

    Returns
    -------
    (H, W, 3) ndarray of uint8
        As large as `image.rgb`.
    """
    drawn = image.rgb.copy() if zone is None else _dimmed(image, zone)
    thick = max(2, round(max(drawn.shape[:2]) / 300))
    for candidate in reversed(candidates):
        across, down, width, height = (value / image.scale for value in candidate.box)
        centre = (round(across), round(down))
        axes = (max(1, round(width / 2)), max(1, round(height / 2)))
        full = not candidate.small and reaches(candidate.confidence, threshold)
        line = thick if full and candidate.own else 1
        colour = COLOURS[candidate.colour] if candidate.own else _GREY
        cv2.ellipse(drawn, centre, axes, 0, 0, 360, _DARK, line + 2, cv2.LINE_AA)
        cv2.ellipse(drawn, centre, axes, 0, 0, 360, colour, line, cv2.LINE_AA)
    return drawn


def _dimmed(image: Image, zone: tuple[Border, Border]) -> NDArray[np.uint8]:
    """Return the photo's pixels, those outside the zone at half their light."""
    inside = np.zeros(image.rgb.shape[:2], dtype=np.uint8)
    left, right = (np.array(line, dtype=np.float64).reshape(2, 2) / image.scale for line in zone)
    outline = np.rint(np.concatenate([left, right[::-1]])).astype(np.int32)
    cv2.fillPoly(inside, [outline], 1)
    return np.where(inside[..., None] > 0, image.rgb, image.rgb // 2).astype(np.uint8)
