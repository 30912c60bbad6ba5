"""What networks saw, kept for the fitting."""

from __future__ import annotations

import numpy as np
import pytest

from counting.finding.expected import Spread, expected_count, widened
from counting.training.looks import read_looks, write_looks


def test_looks_come_back_as_they_were_written(tmp_path) -> None:
    rng = np.random.default_rng(1)
    looks = {
        name: tuple((rng.uniform(0, 99, (n, 4)), rng.uniform(0, 1, n)) for n in sizes)
        for name, sizes in (("tomato/a.jpg", (3, 0)), ("tomato/b.jpg", (0, 5)))
    }
    write_looks(tmp_path / "seen.npz", looks)
    read = read_looks(tmp_path / "seen.npz")
    assert list(read) == list(looks)
    for name in looks:
        for here, there in zip(looks[name], read[name], strict=True):
            assert there[0] == pytest.approx(here[0], rel=1e-6)
            assert there[1] == pytest.approx(here[1], rel=1e-6)


def test_an_interval_is_wider_in_a_place_never_seen_and_never_below_nothing() -> None:
    chances = np.full(12, 0.8)
    count, low, high = expected_count(chances, Spread(0.5, 0.05))
    same, lower, higher = expected_count(chances, Spread(0.5, 0.05, 0.4))
    assert same == count
    assert lower < low
    assert higher > high
    assert widened(1.0, 0, 2, 3.0)[0] == 0
    assert widened(5.0, 3, 8, 0.0) == (3, 8)
