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
    sides_of,
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


def by_opencv(rgb: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Return the network's maps of a whole photo by OpenCV's own reader of ONNX files."""
    path = Path(stages.__file__).with_name(WEIGHTS)
    maps = cv2.dnn.blobFromImage(rgb)
    for part in (path.with_stem(f"{path.stem}-front"), path):
        net = cv2.dnn.readNetFromONNX(str(part))
        net.setInput(maps)
        maps = net.forward()
    return maps[0]


def test_the_shipped_weights_take_at_most_4_megabytes() -> None:
    folder = Path(stages.__file__).parent
    assert sum(file.stat().st_size for file in folder.glob("*.onnx")) <= 4_000_000


@pytest.mark.parametrize(("rows", "columns"), [(96, 128), (160, 96)])
def test_the_shipped_weights_give_seven_maps_at_a_quarter_of_any_size(
    rows: int, columns: int
) -> None:
    maps = by_opencv(np.full((rows, columns, 3), 128, np.uint8))
    assert maps.shape == (7, rows // 4, columns // 4)
    assert (maps[1] >= maps[0]).all()
    assert maps[0].min() >= 0
    assert maps[0].max() <= 1


@pytest.mark.parametrize("colour", [(240, 240, 235), (120, 170, 230), (90, 70, 55), (70, 120, 50)])
def test_a_plain_wall_sky_soil_or_green_gives_no_candidate(colour: tuple[int, int, int]) -> None:
    rng = np.random.default_rng(5)
    photo = np.clip(np.array(colour) + rng.normal(0, 4, (384, 512, 3)), 0, 255)
    photo = np.clip(photo + np.linspace(-15, 15, 384)[:, None, None], 0, 255).astype(np.uint8)
    assert by_opencv(photo)[6].max() < 0.3


@pytest.mark.parametrize("height", [32, 96, 128, 448])
def test_strips_by_onnx_runtime_give_the_maps_that_opencv_gives_of_the_whole(height: int) -> None:
    photo = cv2.resize(plant(np.random.default_rng(5))[0], (256, height))
    network = Network(Path(stages.__file__).with_name(WEIGHTS))
    assert np.allclose(network._run(photo), by_opencv(photo), rtol=1e-4, atol=1e-4)


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
    table = scorer(photo, network=network, quick=quick)
    return network.asked, table["score"].tolist()


def test_a_size_of_its_own_makes_both_looks_smaller() -> None:
    photo = Image(np.zeros((600, 800, 3), np.uint8), 1.0, 800, 600)
    plain, small = Told(40, 0.5), Told(40, 0.5)
    scorer(photo, network=plain)
    scorer(photo, network=small, size=0.5)
    assert small.asked == [pytest.approx(side / 2, abs=1) for side in plain.asked]
    assert small.shapes == plain.shapes


def test_the_network_looks_closer_at_the_part_with_fruit_where_these_are_not_large() -> None:
    network = Told(40, 0.5)
    photo = Image(np.zeros((600, 800, 3), np.uint8), 1.0, 800, 600)
    scorer(photo, network=network)
    (first, closer), (whole, part) = network.asked, network.shapes
    assert first == LONG_SIDE
    assert whole == (600, 800)
    # a fruit of 40 px and 4 % of 800 px on each side of it, at the closer look's scale
    assert part == (104, 104)
    assert closer == round(CLOSER_SIDE * 104 / 800)


def test_a_photo_smaller_than_the_first_look_keeps_its_size_down_to_480_px() -> None:
    assert sides_of(4000) == sides_of(LONG_SIDE) == (LONG_SIDE, CLOSER_SIDE)
    assert sides_of(500) == (500, 900)
    assert sides_of(200) == sides_of(480) == (480, 864)


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
