"""A trial's own weights: the network that ships, moved by the trial's reviewed photos.

The later layers learn from crops of the photos that a person counted, each drawn anew in size,
place and light; the first ones (edges, colours) stay. Every batch is small and the steps are few,
so that a laptop's cores do it in minutes.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.resources import as_file, files

import cv2
import numpy as np
import onnx
import torch
from numpy.typing import NDArray
from onnx import numpy_helper
from torch import Tensor
from torch.nn import functional

from counting.finding.lesson.thorough import Shown
from counting.finding.stages.scorer import WEIGHTS
from counting.photos.image import load_image
from counting.training.losses import loss
from counting.training.network import Scorer, fused

__all__ = ["PLAN", "OwnPlan", "shipped_network", "tune", "with_weights"]

Array = NDArray[np.float64]

_GREY = 114.0  # what the network was trained to see beyond the photo's edge
_LONGEST = 1600
"""Long side a photo is brought to at most, px: the largest that crops show it at is less."""
_SIZES = (460, 1330)
"""Long sides at which crops show the photo, px: about those of both looks at all sizes that a
lesson tries."""
_NEAR_FRUIT = 0.75  # share of crops with a fruit near the middle
_SEEN, _CUT = 0.4, 0.02  # share of a fruit in the crop: from here it is learnt, or not judged
_COARSEST = 700  # px: a photo is halved while its long side is more, so that no pixel is skipped
_WARM_UP = 10  # steps
_LEAST_RATE = 0.02  # of the highest
_AVERAGE = 0.95  # share of the mean of weights that each step keeps
_LONGEST_STEP = 10.0  # norm of the gradient


@dataclass(frozen=True, slots=True)
class OwnPlan:
    """How the weights are moved; chosen by measurement (STAGES.md).

    Attributes
    ----------
    layers : tuple of str
        Beginnings of the names of the layers that move.
    steps, batch : int
        Batches, and crops in each.
    size : int
        Side of a crop, px.
    rate : float
        Highest learning rate.
    """

    layers: tuple[str, ...]
    steps: int
    batch: int
    size: int
    rate: float


PLAN = OwnPlan(
    layers=(
        *(f"encoder.blocks.{number}." for number in range(5, 13)),
        *("lateral", "down", "merge", "mix", "outputs"),
    ),
    steps=30,
    batch=8,
    size=480,
    rate=3e-4,
)


def shipped_network() -> Scorer:
    """Return the network that ships, its weights read from the files beside the scorer's code."""
    network = fused(Scorer())
    given: dict[str, Tensor] = {}
    for model in (_model("-front"), _model("")):
        for weight in model.graph.initializer:
            name = weight.name.removesuffix(".half")
            if name.startswith("scorer."):
                values = numpy_helper.to_array(weight).astype(np.float32)
                given[name.removeprefix("scorer.")] = torch.from_numpy(values)
    network.load_state_dict(given)
    return network


def with_weights(network: Scorer) -> bytes:
    """Return the ONNX file that ships, less its first layers, with a network's weights.

    Parameters
    ----------
    network : Scorer
        As `shipped_network` returns it, moved.
    """
    model, state = _model(""), network.state_dict()
    for weight in model.graph.initializer:
        name = weight.name.removesuffix(".half").removeprefix("scorer.")
        if name in state:
            old = numpy_helper.to_array(weight)
            new = state[name].detach().cpu().numpy().astype(old.dtype)
            weight.CopyFrom(numpy_helper.from_array(new, weight.name))
    data: bytes = model.SerializeToString()
    return data


def _model(part: str) -> onnx.ModelProto:
    name = f"{WEIGHTS.removesuffix('.onnx')}{part}.onnx"
    with as_file(files("counting.finding.stages").joinpath(name)) as path:
        return onnx.load(str(path))


def tune(
    photos: Sequence[Shown],
    progress: Callable[[int, int], None] | None = None,
    *,
    plan: OwnPlan = PLAN,
    seed: int = 0,
) -> bytes:
    """Move the shipped network's weights by photos, and return them as a file's bytes.

    Parameters
    ----------
    photos : sequence of Shown
        What a person counted, at least one fruit in all.
    progress : callable, optional
        Called with steps done and steps in all.
    plan : OwnPlan
        Which layers move, how far and how long.
    seed : int
        Draws the crops.

    Returns
    -------
    bytes
        For a file that `counting.finding.stages.scorer.own_network` reads.
    """
    torch.manual_seed(seed)
    network = shipped_network()
    for name, value in network.named_parameters():
        value.requires_grad_(name.startswith(plan.layers))
    moved = [value for value in network.parameters() if value.requires_grad]
    mean = copy.deepcopy(network)
    crops = _Crops(photos, plan.size, seed)
    optimiser = torch.optim.Adam(moved, lr=plan.rate, betas=(0.9, 0.99))
    for step in range(1, plan.steps + 1):
        falling = 0.5 * (1 + math.cos(math.pi * step / plan.steps)) + _LEAST_RATE
        optimiser.param_groups[0]["lr"] = plan.rate * min(1.0, step / _WARM_UP) * falling
        drawn, boxes, state = crops.batch(plan.batch)
        total, _ = loss(network(drawn), boxes, state)
        optimiser.zero_grad(set_to_none=True)
        torch.autograd.backward(total)
        torch.nn.utils.clip_grad_norm_(moved, _LONGEST_STEP)
        optimiser.step()
        keep = min(_AVERAGE, step / (step + 5))
        with torch.no_grad():
            for kept, new in zip(mean.parameters(), network.parameters(), strict=True):
                kept.lerp_(new, 1 - keep)
        if progress:
            progress(step, plan.steps)
    return with_weights(mean)


