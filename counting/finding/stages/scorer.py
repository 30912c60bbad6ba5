"""The learned scorer as a stage: a small network gives centres, boxes, confidences in one pass.

Where the fruit aren't large in the photo, the same network looks closer at the part of the photo
in which it saw any: small fruit show better there, and two looks err apart.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from importlib.resources import as_file, files
from pathlib import Path

import cv2
import numpy as np
import onnxruntime
import pandas as pd
from numpy.typing import NDArray

from counting.errors import CountingError
from counting.files import sha256_bytes
from counting.finding.boxes import clip, proposed, suppress
from counting.finding.matching import FREE, match_by_overlap
from counting.photos.image import Image

__all__ = [
    "LONG_SIDE",
    "WEIGHTS",
    "Boxes",
    "Network",
    "both_looks",
    "boxes_of",
    "own_network",
    "scorer",
    "sides_of",
    "worth_closer",
]

Boxes = tuple[NDArray[np.float64], NDArray[np.float64]]
"""Boxes (N, 4), centre x, centre y, width, height in px, and their confidences (N,); best first."""
Maps = Callable[[NDArray[np.uint8]], NDArray[np.float32]]
"""From a padded photo (H, W, 3) to the seven maps (7, H/4, W/4) of MODEL.md."""

LONG_SIDE = 640
"""Long side of the photo in the first look, px; other sizes stand in MODEL.md."""
CLOSER_SIDE = 1152
"""Long side that the whole photo would have in the closer look, px."""
_LEAST_SIDE = 480
"""Long side to which a smaller photo is brought in the first look, px; one between this and
`LONG_SIDE` keeps its size: enlarged further, fewer fruit are found (MODEL.md)."""
WEIGHTS = "scorer.onnx"
"""File of the network beside this module; that of its first layers is named ``-front``."""
_LARGE = 0.10  # of the photo's long side: median box from which a closer look adds nothing
FLOOR = 0.05
"""Least confidence of a peak that becomes a candidate."""
_LIKELY = 0.3  # confidence from which a box tells how large the fruit are
_PERHAPS = 0.1  # confidence from which a closer look is worth it there
_MARGIN = 0.04  # of the photo's long side, round what the first look saw
_MULTIPLE = 32
_STRIDE = 4
_STRIP = 96
"""Rows of a photo that go through the first layers at once, px: whole, their maps of 96 channels at
half the photo's size would be most of a worker's memory."""
_ROUND = 12
"""Rows beyond a strip on which its maps depend, px: 9, and whole cells of `_STRIDE`."""
_GREY = (114, 114, 114)  # what the network was trained to see beyond the photo's edge
_SAME_FRUIT = 0.55  # overlap from which two boxes are one fruit; chosen with the weights
_SEEN_ONCE = 0.8  # what a look's confidence is worth where the other look shows no such box


class Network:
    """The scorer's weights, loaded once.

    Parameters
    ----------
    path : Path
        An ONNX file that gives the maps (1, 7, H/4, W/4) of MODEL.md. With a file of the same name
        and ``-front`` beside it, that one takes the photo (1, 3, H, W), RGB 0..255, in strips, and
        this one what it makes of it; else it takes the photo itself.
    given : bytes, optional
        What the file holds, where it was read already.
    front : Path, optional
        The file of the first layers where it does not lie beside.

    Raises
    ------
    CountingError
        If a file cannot be loaded.
    """

    def __init__(self, path: Path, given: bytes | None = None, front: Path | None = None) -> None:
        front = front or path.with_stem(f"{path.stem}-front")
        self._front = _session(front) if front.exists() else None
        self._session = _session(path, given)

    def boxes(self, rgb: NDArray[np.uint8], long_side: int = LONG_SIDE) -> Boxes:
        """Return what the network sees in a photo; see `boxes_of`."""
        return boxes_of(self._run, rgb, long_side)

    def _run(self, padded: NDArray[np.uint8]) -> NDArray[np.float32]:
        given = {"photo": _planes(padded)} if self._front is None else {"near": self._near(padded)}
        (maps,) = self._session.run(None, given)
        return np.asarray(maps[0], dtype=np.float32)

    def _near(self, padded: NDArray[np.uint8]) -> NDArray[np.float32]:
        """Run the first layers strip by strip; the maps are the same as of the whole photo."""
        assert self._front is not None
        height = len(padded)
        strips = []
        for top in range(0, height, _STRIP):
            bottom = min(top + _STRIP, height)
            first = max(top - _ROUND, 0)
            strip = _planes(padded[first : bottom + _ROUND])
            (maps,) = self._front.run(None, {"photo": strip})
            strips.append(maps[:, :, (top - first) // _STRIDE :][:, :, : (bottom - top) // _STRIDE])
        return np.concatenate(strips, axis=2)


def _session(path: Path, given: bytes | None = None) -> onnxruntime.InferenceSession:
    options = onnxruntime.SessionOptions()
    # One thread: as many photos as there are cores are looked at side by side.
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    # The plan of memory is made for each size anew, and kept: 100 MiB more, and no time won.
    options.enable_mem_pattern = False
    options.log_severity_level = 3
    try:
        return onnxruntime.InferenceSession(
            given or path.read_bytes(), options, providers=["CPUExecutionProvider"]
        )
    except Exception as error:  # the library's errors have no other base in common
        mend = "install the package again"
        why = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise CountingError(path, f"cannot be loaded ({why})", mend=mend) from error


def _planes(rgb: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Return a photo (H, W, 3) as the network takes it, (1, 3, H, W)."""
    return rgb.transpose(2, 0, 1)[None].astype(np.float32, order="C")


