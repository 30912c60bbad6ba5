"""Made-up photos without fruit, from which the scorer learns what is none."""

import numpy as np

from counting.training.bare import SIZE, bare_photo


def test_the_same_seed_makes_the_same_photo():
    first, again, other = (bare_photo(np.random.default_rng(seed)) for seed in (5, 5, 6))
    assert first.shape == (SIZE, SIZE, 3)
    assert first.dtype == np.uint8
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)
