"""Which photos to look at."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from counting.finding.uncertain import SHARE, expected_error, most_uncertain


@given(st.integers(0, 40), st.floats(0, 40), st.floats(0.5, 20))
def test_the_expected_error_is_the_mean_of_scipys_folded_normal(proposed, count, width) -> None:
    sd = width / (2 * stats.norm.ppf(0.95))
    reference = stats.foldnorm(abs(proposed - count) / sd, scale=sd).mean()
    assert expected_error(proposed, count, count, count + width) == pytest.approx(
        float(reference), rel=1e-6
    )


def test_a_count_without_any_doubt_is_off_by_what_it_differs() -> None:
    assert expected_error(5, 3.0, 3, 3) == 2.0


@given(st.lists(st.floats(0, 30), max_size=60))
def test_at_most_three_in_ten_photos_are_chosen_and_none_left_out_is_worse(errors) -> None:
    every = np.array(errors, dtype=np.float64)
    chosen = most_uncertain(every)
    assert chosen.sum() <= SHARE * len(every)
    if chosen.any() and not chosen.all():
        assert every[chosen].min() >= every[~chosen].max()


def test_counts_that_are_most_likely_right_are_not_chosen() -> None:
    assert not most_uncertain(np.full(20, 0.1)).any()
