"""Random numbers on the device that trains, all from one seed."""

from __future__ import annotations

import torch
from torch import Tensor


class Draws:
    """Random numbers of one seed.

    Parameters
    ----------
    seed : int
    device : torch.device
        Where they are drawn and needed.
    """

    def __init__(self, seed: int, device: torch.device) -> None:
        self.device = device
        self._generator = torch.Generator(device=device).manual_seed(seed)

    def uniform(self, shape: tuple[int, ...], low: float = 0.0, high: float = 1.0) -> Tensor:
        """Return numbers evenly from an interval."""
        drawn = torch.rand(shape, generator=self._generator, device=self.device)
        return low + (high - low) * drawn

    def normal(self, *shape: int) -> Tensor:
        """Return standard normal numbers."""
        return torch.randn(shape, generator=self._generator, device=self.device)

    def whole(self, low: int, below: int, shape: tuple[int, ...]) -> Tensor:
        """Return whole numbers from `low` on, under `below`."""
        return torch.randint(low, below, shape, generator=self._generator, device=self.device)
