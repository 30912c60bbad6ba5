"""The benchmark runs; its figures are read by people, not by tests."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest

from counting.bench.__main__ import main
from counting.bench.drawn import draw_photo


def test_a_drawn_photo_is_a_jpeg_with_the_detail_of_one():
    data = draw_photo((640, 480), 9, 1)
    rgb = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert rgb.shape == (480, 640, 3)
    # a phone's JPEG takes 1 to 4 bits a pixel (common practice)
    assert 1 <= 8 * len(data) / (640 * 480) <= 4


@pytest.mark.slow
def test_the_benchmark_measures_every_part_and_writes_the_figures(tmp_path, capsys):
    file = tmp_path / "figures.json"
    photo = tmp_path / "small.jpg"
    photo.write_bytes(draw_photo((800, 600), 9, 1))
    few = ["--rounds", "1", "--photos", "6", "--many", "2,4", "--sizes", "4,8", "--plants", "400"]
    few += ["--photo", str(photo)]
    lines = main([*few, "--json", str(file)])
    assert [line.name for line in lines] == [row["name"] for row in json.loads(file.read_text())]
    assert all(np.isfinite(line.value) for line in lines)
    shown = capsys.readouterr().out
    for word in (
        "bare decode",
        "speed-up",
        "memory",
        "ledger growth",
        "sheets of 4",
        "report of 8",
        "comparison of 400",
    ):
        assert word in shown
