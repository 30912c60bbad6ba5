"""The light and the damage of training crops: what camera, lamp and compression may do."""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional

from counting.training.crops.draws import Draws
from counting.training.crops.pixels import JPEG_LUMINANCE, jpeg, tone

# Shares of crops with uneven light and with haze.
SHADED = 0.4
HAZY = 0.15


class Light:
    """Changes the light of crops at random.

    Parameters
    ----------
    draws : Draws
    compiled : bool
        Whether to compile the work on pixels.
    """

    def __init__(self, draws: Draws, compiled: bool) -> None:
        self.draws = draws
        self.tone = torch.compile(tone, dynamic=False) if compiled else tone
        self.jpeg = torch.compile(jpeg, dynamic=False) if compiled else jpeg
        self.table = torch.tensor(JPEG_LUMINANCE, device=draws.device, dtype=torch.float32)

    def changed(self, photos: Tensor) -> Tensor:
        """Return crops (B, 3, S, S), whole numbers of 0 to 255, in another light and damaged."""
        batch = len(photos)
        wild = torch.where(self.draws.uniform((batch, 1)) < 0.15, 0.40, 0.16)
        gain = torch.exp(wild * self.draws.normal(batch, 3))
        stops = torch.where(
            self.draws.uniform((batch, 1)) < 0.3,
            self.draws.uniform((batch, 1), -2.2, 0.3),
            0.2 * self.draws.normal(batch, 1) - 0.05,
        )
        gamma = torch.exp(0.22 * self.draws.normal(batch, 1))
        saturation = self.draws.uniform((batch, 1), 0.35, 1.6)
        contrast = torch.exp(0.18 * self.draws.normal(batch, 1))
        photos = self._weather(photos)
        photos = self.tone(photos, gain * 2.0**stops, gamma, saturation, contrast)
        quarter = max(batch // 4, 1)
        blurred = self._blur(photos[:quarter])
        sharp = photos[3 * quarter :]
        soft = self._blur(sharp)
        edges = self.draws.uniform((len(sharp), 1, 1, 1), 0, 1.5) * (sharp - soft)
        sharp = (sharp + edges).clamp(0, 255)
        photos = torch.cat([photos[: 3 * quarter], sharp])
        noisy = photos[quarter : 2 * quarter]
        noisy = noisy + self.draws.normal(*noisy.shape) * self.draws.uniform(
            (len(noisy), 1, 1, 1), 0, 12
        )
        rest = photos[2 * quarter :]
        photos = torch.cat([blurred, noisy, rest])
        start = quarter // 2
        blocks = self.jpeg(
            photos[start : start + quarter],
            self.draws.uniform((len(blurred), 1, 1, 1, 1, 1), 35, 90),
            self.table,
        )
        photos = torch.cat([photos[:start], blocks, photos[start + quarter :]])
        return photos.round().clamp(0, 255)

    def _weather(self, photos: Tensor) -> Tensor:
        """Sun and shade over part of a photo, and haze, backlight or plastic before it."""
        batch, _, rows, columns = photos.shape
        coarse = self.draws.normal(2 * batch, 1, 4, 4)
        fields = functional.interpolate(coarse, (rows, columns), mode="bicubic")
        shade, veil = fields[:batch], fields[batch:]
        strength = torch.where(
            self.draws.uniform((batch, 1, 1, 1)) < SHADED,
            self.draws.uniform((batch, 1, 1, 1), 0.1, 0.6),
            0.0,
        )
        photos = (photos * torch.exp(strength * shade)).clamp(0, 255)
        dense = self.draws.uniform((batch, 1, 1, 1), 0.05, 0.5) + 0.15 * veil
        dense = dense.clamp(0, 0.7) * (self.draws.uniform((batch, 1, 1, 1)) < HAZY)
        light = self.draws.uniform((batch, 1, 1, 1), 130, 255)
        light = light + 12 * self.draws.normal(batch, 3, 1, 1)
        return photos + dense * (light.clamp(0, 255) - photos)

    def _blur(self, photos: Tensor) -> Tensor:
        """Gaussian blur, each photo with its own width."""
        batch = len(photos)
        sd = self.draws.uniform((batch, 1), 0.2, 1.9)
        kernel = torch.exp(-((torch.arange(-4, 5, device=self.draws.device) / sd) ** 2) / 2)
        kernel = (kernel / kernel.sum(1, keepdim=True)).repeat_interleave(3, 0)
        flat = photos.reshape(1, -1, *photos.shape[2:])
        groups = flat.shape[1]
        flat = functional.conv2d(flat, kernel[:, None, :, None], padding=(4, 0), groups=groups)
        flat = functional.conv2d(flat, kernel[:, None, None, :], padding=(0, 4), groups=groups)
        return flat.reshape(photos.shape)