@dataclass(frozen=True, slots=True)
class _Photo:
    """A photo at full, half, quarter ... size, (1, 3, H, W) of uint8; boxes in px of the first."""

    sizes: tuple[Tensor, ...]
    boxes: Array
    unclear: Array


class _Crops:
    """Crops of photos, drawn anew each time."""

    def __init__(self, photos: Sequence[Shown], side: int, seed: int) -> None:
        self._rng = np.random.default_rng(seed)
        self._side = side
        self._photos = [_read(photo) for photo in photos]

    def batch(self, number: int) -> tuple[Tensor, Tensor, Tensor]:
        """Return crops (B, 3, S, S), boxes (B, N, 4) and their state as `loss` takes them."""
        drawn = [self._one() for _ in range(number)]
        most = max(1, *(len(state) for _, _, state in drawn))
        boxes = torch.zeros((number, most, 4))
        state = torch.zeros((number, most), dtype=torch.int64)
        for row, (_, some, told) in enumerate(drawn):
            boxes[row, : len(told)] = torch.from_numpy(some).float()
            state[row, : len(told)] = torch.from_numpy(told)
        return self._in_other_light(torch.cat([crop for crop, _, _ in drawn])), boxes, state

    def _one(self) -> tuple[Tensor, Array, NDArray[np.int64]]:
        """Draw a photo, a size and a place; return the crop, boxes by their sides and states."""
        rng, side = self._rng, self._side
        photo = self._photos[rng.integers(len(self._photos))]
        height, width = photo.sizes[0].shape[2:]
        scale = math.exp(rng.uniform(*np.log(_SIZES))) / max(height, width)
        stretch = math.exp(rng.uniform(-0.08, 0.08))
        factor = np.array([scale * stretch, scale / stretch])
        wide, high = width * factor[0], height * factor[1]
        if len(photo.boxes) and rng.random() < _NEAR_FRUIT:
            fruit = photo.boxes[rng.integers(len(photo.boxes)), :2] * factor
            middle = fruit + rng.uniform(-0.4, 0.4, 2) * side
        else:
            middle = rng.uniform(0, 1, 2) * (wide, high)
        room = np.maximum(np.array([wide, high]) - side, 0)
        corner = np.clip(middle - side / 2, 0, room)
        crop = _cut(photo.sizes, side, (wide, high), corner)
        both = np.vstack([photo.boxes, photo.unclear])
        half = both[:, 2:] / 2
        ends = np.hstack([both[:, :2] - half, both[:, :2] + half])
        ends = ends * np.tile(factor, 2) - np.tile(corner, 2)
        if rng.random() < 0.5:
            crop = crop.flip(3)
            ends[:, [0, 2]] = side - ends[:, [2, 0]]
        inside = np.clip(ends, 0, side)
        whole = np.maximum(np.prod(ends[:, 2:] - ends[:, :2], axis=1), 1e-6)
        share = np.prod(inside[:, 2:] - inside[:, :2], axis=1) / whole
        fruit_here = (np.arange(len(both)) < len(photo.boxes)) & (share > _SEEN)
        state = np.where(fruit_here, 1, np.where(share > _CUT, 2, 0))
        return crop, inside[state > 0], state[state > 0]

    def _in_other_light(self, crops: Tensor) -> Tensor:
        """Change brightness, tint, gamma and saturation of each crop."""

        def drawn(reach: float, *shape: int) -> Tensor:
            values = np.exp(self._rng.uniform(-reach, reach, (len(crops), *shape)))
            return torch.from_numpy(values).float()

        gain = (drawn(0.2, 1) * drawn(0.06, 3))[:, :, None, None]
        gamma, saturation = drawn(0.2, 1, 1, 1), drawn(0.2, 1, 1, 1)
        crops = 255 * (crops / 255).clamp(1e-4, 1) ** gamma * gain
        grey = crops.mean(1, keepdim=True)
        return (grey + (crops - grey) * saturation).clamp(0, 255)


def _read(shown: Shown) -> _Photo:
    image = load_image(shown.path, long_side=_LONGEST)
    rgb = image.rgb
    shrink = min(1.0, _LONGEST / max(rgb.shape[:2]))
    if shrink < 1:
        size = (round(rgb.shape[1] * shrink), round(rgb.shape[0] * shrink))
        rgb = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA).astype(np.uint8, copy=False)
    sizes = [torch.from_numpy(np.ascontiguousarray(rgb.transpose(2, 0, 1)[None]))]
    while max(sizes[-1].shape[2:]) > _COARSEST:
        sizes.append(functional.avg_pool2d(sizes[-1].float(), 2).round().to(torch.uint8))
    scale = rgb.shape[1] / image.width
    return _Photo(tuple(sizes), shown.boxes * scale, shown.unclear * scale)


def _cut(sizes: Sequence[Tensor], side: int, shown: tuple[float, float], corner: Array) -> Tensor:
    """Return the crop (1, 3, side, side) at a corner of the photo shown at a size, in px of it."""
    wide, high = shown
    fine = [photo for photo in sizes if photo.shape[3] >= 0.8 * wide]
    photo = fine[-1] if fine else sizes[0]
    across, down = side / wide, side / high
    to = torch.tensor(
        [
            [across, 0.0, 2 * corner[0] / wide + across - 1],
            [0.0, down, 2 * corner[1] / high + down - 1],
        ],
        dtype=torch.float32,
    )
    grid = functional.affine_grid(to[None], [1, 3, side, side], align_corners=False)
    # zeros beyond the edge are the grey there
    return functional.grid_sample(photo.float() - _GREY, grid, align_corners=False) + _GREY
