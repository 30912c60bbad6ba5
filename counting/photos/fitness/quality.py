"""Whether a photo is fit to count from: blur, light, pixels for the smallest fruit."""

from __future__ import annotations

from dataclasses import asdict, dataclass

import cv2
import numpy as np
import numpy.typing as npt
from skimage.measure import blur_effect

from counting.flags import Flag

__all__ = ["Quality", "measure_quality"]

_SIDE = 480
"""Long side, px, at which blur is judged, so that photos of any size are judged alike."""
_WINDOW = 5
"""Length of the blur that `blur_effect` compares with, px at `_SIDE`."""
_SHARP = 0.20
"""Least sharpness. Chosen on 182 photos of ../shared/labelled-photos: 1 is under it as it is, 180
are after a Gaussian blur of 0.4 % of the long side, 13 after one of 0.2 %."""
_DETAIL = 8.0
"""Least detail: under it only noise looks sharp. On the same photos as they are 12.5 to 3,150."""
_TILES = 8
"""Detail is that of the livelier tiles, so that a plain backdrop does not count against a photo."""
_DARK, _BRIGHT = 20, 250
"""sRGB levels (of 255) under and over which no fruit shows; common practice."""
_DARK_SHARE, _BRIGHT_SHARE = 0.5, 0.5
"""Shares of the photo from which it is flagged; common practice."""
_FRUIT_PX = 20.0
"""Pixels across the smallest fruit for it to be found; from a 2-pixel-per-mm rule of thumb."""
_ASSUMED_MM = 1000.0
"""Width of the view without a tag: one metre across the long side, a plant from close by."""
_LEAST_PX_ASSUMED = 8.0
"""Without a tag the size is a guess, so only a plainly small photo is flagged."""


@dataclass(frozen=True, slots=True)
class Quality:
    """Measured fitness of a photo.

    Attributes
    ----------
    sharpness : float
        0 (blurred) to 1: one less the blur of Crete et al. [1]_ at 480 px on the long side.
    detail : float
        Variance of the Laplacian of the grey levels at 480 px in the livelier tiles (the 90th of
        100 of them), levels squared.
    dark_share, bright_share : float
        Shares of the pixels with no light or burnt out, 0 to 1.
    smallest_px : float
        Pixels across the smallest fruit that counts, in the full-size photo.
    scale_from : str
        ``"tag"``, or ``"assumed"`` when a view of one metre was taken for want of a tag.

    References
    ----------
    .. [1] F. Crete, T. Dolmiere, P. Ladret, M. Nicolas, "The blur effect", Proc. SPIE 6492 (2007),
       doi 10.1117/12.702790; as in `skimage.measure.blur_effect`.
    """

    sharpness: float
    detail: float
    dark_share: float
    bright_share: float
    smallest_px: float
    scale_from: str

    @property
    def flags(self) -> list[Flag]:
        """Reasons to look at the photo."""
        least = _FRUIT_PX if self.scale_from == "tag" else _LEAST_PX_ASSUMED
        found = {
            Flag.BLURRED: self.sharpness < _SHARP or self.detail < _DETAIL,
            Flag.TOO_DARK: self.dark_share > _DARK_SHARE,
            Flag.TOO_BRIGHT: self.bright_share > _BRIGHT_SHARE,
            Flag.TOO_SMALL: self.smallest_px < least,
        }
        return [flag for flag, is_so in found.items() if is_so]

    def figures(self) -> dict[str, float | str]:
        """Return the figures as the ledger keeps them."""
        return {
            name: round(value, 4) if isinstance(value, float) else value
            for name, value in asdict(self).items()
        }


def measure_quality(
    rgb: npt.NDArray[np.uint8], scale: float, *, smallest_mm: float, mm_per_px: float | None
) -> Quality:
    """Measure a photo's fitness.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
        The upright photo or a reduced copy.
    scale : float
        Full-size px per px of `rgb`.
    smallest_mm : float
        The smallest fruit that counts, mm.
    mm_per_px : float or None
        Scale of the full-size photo from a tag, None without one.

    Returns
    -------
    Quality
    """
    height, width = rgb.shape[:2]
    shrink = min(1.0, _SIDE / max(height, width))
    size = (max(1, round(width * shrink)), max(1, round(height * shrink)))
    small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    grey = np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    mm = mm_per_px if mm_per_px else _ASSUMED_MM / (max(height, width) * scale)
    return Quality(
        sharpness=_sharpness(grey),
        detail=_detail(grey),
        dark_share=float(np.mean(grey < _DARK)),
        bright_share=float(np.mean(small.min(axis=2) > _BRIGHT)),
        smallest_px=smallest_mm / mm,
        scale_from="tag" if mm_per_px else "assumed",
    )


def _sharpness(grey: npt.NDArray[np.uint8]) -> float:
    """Return the sharpness of a grey picture; one without any edge is not sharp."""
    if min(grey.shape) <= _WINDOW or grey.max() == grey.min():
        return 0.0
    with np.errstate(invalid="ignore", divide="ignore"):
        blur = float(blur_effect(grey.astype(np.float64), h_size=_WINDOW))  # type: ignore[no-untyped-call]
    return 1.0 - blur if np.isfinite(blur) else 0.0


def _detail(grey: npt.NDArray[np.uint8]) -> float:
    """Return the variance of the Laplacian in the livelier tiles."""
    edges = cv2.Laplacian(grey.astype(np.float64), cv2.CV_64F)
    rows = np.array_split(edges, min(_TILES, edges.shape[0]), axis=0)
    tiles = [
        tile.var()
        for row in rows
        for tile in np.array_split(row, min(_TILES, row.shape[1]), axis=1)
    ]
    return float(np.percentile(tiles, 90))
