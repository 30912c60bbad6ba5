"""What the maps should show for a crop's boxes, and how far they are from it.

Centres: the penalty-reduced focal loss of Law and Deng 2018 (arXiv 1808.01244). Boxes: every cell
near a centre draws the whole box (Liu et al. 2020, arXiv 1909.00700), measured by generalised
overlap (Rezatofighi et al. 2019, doi 10.1109/CVPR.2019.00075) and by the logarithm of its sides.
The expected overlap is learnt beside the box, as Jiang et al. 2018 (arXiv 1807.11590) do.
"""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional

from counting.training.network import STRIDE

# Spread of a centre: Liu et al. 2020, section 3.2, with their factor 0.54.
SPREAD = 0.54
BOX_FROM = 0.30
WEIGHTS = {"centre": 1.0, "overlap": 2.0, "sides": 0.4, "quality": 0.5}


def targets(
    boxes: Tensor, state: Tensor, rows: int, columns: int
) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Return what the maps should show.

    Parameters
    ----------
    boxes : Tensor, (B, N, 4)
        Left, top, right, bottom in pixels of the crop.
    state : Tensor, (B, N)
        0 no box, 1 label, 2 not judged.
    rows, columns : int
        Cells of the maps.

    Returns
    -------
    centre : Tensor, (B, rows, columns)
        1 at centres, falling off round them.
    judged : Tensor, (B, rows, columns)
        0 where the centre map is neither rewarded nor blamed.
    sides : Tensor, (B, 4, rows, columns)
        Distances in cells to the sides of the nearest label's box.
    weight : Tensor, (B, rows, columns)
        Weight of the cell's box; sums to 1 over each label.
    """
    boxes = boxes / STRIDE
    real = state == 1
    wide = (boxes[..., 2] - boxes[..., 0]).clamp(min=0.5)
    high = (boxes[..., 3] - boxes[..., 1]).clamp(min=0.5)
    column = ((boxes[..., 0] + boxes[..., 2]) / 2).floor().clamp(0, columns - 1)
    row = ((boxes[..., 1] + boxes[..., 3]) / 2).floor().clamp(0, rows - 1)
    across = torch.arange(columns, device=boxes.device).float()
    down = torch.arange(rows, device=boxes.device).float()
    sdx = ((SPREAD * wide + 1) / 6).clamp(min=0.6)[..., None]
    sdy = ((SPREAD * high + 1) / 6).clamp(min=0.6)[..., None]
    gx = torch.exp(-(((across - column[..., None]) / sdx) ** 2) / 2)
    gy = torch.exp(-(((down - row[..., None]) / sdy) ** 2) / 2)
    gy = gy * real[..., None]
    centre, owner = (gy[..., :, None] * gx[..., None, :]).max(1)
    unsure = state == 2
    in_x = (across + 0.5 > boxes[..., 0:1]) & (across + 0.5 < boxes[..., 2:3])
    in_y = (down + 0.5 > boxes[..., 1:2]) & (down + 0.5 < boxes[..., 3:4]) & unsure[..., None]
    hidden = (in_y[..., :, None] & in_x[..., None, :]).any(1)
    judged = (~hidden | (centre > 0.5)).float()
    batch = boxes.shape[0]
    flat = owner.reshape(batch, -1)
    owned = torch.gather(boxes, 1, flat[..., None].expand(-1, -1, 4))
    owned = owned.transpose(1, 2).reshape(batch, 4, rows, columns)
    x, y = across + 0.5, (down + 0.5)[:, None]
    sides = torch.stack([x - owned[:, 0], y - owned[:, 1], owned[:, 2] - x, owned[:, 3] - y], 1)
    weight = torch.where((centre > BOX_FROM) & (sides.amin(1) > 0.05), centre, 0.0)
    total = torch.zeros_like(wide).scatter_add(1, flat, weight.reshape(batch, -1))
    share = torch.gather(total, 1, flat).clamp(min=1e-3).reshape(centre.shape)
    return centre, judged, sides.clamp(min=0.05), weight / share


def overlap(first: Tensor, second: Tensor) -> tuple[Tensor, Tensor]:
    """Overlap and generalised overlap of boxes given by their sides round the same cell.

    Parameters
    ----------
    first, second : Tensor, (B, 4, ...)
        Left, top, right, bottom distances, all positive.
    """
    low, high = torch.minimum(first, second), torch.maximum(first, second)
    shared = (low[:, 0] + low[:, 2]) * (low[:, 1] + low[:, 3])
    area_first = (first[:, 0] + first[:, 2]) * (first[:, 1] + first[:, 3])
    area_second = (second[:, 0] + second[:, 2]) * (second[:, 1] + second[:, 3])
    union = (area_first + area_second - shared).clamp(min=1e-4)
    hull = ((high[:, 0] + high[:, 2]) * (high[:, 1] + high[:, 3])).clamp(min=1e-4)
    share = shared / union
    return share, share - (hull - union) / hull


def loss(
    maps: tuple[Tensor, Tensor, Tensor], boxes: Tensor, state: Tensor
) -> tuple[Tensor, Tensor]:
    """Return the loss of a batch and its four parts (centre, overlap, sides, quality).

    Parameters
    ----------
    maps : tuple of Tensor
        Centre, sides and quality, as the network gives them.
    boxes : Tensor, (B, N, 4)
    state : Tensor, (B, N)
    """
    centre, sides, quality = maps[0].float()[:, 0], maps[1].float(), maps[2].float()[:, 0]
    want, judged, want_sides, weight = targets(boxes, state, *centre.shape[1:])
    fruit = (state == 1).sum().clamp(min=1).float()
    score = torch.sigmoid(centre)
    is_centre = (want > 0.999).float()
    hit = is_centre * (1 - score) ** 2 * functional.softplus(-centre)
    miss = (1 - is_centre) * (1 - want) ** 4 * score**2 * functional.softplus(centre)
    focal = ((hit + miss) * judged).sum() / fruit
    boxed = weight.sum().clamp(min=1.0)
    share, general = overlap(torch.exp(sides.clamp(max=6.0)), want_sides)
    drawn = ((1 - general) * weight).sum() / boxed
    apart = ((sides - want_sides.log()).abs().mean(1) * weight).sum() / boxed
    sure = functional.binary_cross_entropy_with_logits(quality, share.detach(), reduction="none")
    ranked = (sure * weight).sum() / boxed
    total = (
        WEIGHTS["centre"] * focal
        + WEIGHTS["overlap"] * drawn
        + WEIGHTS["sides"] * apart
        + WEIGHTS["quality"] * ranked
    )
    return total, torch.stack([focal, drawn, apart, ranked]).detach()
