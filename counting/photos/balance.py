"""White balance from a tag's grey patch."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

__all__ = ["balanced"]

_SRGB = np.arange(256) / 255.0
_LINEAR = np.where(_SRGB <= 0.04045, _SRGB / 12.92, ((_SRGB + 0.055) / 1.055) ** 2.4)
"""sRGB level to light, IEC 61966-2-1."""
_MOST_GAIN = 2.5
"""A cast so strong that a channel would be raised more is no cast of daylight; the rest stays."""


def balanced(rgb: npt.NDArray[np.uint8], grey: Sequence[float]) -> npt.NDArray[np.uint8]:
    """Return a photo with the colour of its light taken out, its brightness kept.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (..., 3)
        The photo, sRGB.
    grey : sequence of 3 floats
        What the grey patch looks like in it, sRGB 0..255 (`TagReading.grey`).

    Returns
    -------
    ndarray of uint8, shape (..., 3)
        A copy in which the patch is a neutral grey of the same luminance.
    """
    light = np.interp(np.asarray(grey, dtype=np.float64), np.arange(256), _LINEAR)
    # luminance of linear sRGB, IEC 61966-2-1
    wanted = float(light @ np.array([0.2126, 0.7152, 0.0722]))
    gains = np.clip(wanted / np.maximum(light, 1e-4), 1 / _MOST_GAIN, _MOST_GAIN)
    tables = [_table(float(gain)) for gain in gains]
    return np.stack([table[rgb[..., channel]] for channel, table in enumerate(tables)], axis=-1)


def _table(gain: float) -> npt.NDArray[np.uint8]:
    """Return what each level of a channel becomes."""
    light = np.clip(_LINEAR * gain, 0, 1)
    level = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.asarray(np.rint(level * 255), dtype=np.uint8)
