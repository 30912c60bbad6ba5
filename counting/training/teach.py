"""What a network that learnt earlier sees in a crop, for another one to learn from.

Two looks at a photo find more than one, for twice the time. So the network that is shipped learns
from both the labels and what an earlier one saw in two looks, of which one was closer: one look
then comes nearer to what two would see (Hinton, Vinyals, Dean 2015, arXiv 1503.02531). The teacher
looks at crops in their own light; the pupil sees them darkened, tinted and blurred.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor, nn
from torch.nn import functional

from counting.training.crops.pixels import shrunk
from counting.training.losses import WEIGHTS, overlap
from counting.training.network import STRIDE, Scorer

FINER = 1.4
"""How many times larger the closer look is."""
SHOWN = 0.15
"""Least score of a cell whose box is taught."""

Taught = tuple[Tensor, Tensor, Tensor]


class Teacher(nn.Module):
    """A trained network that looks twice.

    Parameters
    ----------
    network : Scorer
        Is not changed.
    """

    def __init__(self, network: Scorer) -> None:
        super().__init__()
        self.network = network.eval().requires_grad_(False)

    def forward(self, clean: Tensor) -> Taught:
        """Return what the maps should show.

        Parameters
        ----------
        clean : Tensor, (B, 3, FINER S, FINER S)
            Undamaged crops, RGB, 0 to 255.

        Returns
        -------
        score : Tensor, (B, S / 4, S / 4)
            Mean score of a centre.
        sides : Tensor, (B, 4, S / 4, S / 4)
            Logarithm of the distances in cells to the box's sides, weighted by the scores.
        quality : Tensor, (B, S / 4, S / 4)
            Mean expected overlap.
        """
        side = round(clean.shape[-1] / FINER)
        near = [_to_size(m.float(), side // STRIDE) for m in self.network(clean)]
        near[1] = near[1] - math.log(FINER)
        far = [m.float() for m in self.network(shrunk(clean, side))]
        scores = torch.stack([torch.sigmoid(m[0][:, 0]) for m in (near, far)])
        share = (scores / scores.sum(0).clamp(min=1e-6))[:, :, None]
        sides = share[0] * near[1] + share[1] * far[1]
        quality = (torch.sigmoid(near[2]) + torch.sigmoid(far[2]))[:, 0] / 2
        return scores.mean(0), sides, quality


def _to_size(maps: Tensor, side: int) -> Tensor:
    """Bring maps to another size."""
    return functional.interpolate(maps, (side, side), mode="bilinear", align_corners=False)


def teaching(maps: tuple[Tensor, Tensor, Tensor], taught: Taught) -> Tensor:
    """Return how far the maps (as the network gives them) are from what the teacher saw."""
    centre, sides, quality = maps[0].float()[:, 0], maps[1].float(), maps[2].float()[:, 0]
    score, want_sides, want_quality = taught
    shown = torch.where(score > SHOWN, score, 0.0)
    total = shown.sum().clamp(min=1.0)
    unlike = functional.binary_cross_entropy_with_logits(centre, score, reduction="none")
    known = functional.binary_cross_entropy(score.clamp(1e-6, 1 - 1e-6), score, reduction="none")
    _, general = overlap(torch.exp(sides.clamp(max=6.0)), torch.exp(want_sides.clamp(max=6.0)))
    apart = (sides - want_sides).abs().mean(1)
    sure = functional.binary_cross_entropy_with_logits(quality, want_quality, reduction="none")
    return (
        WEIGHTS["centre"] * (unlike - known).sum() / total
        + WEIGHTS["overlap"] * ((1 - general) * shown).sum() / total
        + WEIGHTS["sides"] * (apart * shown).sum() / total
        + WEIGHTS["quality"] * (sure * shown).sum() / total
    )
