"""The learned scorer as a stage."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from drawn import image, plant
from numpy.typing import NDArray

from counting.errors import CountingError
from counting.finding import stages
from counting.finding.boxes import PROPOSED
from counting.finding.stages.scorer import (
    CLOSER_SIDE,
    LONG_SIDE,
    WEIGHTS,
    Network,
    scorer,
    scorer_with,
)
from counting.photos.image import Image


def test_the_scorer_gives_a_table_of_the_stages_schema() -> None:
    table = scorer(image(plant(np.random.default_rng(3))[0]))
    assert list(table.columns) == list(PROPOSED)
    assert table["score"].between(0, 1).all()
    assert table["score"].is_monotonic_decreasing


def test_boxes_lie_inside_photos_of_any_shape() -> None:
    rng = np.random.default_rng(4)
    for height, width in ((37, 500), (500, 37), (61, 61), (1, 1)):
        noise = rng.integers(0, 255, (height, width, 3)).astype(np.uint8)
        table = scorer(image(noise))
        assert (table["x"] - table["width"] / 2 >= -1e-6).all()
        assert (table["y"] + table["height"] / 2 <= height + 1e-6).all()


def test_onnx_runtime_gives_the_maps_that_opencv_gives() -> None:
    # OpenCV's own reader of ONNX files is the reference
    path = Path(stages.__file__).with_name(WEIGHTS)
    photo = cv2.resize(plant(np.random.default_rng(5))[0], (256, 192))
    net = cv2.dnn.readNetFromONNX(str(path))
    net.setInput(cv2.dnn.blobFromImage(photo))
    reference = net.forward()[0]
    assert np.allclose(Network(path)._run(photo), reference, rtol=1e-4, atol=1e-4)


def test_one_thread_and_two_give_the_same_table() -> None:
    photo = image(plant(np.random.default_rng(5))[0])
    before = cv2.getNumThreads()
    try:
        tables = []
        for threads in (1, 2):
            cv2.setNumThreads(threads)
            tables.append(scorer(photo))
    finally:
        cv2.setNumThreads(before)
    assert len(tables[0]) == len(tables[1])
    assert np.allclose(tables[0], tables[1], atol=1e-3)


class Told(Network):
    """A network that tells what it was told, and keeps the sizes it was asked for."""

    def __init__(self, side: float, sure: float) -> None:
        self.side, self.sure = side, sure
        self.asked: list[int] = []
        self.shapes: list[tuple[int, int]] = []

    def boxes(
        self, rgb: NDArray[np.uint8], long_side: int = LONG_SIDE
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        self.asked.append(long_side)
        self.shapes.append((rgb.shape[0], rgb.shape[1]))
        return np.array([[400.0, 300.0, self.side, self.side]]), np.array([self.sure])


def told(side: float, sure: float, *, quick: bool = False) -> tuple[list[int], list[float]]:
    """Return the sizes of the looks taken, the closer one last, and the scores that follow."""
    network = Told(side, sure)
    photo = Image(np.zeros((600, 800, 3), np.uint8), 1.0, 800, 600)
    table = scorer_with(network, photo, quick=quick)
    return network.asked, table["score"].tolist()


def test_the_network_looks_closer_at_the_part_with_fruit_where_these_are_not_large() -> None:
    network = Told(40, 0.5)
    photo = Image(np.zeros((600, 800, 3), np.uint8), 1.0, 800, 600)
    scorer_with(network, photo)
    (first, closer), (whole, part) = network.asked, network.shapes
    assert first == LONG_SIDE
    assert whole == (600, 800)
    # a fruit of 40 px and 4 % of 800 px on each side of it, at the closer look's scale
    assert part == (104, 104)
    assert closer == round(CLOSER_SIDE * 104 / 800)


def test_large_fruit_are_looked_at_once() -> None:
    assert told(160, 0.5) == ([LONG_SIDE], [0.5])


def test_a_photo_in_which_nothing_is_likely_is_looked_at_once() -> None:
    assert told(40, 0.2) == ([LONG_SIDE], [0.2])


def test_a_quick_look_is_never_closer() -> None:
    assert told(40, 0.5, quick=True) == ([LONG_SIDE], [0.5])


def test_weights_that_cannot_be_loaded_are_named(tmp_path: Path) -> None:
    path = tmp_path / "scorer.onnx"
    path.write_bytes(b"not a network")
    with pytest.raises(CountingError, match="cannot be loaded"):
        Network(path)
