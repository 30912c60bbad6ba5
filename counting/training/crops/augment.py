"""Crops for training, made in batches where the network trains: geometry, occlusion, light, damage.

Every crop is put together from layers: a photo, perhaps a second one beside it (a two-part
mosaic), fruit cut from other photos, and leaves cut from places without a label laid over fruit.
Boxes are amodal: they keep their full size under a leaf. Light is changed channel by channel, since
grow lights turn whole photos purple.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from counting.training.crops.draws import Draws
from counting.training.crops.geometry import across, clipped, determinant, moved
from counting.training.crops.light import Light
from counting.training.crops.pixels import hide, probes, render, shrunk
from counting.training.material import CROP_BOXES, LEVELS, MOST_BOXES, Store

FRUIT = 3
LEAVES = 5
# A label's box reaches a little beyond the fruit; what is cut out for pasting is this share of it.
CUT = 0.94


@dataclass(frozen=True, slots=True)
class Batch:
    """Crops with their labels.

    Attributes
    ----------
    photos : Tensor, (B, 3, S, S) float32
        RGB, 0 to 255, whole numbers.
    boxes : Tensor, (B, N, 4) float32
        Left, top, right, bottom in pixels of the crop.
    state : Tensor, (B, N) int64
        0 no box, 1 a label, 2 too little of it to judge: neither reward nor blame.
    clean : Tensor, (B, 3, F S, F S) float32
        The same crops in their own light, undamaged, `Recipe.finer` (F) times as large: what a
        teacher sees.
    """

    photos: Tensor
    boxes: Tensor
    state: Tensor
    clean: Tensor


@dataclass(frozen=True, slots=True)
class Recipe:
    """What is drawn for a crop.

    Attributes
    ----------
    size : int
        Side of the crop in pixels.
    shares : tuple of float
        Share of each set (`SETS`), then of rendered photos and of made-up ones without fruit.
    sides : tuple of (float, float)
        Shortest and longest long side that a whole photo has at the crop's scale, px, by set.
    mosaic, fruit, leaves, bare : float
        Share of crops in two parts, with fruit of other photos pasted in, with leaves laid over,
        and taken from a label-free disc.
    finer : float
        How many times larger than the crop its clean copy is.
    """

    size: int = 480
    shares: tuple[float, ...] = (
        *(0.22, 0.07, 0.07, 0.06, 0.08, 0.03),
        *(0.22, 0.11, 0.05),
        *(0.13, 0.05),
    )
    sides: tuple[tuple[float, float], ...] = (
        (510, 1520),
        (500, 1200),
        (500, 1200),
        (500, 1300),
        (540, 1470),
        (600, 1600),
        (400, 1250),
        (500, 1500),
        (500, 1500),
        (540, 1460),
        (256, 1024),
    )
    mosaic: float = 0.35
    fruit: float = 0.40
    leaves: float = 0.55
    bare: float = 0.03
    finer: float = 1.0


@dataclass(frozen=True, slots=True)
class Layers:
    """What is laid over a crop, the lowest first.

    Attributes
    ----------
    photo : Tensor, (B, L) int64
        Photo each is cut from.
    maps : Tensor, (B, L, 2, 3)
        From crop to photo.
    shapes : Tensor, (B, L, 7)
        As `counting.training.crops.pixels.inside` reads them; of no length where nothing is laid.
    """

    photo: Tensor
    maps: Tensor
    shapes: Tensor


class Sampler:
    """Draws batches from a store.

    Parameters
    ----------
    store : Store
    recipe : Recipe
    seed : int
    compiled : bool
        Whether to compile the work on pixels; worth it on a GPU.
    """

    def __init__(self, store: Store, recipe: Recipe, seed: int, compiled: bool = False) -> None:
        self.render = torch.compile(render, dynamic=False) if compiled else render
        self.hide = torch.compile(hide, dynamic=False) if compiled else hide
        self.store = store
        self.recipe = recipe
        self.side = round(recipe.size * recipe.finer)
        self.device = store.pixels.device
        self.draws = Draws(seed, self.device)
        self.light = Light(self.draws, compiled)
        counts = torch.bincount(store.domain, minlength=len(recipe.shares)).float()
        shares = torch.tensor(recipe.shares, device=self.device)
        chances = (shares / counts.clamp(min=1))[store.domain]
        self.cumulated = torch.cumsum(chances / chances.sum(), 0)
        fruitful = chances * (store.counts > 0)
        self.cumulated_fruitful = torch.cumsum(fruitful / fruitful.sum().clamp(min=1e-9), 0)
        self.probes = probes(self.device)
        sides = torch.tensor(recipe.sides, device=self.device)[store.domain] * recipe.finer
        long = torch.maximum(store.width[:, 0], store.height[:, 0])
        self.spans = (sides / long[:, None]).log()
        self.tomato_bare = store.bare[store.domain[store.bare[:, 0].long()] == 0]
        if len(self.tomato_bare) == 0:
            self.tomato_bare = store.bare

    def draw(self, batch: int) -> Batch:
        """Return one batch of crops, as many as asked for."""
        parts = [self._part(batch), self._part(batch)]
        window = self._windows(batch)
        placed = [self._place(*part, window[:, number]) for number, part in enumerate(parts)]
        found = torch.cat([boxes for boxes, _ in placed], 1)
        known = torch.cat([state for _, state in placed], 1)
        pasted, fresh, fruit = self._fruit(found, known)
        leaves = self._leaves(torch.cat([found, pasted], 1), torch.cat([known, fresh], 1))
        photo = torch.cat([torch.stack([p for p, _ in parts], 1), fruit.photo, leaves.photo], 1)
        maps = torch.cat([torch.stack([m for _, m in parts], 1), fruit.maps, leaves.maps], 1)
        shapes = torch.cat([fruit.shapes, leaves.shapes], 1)
        clean = self.render(
            self.store.pixels, self._levels(photo, maps), maps, window, shapes, self.side
        )
        known = self.hide(found, known, shapes, self.probes)
        # A pasted fruit is hidden by what was laid on after it.
        for number in range(FRUIT):
            one = slice(number, number + 1)
            fresh[:, one] = self.hide(
                pasted[:, one], fresh[:, one], shapes[:, number + 1 :], self.probes
            )
        found, known = torch.cat([found, pasted], 1), torch.cat([known, fresh], 1)
        order = torch.argsort((known == 0).long(), dim=1, stable=True)[:, :CROP_BOXES]
        found = torch.gather(found, 1, order[..., None].expand(-1, -1, 4)) / self.recipe.finer
        size = self.recipe.size
        small = clean if self.side == size else shrunk(clean, size)
        return Batch(self.light.changed(small), found, torch.gather(known, 1, order), clean.round())

    def _part(self, batch: int) -> tuple[Tensor, Tensor]:
        """Photos, and the affine maps from crop to photo (B, 2, 3)."""
        store, size = self.store, self.side
        photo = self._photos(self.cumulated, batch)
        span = self.spans[photo]
        # Half of them evenly over the range, half round its middle.
        draws = self.draws.uniform((batch, 2))
        along = torch.where(self.draws.uniform((batch,)) < 0.5, draws[:, 0], draws.mean(1))
        scale = torch.exp(span[:, 0] + (span[:, 1] - span[:, 0]) * along)
        extent = torch.stack([store.width[photo, 0], store.height[photo, 0]], 1).float()
        # The middle of the crop: near a label mostly, else anywhere.
        pick = (self.draws.uniform((batch,)) * store.counts[photo].clamp(min=1)).long()
        near = store.boxes[photo, pick, :2] + (self.draws.uniform((batch, 2)) - 0.5) * (
            size / scale[:, None]
        )
        anywhere = self.draws.uniform((batch, 2)) * extent
        use = (self.draws.uniform((batch, 1)) < 0.7) & (store.counts[photo, None] > 0)
        middle = torch.where(use, near, anywhere)
        # Mostly keep within the photo, as far as the crop fits it.
        margin = torch.minimum(size / scale[:, None] / 2, extent / 2)
        inside = torch.minimum(torch.maximum(middle, margin), extent - margin)
        middle = torch.where(self.draws.uniform((batch, 1)) < 0.85, inside, middle)
        bare = self.draws.uniform((batch,)) < self.recipe.bare
        disc = self._disc(self.tomato_bare, batch)
        photo = torch.where(bare, disc[:, 0].long(), photo)
        middle = torch.where(bare[:, None], disc[:, 1:3], middle)
        scale = torch.where(
            bare, 0.72 * size / disc[:, 3] * self.draws.uniform((batch,), 0.7, 1), scale
        )
        return photo, self._map(middle, scale, size)

    def _photos(self, cumulated: Tensor, count: int) -> Tensor:
        """Random photos by their summed-up chances."""
        drawn = torch.searchsorted(cumulated, self.draws.uniform((count,)))
        return drawn.clamp(max=len(cumulated) - 1)

    def _map(self, middle: Tensor, scale: Tensor, size: float) -> Tensor:
        """Affine maps from crop to photo: turned, mirrored, slightly stretched."""
        batch = len(scale)
        quarter = self.draws.whole(0, 4, (batch,))
        quarter = torch.where(
            self.draws.uniform((batch,)) < 0.5, quarter, torch.zeros_like(quarter)
        )
        angle = quarter * (torch.pi / 2) + 0.14 * self.draws.normal(batch) * (
            self.draws.uniform((batch,)) < 0.5
        )
        mirror = torch.where(self.draws.uniform((batch,)) < 0.5, -1.0, 1.0)
        stretch = torch.exp(0.06 * self.draws.normal(batch))
        a, b = angle.cos() / scale, angle.sin() / scale
        linear = torch.stack(
            [
                torch.stack([a * mirror * stretch, -b / stretch], 1),
                torch.stack([b * mirror * stretch, a / stretch], 1),
            ],
            1,
        )
        shift = middle - (linear @ torch.full((2,), size / 2, device=self.device))
        return torch.cat([linear, shift[:, :, None]], 2)

    def _windows(self, batch: int) -> Tensor:
        """Left, top, right, bottom of the two parts of each crop (B, 2, 4)."""
        size = float(self.side)
        split = self.draws.uniform((batch,), 0.25, 0.75) * size
        whole = self.draws.uniform((batch,)) >= self.recipe.mosaic
        upright = self.draws.uniform((batch,)) < 0.5
        zero, full = torch.zeros_like(split), torch.full_like(split, size)
        cut = torch.where(whole, full, split)
        across = torch.where(upright, cut, full)
        down = torch.where(upright, full, cut)
        first = torch.stack([zero, zero, across, down], 1)
        second = torch.stack(
            [torch.where(upright, cut, zero), torch.where(upright, zero, cut), full, full], 1
        )
        return torch.stack([first, second], 1)

    def _place(self, photo: Tensor, maps: Tensor, window: Tensor) -> tuple[Tensor, Tensor]:
        """Boxes of the photos in the crop, clipped to their window, and whether each counts."""
        middle, half = across(self.store.boxes[photo], maps)
        cut, state = clipped(middle, half, window)
        exists = torch.arange(MOST_BOXES, device=self.device) < self.store.counts[photo, None]
        state = torch.where(self.store.unsure[photo] & (state == 1), 2, state)
        return cut, torch.where(exists, state, torch.zeros_like(state))

    def _fruit(self, boxes: Tensor, state: Tensor) -> tuple[Tensor, Tensor, Layers]:
        """Fruit cut from other photos to lay over a crop: their boxes, states and layers."""
        store, size = self.store, float(self.side)
        batch = len(boxes)
        count = batch * FRUIT
        photo = self._photos(self.cumulated_fruitful, count)
        pick = (self.draws.uniform((count,)) * store.counts[photo].clamp(min=1)).long()
        box = store.boxes[photo, pick]
        span = self.spans[photo]
        scale = torch.exp(span[:, 0] + (span[:, 1] - span[:, 0]) * self.draws.uniform((count,)))
        maps = self._map(box[:, :2], scale, size)
        # Half of them beside a fruit of the crop, half anywhere.
        beside, side, has = self._pick(boxes, state, FRUIT)
        middle = torch.where(
            (has & (self.draws.uniform((batch, FRUIT)) < 0.5))[..., None],
            beside + 0.7 * side * self.draws.normal(batch, FRUIT, 2),
            self.draws.uniform((batch, FRUIT, 2)) * size,
        )
        maps = moved(maps, middle.reshape(-1, 2), box[:, :2]).reshape(batch, FRUIT, 2, 3)
        _, half = across(box[:, None], maps.reshape(-1, 2, 3))
        half = half.reshape(batch, FRUIT, 2)
        extent = torch.stack([store.width[photo, 0], store.height[photo, 0]], 1).float()
        low, high = box[:, :2] - box[:, 2:] / 2, box[:, :2] + box[:, 2:] / 2
        # Not one cut by its own photo's edge, nor one that a person could argue about.
        whole = ((low > 1) & (high < extent - 1)).all(1) & ~store.unsure[photo, pick]
        here = (self.draws.uniform((batch, 1)) < self.recipe.fruit) & (
            self.draws.uniform((batch, FRUIT)) < 0.6
        )
        here &= whole.reshape(batch, FRUIT) & (store.counts[photo] > 0).reshape(batch, FRUIT)
        frame = torch.tensor([0.0, 0.0, size, size], device=self.device).expand(batch, 4)
        cut, known = clipped(middle, half, frame)
        zero = torch.zeros_like(half[..., 0])
        shapes = torch.stack(
            [*middle.unbind(2), CUT * half[..., 0] * here, CUT * half[..., 1], zero, zero, zero], 2
        )
        return cut, known * here, Layers(photo.reshape(batch, FRUIT), maps, shapes)

    def _pick(self, boxes: Tensor, state: Tensor, count: int) -> tuple[Tensor, Tensor, Tensor]:
        """Draw labels of each crop: middles and sides (B, count, 2), and whether it has any."""
        chance = torch.cumsum((state == 1).float() + 1e-6, 1)
        pick = torch.searchsorted(chance, self.draws.uniform((len(boxes), count)) * chance[:, -1:])
        pick = pick.clamp(max=state.shape[1] - 1)
        box = torch.gather(boxes, 1, pick[..., None].expand(-1, -1, 4))
        has = torch.gather(state, 1, pick) == 1
        return (box[..., 2:] + box[..., :2]) / 2, box[..., 2:] - box[..., :2], has

    def _leaves(self, boxes: Tensor, state: Tensor) -> Layers:
        """Leaves to lay over a crop, most of them over its fruit."""
        size = float(self.side)
        batch = len(boxes)
        shape = (batch, LEAVES)
        middle, side, has = self._pick(boxes, state, LEAVES)
        side = side.clamp(min=12)
        over = middle + 0.55 * side * self.draws.normal(*shape, 2)
        middle = torch.where(has[..., None], over, self.draws.uniform((*shape, 2)) * size)
        reach = side.mean(2) * self.draws.uniform(shape, 0.25, 0.75)
        reach = torch.where(has, reach, self.draws.uniform(shape, 10, 60))
        here = (self.draws.uniform((batch, 1)) < self.recipe.leaves) & (
            self.draws.uniform(shape) < 0.6
        )
        slim = self.draws.uniform(shape, 1.0, 3.5)
        long = reach * slim.sqrt()
        lobes = self.draws.whole(2, 6, shape)
        shapes = torch.stack(
            [
                *middle.unbind(2),
                long * here,
                long / slim,
                self.draws.uniform(shape, 0, 2 * torch.pi),
                self.draws.uniform(shape, 0.0, 0.35),
                lobes,
            ],
            2,
        )
        from_tomato = self.draws.uniform((batch * LEAVES, 1)) < 0.7
        count = batch * LEAVES
        disc = torch.where(
            from_tomato, self._disc(self.tomato_bare, count), self._disc(self.store.bare, count)
        )
        scale = (long.reshape(-1) * 1.35 / disc[:, 3]).clamp(min=0.3)
        maps = self._map(disc[:, 1:3], scale, size)
        maps = moved(maps, middle.reshape(-1, 2), disc[:, 1:3])
        return Layers(disc[:, 0].long().reshape(shape), maps.reshape(*shape, 2, 3), shapes)

    def _disc(self, discs: Tensor, batch: int) -> Tensor:
        """Random rows of a table of discs."""
        row = (self.draws.uniform((batch,)) * len(discs)).long().clamp(max=len(discs) - 1)
        return discs[row]

    def _levels(self, photo: Tensor, maps: Tensor) -> Tensor:
        """Offset, width, height and step of each layer's photo at the level fit for its scale."""
        step = determinant(maps[..., :2]).abs().sqrt()
        level = torch.log2(step.clamp(min=1e-3) * 1.15).floor().clamp(0, LEVELS - 1).long()
        store = self.store
        return torch.stack(
            [
                store.offset[photo, level],
                store.width[photo, level],
                store.height[photo, level],
                2**level,
            ],
            2,
        )
