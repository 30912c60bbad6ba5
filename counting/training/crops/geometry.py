"""Where things of photos lie in the crops made from them, and the other way round.

A crop's map (2, 3) leads from its pixels to the photo's.
"""

from __future__ import annotations

import torch
from torch import Tensor


def determinant(m: Tensor) -> Tensor:
    """Determinants of 2 by 2 matrices (the library's general routine waits for the GPU)."""
    return m[..., 0, 0] * m[..., 1, 1] - m[..., 0, 1] * m[..., 1, 0]


def inverse(m: Tensor) -> Tensor:
    """Inverses of 2 by 2 matrices."""
    a, b, c, d = m[..., 0, 0], m[..., 0, 1], m[..., 1, 0], m[..., 1, 1]
    turned = torch.stack([torch.stack([d, -b], -1), torch.stack([-c, a], -1)], -2)
    return turned / determinant(m)[..., None, None]


def moved(maps: Tensor, to: Tensor, shown: Tensor) -> Tensor:
    """Shift maps (N, 2, 3) so that a place in the crop (N, 2) shows a place in the photo (N, 2)."""
    shift = shown - (maps[:, :, :2] * to[:, None]).sum(2)
    return torch.cat([maps[:, :, :2], shift[:, :, None]], 2)


def across(boxes: Tensor, maps: Tensor) -> tuple[Tensor, Tensor]:
    """Middles and half sides in the crop of boxes (B, N, 4) in photos."""
    back = inverse(maps[:, :, :2])
    middle = (boxes[..., :2] - maps[:, None, :, 2]) @ back.transpose(1, 2)
    # A fruit is near an ellipse: the box of the turned ellipse, not of the turned box.
    half = torch.sqrt((boxes[..., 2:] / 2) ** 2 @ (back**2).transpose(1, 2))
    return middle, half


def clipped(middle: Tensor, half: Tensor, window: Tensor) -> tuple[Tensor, Tensor]:
    """Boxes clipped to a window (B, 4); and 1 where a label is left, 2 where too little, else 0."""
    low, high = window[:, None, :2], window[:, None, 2:]
    cut = torch.cat(
        [
            torch.minimum(torch.maximum(middle - half, low), high),
            torch.minimum(torch.maximum(middle + half, low), high),
        ],
        2,
    )
    side = cut[..., 2:] - cut[..., :2]
    share = side.prod(2) / (4 * half.prod(2)).clamp(min=1e-3)
    smallest = side.amin(2)
    label = (share >= 0.3) & (smallest >= 6)
    unsure = (share >= 0.04) & (smallest >= 1.5)
    return cut, torch.where(label, 1, torch.where(unsure, 2, 0))