def boxes_of(maps: Maps, rgb: NDArray[np.uint8], long_side: int) -> Boxes:
    """Return the boxes, in px of the photo, that a network's maps tell of.

    Parameters
    ----------
    maps : callable
        The network.
    rgb : (H, W, 3) ndarray of uint8
        The photo.
    long_side : int
        Size it is brought to first.
    """
    height, width = rgb.shape[:2]
    scale = long_side / max(height, width)
    score, highest, left, top, right, bottom, confidence = maps(_padded(rgb, scale))
    rows, columns = np.nonzero((score >= highest) & (confidence >= FLOOR))
    x, y = (columns + 0.5) * _STRIDE / scale, (rows + 0.5) * _STRIDE / scale
    inside = (x < width) & (y < height)
    rows, columns, x, y = rows[inside], columns[inside], x[inside], y[inside]
    sides = np.stack([side[rows, columns] for side in (left, top, right, bottom)], axis=1)
    sides = sides.astype(np.float64) * _STRIDE / scale
    low, high = np.stack([x, y], 1) - sides[:, :2], np.stack([x, y], 1) + sides[:, 2:]
    boxes = clip(np.hstack([(low + high) / 2, high - low]), width, height)
    sure = confidence[rows, columns].astype(np.float64)
    kept = suppress(boxes, sure, _SAME_FRUIT)
    return boxes[kept], sure[kept]


def _padded(rgb: NDArray[np.uint8], scale: float) -> NDArray[np.uint8]:
    """Bring a photo to the network's size, with grey to the right and below."""
    size = (round(rgb.shape[1] * scale), round(rgb.shape[0] * scale))
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    sized = cv2.resize(rgb, size, interpolation=way)
    bottom, right = -size[1] % _MULTIPLE, -size[0] % _MULTIPLE
    padded = cv2.copyMakeBorder(sized, 0, bottom, 0, right, cv2.BORDER_CONSTANT, value=_GREY)
    return padded.astype(np.uint8, copy=False)


@cache
def _shipped() -> Network:
    with as_file(files("counting.finding.stages").joinpath(WEIGHTS)) as path:
        return Network(path)


