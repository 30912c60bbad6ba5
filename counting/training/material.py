"""The labelled photos, read and laid out for training: one flat store of pixels, boxes beside it.

All photos, each at full, half, quarter and eighth size, lie end to end in one array of packed
colours, so that a whole batch of crops, each from another photo at another scale, is one gather
on the processor that trains and no worker has to feed it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from counting.training.bare import bare_photo
from counting.training.scenes import scene_photos

LEVELS = 4
# The fullest photo, a rendered row from far, has 219 labels; of one crop as many as `CROP_BOXES`
# are judged.
MOST_BOXES = 256
CROP_BOXES = 80
SETS = (
    "tomato",
    "apple-green",
    "apple-ripe",
    "pear",
    "cherry-ripe",
    "cherry-green",
    "tomato-small",
    "strawberry-phone",
    "strawberry-gripper",
)
RENDERED = len(SETS)
PLAIN = RENDERED + 1
# Sets whose licence forbids that anything shipped is trained or fitted on them: measured only.
MEASURED_ONLY = ("tomato-phones",)
MEASURED_FROM = PLAIN + 1


@dataclass(frozen=True, slots=True)
class LabelledPhoto:
    """One labelled photo.

    Attributes
    ----------
    name : str
        Set and file name, ``tomato/tomato_0018.jpg``.
    domain : int
        Index of its set in `SETS`; `RENDERED`, `PLAIN` for a made-up photo without fruit, or
        from `MEASURED_FROM` on the index in `MEASURED_ONLY`.
    fold : int
        Fold it is held out in; -1 for none.
    image : ndarray, (H, W, 3) uint8
        RGB.
    boxes : ndarray, (N, 4) float32
        x, y, width, height in pixels of the photo.
    unsure : ndarray, (N,) bool
        Boxes that a person could argue about: neither rewarded nor blamed.
    """

    name: str
    domain: int
    fold: int
    image: NDArray[np.uint8]
    boxes: NDArray[np.float32]
    unsure: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Store:
    """Photos as tensors, all on one device.

    Attributes
    ----------
    pixels : Tensor, (total,) int32
        Colours, ``red + 256 green + 65536 blue``.
    offset, width, height : Tensor, (P, LEVELS) int64
        Where each photo begins at each level, and its size there.
    boxes : Tensor, (P, MOST_BOXES, 4) float32
        Middle x, middle y, width, height at level 0.
    unsure : Tensor, (P, MOST_BOXES) bool
    counts : Tensor, (P,) int64
    domain : Tensor, (P,) int64
    bare : Tensor, (B, 4) float32
        Discs without a label: photo, middle x, middle y, radius at level 0.
    """

    pixels: Tensor
    offset: Tensor
    width: Tensor
    height: Tensor
    boxes: Tensor
    unsure: Tensor
    counts: Tensor
    domain: Tensor
    bare: Tensor


def read_photos(folder: Path, most: int | None = None) -> list[LabelledPhoto]:
    """Read the labelled photos of every set found in a folder.

    Parameters
    ----------
    folder : Path
        Holds ``tomato/``, ``pear/`` and so on, each with ``photos/`` and ``labels.json`` (COCO).
    most : int, optional
        At most so many photos of each set.

    Raises
    ------
    FileNotFoundError
        If the folder holds none of the sets.
    """
    photos = []
    for domain, name in enumerate(SETS):
        if (folder / name / "labels.json").is_file():
            photos += _read_set(folder / name, domain, most)
    if not photos:
        message = f"{folder}: expected folders {', '.join(SETS)}; found none."
        raise FileNotFoundError(message)
    return photos


def strangers(folder: Path, most: int | None = None) -> list[LabelledPhoto]:
    """Read the photos that are measured and never learnt from (`MEASURED_ONLY`)."""
    return [
        photo
        for number, name in enumerate(MEASURED_ONLY)
        if (folder / name / "labels.json").is_file()
        for photo in _read_set(folder / name, MEASURED_FROM + number, most)
    ]


def rendered_photos(folder: Path, most: int | None = None) -> list[LabelledPhoto]:
    """Read the rendered photos: ``photos/`` and ``labels.json``, as `fixtures/render` makes them.

    Marks with ``iscrowd`` 1 are unsure. No fold holds these photos out.
    """
    return _read_set(folder, RENDERED, most)


def _read_set(folder: Path, domain: int, most: int | None) -> list[LabelledPhoto]:
    """Read the photos and labels of one folder."""
    photos = []
    for photo in scene_photos(folder, most):
        image = cv2.imread(str(photo.path))
        if image is None:
            message = f"{photo.name}: named in the labels of {folder}, but it can't be read."
            raise FileNotFoundError(message)
        low = photo.boxes[:, :2] - photo.boxes[:, 2:] / 2
        photos.append(
            LabelledPhoto(
                photo.name,
                domain,
                photo.fold,
                np.ascontiguousarray(image[:, :, ::-1], np.uint8),
                np.hstack([low, photo.boxes[:, 2:]]).astype(np.float32),
                photo.unsure,
            )
        )
    return photos


def plain_photos(rng: np.random.Generator, how_many: int = 192) -> list[LabelledPhoto]:
    """Return made-up photos without fruit (`counting.training.bare`)."""
    no_boxes, no_doubt = np.zeros((0, 4), np.float32), np.zeros(0, bool)
    return [
        LabelledPhoto(f"plain/{number}", PLAIN, -1, bare_photo(rng), no_boxes, no_doubt)
        for number in range(how_many)
    ]


def lay_out(photos: Sequence[LabelledPhoto], seed: int, device: torch.device) -> Store:
    """Pack photos, boxes and label-free discs into tensors on the device."""
    rng = np.random.default_rng(seed)
    packed: list[NDArray[np.int32]] = []
    shape = (len(photos), LEVELS)
    offset, width, height = (np.zeros(shape, np.int64) for _ in range(3))
    boxes = np.zeros((len(photos), MOST_BOXES, 4), np.float32)
    unsure = np.zeros((len(photos), MOST_BOXES), bool)
    bare: list[tuple[float, float, float, float]] = []
    at = 0
    for number, photo in enumerate(photos):
        image = photo.image
        for level in range(LEVELS):
            if level:
                half = (max(image.shape[1] // 2, 1), max(image.shape[0] // 2, 1))
                image = cv2.resize(image, half, interpolation=cv2.INTER_AREA).astype(np.uint8)
            wide = image.astype(np.int32)
            packed.append((wide[..., 0] + 256 * wide[..., 1] + 65536 * wide[..., 2]).ravel())
            offset[number, level] = at
            height[number, level], width[number, level] = image.shape[:2]
            at += image.shape[0] * image.shape[1]
        kept = photo.boxes[:MOST_BOXES]
        boxes[number, : len(kept), :2] = kept[:, :2] + kept[:, 2:] / 2
        boxes[number, : len(kept), 2:] = kept[:, 2:]
        unsure[number, : len(kept)] = photo.unsure[:MOST_BOXES]
        if photo.domain != PLAIN:
            bare += [(number, *disc) for disc in _bare_discs(photo, rng)]
    return Store(
        torch.from_numpy(np.concatenate(packed)).to(device),
        torch.from_numpy(offset).to(device),
        torch.from_numpy(width).to(device),
        torch.from_numpy(height).to(device),
        torch.from_numpy(boxes).to(device),
        torch.from_numpy(unsure).to(device),
        torch.tensor([min(len(p.boxes), MOST_BOXES) for p in photos], device=device),
        torch.tensor([p.domain for p in photos], device=device),
        torch.tensor(bare or [(0.0, 0.0, 0.0, 1.0)], dtype=torch.float32, device=device),
    )


def _bare_discs(photo: LabelledPhoto, rng: np.random.Generator) -> list[tuple[float, float, float]]:
    """Discs that touch no label and stay within the photo."""
    rows, columns = photo.image.shape[:2]
    long = max(rows, columns)
    tries = 400 if photo.domain == 0 else 40
    found = []
    for x, y in rng.uniform(0, 1, (tries, 2)) * (columns, rows):
        room = min(x, y, columns - x, rows - y)
        if len(photo.boxes):
            left, top, wide, high = photo.boxes.T
            away = np.hypot(
                np.maximum(np.maximum(left - x, x - left - wide), 0),
                np.maximum(np.maximum(top - y, y - top - high), 0),
            )
            room = min(room, float(away.min()))
        if room > 0.045 * long:
            found.append((float(x), float(y), float(room)))
    return found
