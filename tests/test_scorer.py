"""The learned scorer as a stage."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from drawn import image, plant

from counting.errors import CountingError
from counting.finding.boxes import PROPOSED
from counting.finding.scorer import Network, scorer


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


def test_weights_that_cannot_be_loaded_are_named(tmp_path: Path) -> None:
    path = tmp_path / "scorer.onnx"
    path.write_bytes(b"not a network")
    with pytest.raises(CountingError, match="cannot be loaded"):
        Network(path)