@cache
def own_network(path: Path, digest: str) -> Network:
    """Return the network with a trial's own weights, loaded once; its first layers ship.

    Parameters
    ----------
    path : Path
        The file.
    digest : str
        SHA-256 that its bytes must have.

    Raises
    ------
    CountingError
        If it is missing, holds other bytes, or cannot be loaded.
    """
    mend = "restore it from a copy of the trial, or leave the lesson aside: --as-shipped"
    if not path.exists():
        raise CountingError(path, "missing: a lesson of this trial rests on it", mend=mend)
    data = path.read_bytes()
    if sha256_bytes(data) != digest:
        raise CountingError(path, "other bytes than the lesson recorded", mend=mend)
    shipped = files("counting.finding.stages").joinpath(WEIGHTS)
    with as_file(shipped.with_stem(f"{shipped.stem}-front")) as front:  # type: ignore[attr-defined]
        return Network(path, data, front)


def scorer(
    image: Image, *, quick: bool = False, size: float = 1.0, network: Network | None = None
) -> pd.DataFrame:
    """Propose fruit by the learned scorer.

    Parameters
    ----------
    image : Image
        The photo; at least `LONG_SIDE` px long where the photo has them.
    quick : bool
        Never look closer.
    size : float
        Factor on the size of both looks: where the network never saw such photos, those that are
        enlarged less may show more (STAGES.md).
    network : Network, optional
        Another than the one that ships.

    Returns
    -------
    DataFrame
        Schema `counting.finding.boxes.PROPOSED`.
    """
    network = network or _shipped()
    long_side = max(image.rgb.shape[:2])
    first, closer = sides_of(long_side)
    look = network.boxes(image.rgb, round(first * size))
    if not quick and worth_closer(look, long_side):
        left, top, right, bottom = _part_with_fruit(look, image.rgb)
        part = image.rgb[top:bottom, left:right]
        side = round(closer * size * max(part.shape[:2]) / long_side)
        boxes, sure = network.boxes(part, side)
        look = both_looks(look, (boxes + (left, top, 0, 0), sure))
    boxes, sure = look
    return proposed(boxes * image.scale, sure)


def sides_of(long_side: int) -> tuple[int, int]:
    """Return the long sides that a photo has in its first and in its closer look, px.

    Parameters
    ----------
    long_side : int
        Long side of the photo, px.
    """
    first = min(LONG_SIDE, max(_LEAST_SIDE, long_side))
    return first, round(CLOSER_SIDE * first / LONG_SIDE)


def _part_with_fruit(look: Boxes, rgb: NDArray[np.uint8]) -> tuple[int, int, int, int]:
    """Return left, top, right and bottom of the part of a photo that may show fruit, px."""
    boxes, sure = look
    height, width = rgb.shape[:2]
    some = boxes[sure >= _PERHAPS]
    margin = _MARGIN * max(height, width)
    low = (some[:, :2] - some[:, 2:] / 2).min(axis=0) - margin
    high = (some[:, :2] + some[:, 2:] / 2).max(axis=0) + margin
    left, top = np.clip(low, 0, (width, height)).astype(int)
    right, bottom = np.clip(np.ceil(high), 0, (width, height)).astype(int)
    return int(left), int(top), int(right), int(bottom)


def worth_closer(look: Boxes, long_side: float) -> bool:
    """Whether there are fruit, and the middle one isn't large in the photo."""
    boxes, sure = look
    likely = boxes[sure >= _LIKELY]
    sides = np.sqrt(likely[:, 2] * likely[:, 3])
    return len(sides) > 0 and bool(np.median(sides) < _LARGE * long_side)


def both_looks(first: Boxes, second: Boxes) -> Boxes:
    """Join two looks at a photo, each best first: boxes weighted by confidence, its mean."""
    (boxes, sure), (others, as_sure) = first, second
    partner = match_by_overlap(boxes, sure, others)
    met, theirs = partner != FREE, partner[partner != FREE]
    weight = sure[met] / (sure[met] + as_sure[theirs])
    joined = weight[:, None] * boxes[met] + (1 - weight[:, None]) * others[theirs]
    places = np.vstack([joined, boxes[~met], np.delete(others, theirs, axis=0)])
    once = np.concatenate([sure[~met], np.delete(as_sure, theirs)])
    mean = np.concatenate([(sure[met] + as_sure[theirs]) / 2, once * _SEEN_ONCE])
    kept = suppress(places, mean, _SAME_FRUIT)
    return places[kept], mean[kept]
