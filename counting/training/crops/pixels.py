"""The work on the pixels of training crops: gathering, covering, light and damage.

Plain functions of tensors, so that they can be compiled for the device that trains.
"""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional

FILL = 114.0
# Luminance quantisation table of ITU-T T.81 (JPEG), annex K.1.
JPEG_LUMINANCE = (
    (16, 11, 10, 16, 24, 40, 51, 61),
    (12, 12, 14, 19, 26, 58, 60, 55),
    (14, 13, 16, 24, 40, 57, 69, 56),
    (14, 17, 22, 29, 51, 87, 80, 62),
    (18, 22, 37, 56, 68, 109, 103, 77),
    (24, 35, 55, 64, 81, 104, 113, 92),
    (49, 64, 78, 87, 103, 121, 120, 101),
    (72, 92, 95, 98, 112, 100, 103, 99),
)


def inside(x: Tensor, y: Tensor, shapes: Tensor) -> Tensor:
    """Whether points lie on each leaf: a slim disc with a waving edge."""
    columns = [shapes[..., i].reshape(*shapes.shape[:2], *[1] * (x.ndim - 2)) for i in range(7)]
    cx, cy, long, short, turn, wave, lobes = columns
    dx, dy = x - cx, y - cy
    u = (dx * turn.cos() + dy * turn.sin()) / long.clamp(min=1e-3)
    v = (dy * turn.cos() - dx * turn.sin()) / short.clamp(min=1e-3)
    edge = 1 + wave * torch.sin(lobes * torch.atan2(v, u) + 3 * turn)
    return (u * u + v * v < edge * edge) & (long > 0)


def probes(device: torch.device) -> Tensor:
    """Points evenly over the unit disc (2, K)."""
    steps = torch.linspace(-0.8, 0.8, 7, device=device)
    points = torch.cartesian_prod(steps, steps)
    return points[(points**2).sum(1) <= 0.8].T


def hide(boxes: Tensor, state: Tensor, shapes: Tensor, probes: Tensor) -> Tensor:
    """State of the boxes once the leaves lie over them: a fruit nearly covered isn't judged."""
    gx, gy = probes
    middle, half = (boxes[..., 2:] + boxes[..., :2]) / 2, (boxes[..., 2:] - boxes[..., :2]) / 2
    x = (middle[..., :1] + half[..., :1] * gx)[:, None]
    y = (middle[..., 1:] + half[..., 1:] * gy)[:, None]
    covered = inside(x, y, shapes).any(1).float().mean(-1)
    return torch.where((state == 1) & (covered > 0.72), torch.full_like(state, 2), state)


def render(
    pixels: Tensor, levels: Tensor, maps: Tensor, window: Tensor, shapes: Tensor, size: int
) -> Tensor:
    """Colour of every pixel of every crop (B, 3, S, S), bilinear, from the topmost layer there."""
    device = pixels.device
    grid = torch.arange(size, device=device) + 0.5
    x, y = grid[None, None, None, :], grid[None, None, :, None]
    batch = maps.shape[0]
    xs, ys = grid[None, None, :], grid[None, :, None]
    first = window[:, 0, :, None, None]
    layer = ((xs >= first[:, 2]) | (ys >= first[:, 3])).long().expand(batch, size, size)
    on = inside(x, y, shapes)
    for leaf in range(shapes.shape[1]):
        layer = torch.where(on[:, leaf], leaf + 2, layer)
    row = torch.arange(batch, device=device)[:, None, None]
    m = maps[row, layer]
    at = levels[row, layer]
    step = at[..., 3].float()
    sx = (m[..., 0, 0] * xs + m[..., 0, 1] * ys + m[..., 0, 2]) / step - 0.5
    sy = (m[..., 1, 0] * xs + m[..., 1, 1] * ys + m[..., 1, 2]) / step - 0.5
    wide, high = at[..., 1], at[..., 2]
    beyond = (sx < -0.5) | (sy < -0.5) | (sx > wide - 0.5) | (sy > high - 0.5)
    x0, y0 = sx.floor(), sy.floor()
    fx, fy = sx - x0, sy - y0
    left, top = x0.long(), y0.long()
    total = [torch.zeros_like(sx) for _ in range(3)]
    for dx, dy in ((0, 0), (1, 0), (0, 1), (1, 1)):
        column = torch.minimum((left + dx).clamp(min=0), wide - 1)
        line = torch.minimum((top + dy).clamp(min=0), high - 1)
        colour = pixels[at[..., 0] + line * wide + column]
        weight = (fx if dx else 1 - fx) * (fy if dy else 1 - fy)
        for channel in range(3):
            total[channel] = total[channel] + weight * ((colour >> (8 * channel)) & 255)
    photo = torch.stack(total, 1)
    return torch.where(beyond[:, None], torch.full_like(photo, FILL), photo)


def shrunk(photos: Tensor, side: int) -> Tensor:
    """Bring square photos to a smaller size."""
    return functional.interpolate(photos, (side, side), mode="bilinear", antialias=True)


def tone(
    photos: Tensor, gain: Tensor, gamma: Tensor, saturation: Tensor, contrast: Tensor
) -> Tensor:
    """Gamma, saturation, gain by channel and contrast; stays within 0 to 255."""
    photos = 255.0 * (photos / 255.0).clamp(min=1e-4) ** gamma[:, :, None, None]
    grey = photos.mean(1, keepdim=True)
    photos = grey + (photos - grey) * saturation[:, :, None, None]
    level = photos.mean((1, 2, 3), keepdim=True)
    photos = level + (photos - level) * contrast[:, :, None, None]
    return (photos * gain[:, :, None, None]).clamp(0, 255)


def jpeg(photos: Tensor, quality: Tensor, table: Tensor) -> Tensor:
    """Round the 8 by 8 cosine coefficients as JPEG of a quality does (quality: B,1,1,1,1,1)."""
    device = photos.device
    k = torch.arange(8, device=device).float()
    basis = torch.cos((2 * k[None, :] + 1) * k[:, None] * torch.pi / 16) / 2
    basis[0] /= 2**0.5
    scale = torch.where(quality < 50, 5000 / quality, 200 - 2 * quality) / 100
    step = (table * scale).clamp(min=1)
    grey = photos.mean(1, keepdim=True)
    split = torch.cat([grey, photos - grey], 1)
    batch, channels, rows, columns = split.shape
    blocks = split.reshape(batch, channels, rows // 8, 8, columns // 8, 8).transpose(3, 4)
    spectrum = basis @ blocks @ basis.T
    coarse = torch.where(torch.arange(4, device=device) > 0, 1.6, 1.0)  # colour is kept coarser
    step = step * coarse[None, :, None, None, None, None]
    spectrum = (spectrum / step).round() * step
    blocks = basis.T @ spectrum @ basis
    split = blocks.transpose(3, 4).reshape(batch, channels, rows, columns)
    return (split[:, 1:] + split[:, :1]).clamp(0, 255)
