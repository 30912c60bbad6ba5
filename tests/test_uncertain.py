"""Which photos to look at."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from counting.finding.uncertain import SHARE, expected_error, most_uncertain, worth_a_look
from counting.flags import Flag
from counting.ledger.facts import Candidate
from counting.review.frames import Frame


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


def test_a_photo_with_a_fault_of_its_own_is_worth_a_look_and_what_all_share_decides_nothing() -> (
    None
):
    errors, usual = np.zeros(4), (Flag.NEIGHBOURS.value, Flag.TOO_SMALL.value)
    flags = [usual, (*usual, Flag.BLURRED.value), usual, (Flag.NO_TAG.value, *usual)]
    assert worth_a_look(errors, flags).tolist() == [False, True, False, True]


def test_rings_on_the_next_plants_fruit_make_a_count_no_more_doubtful() -> None:
    def fruit(number: int, own: float, flags: tuple[str, ...] = ()) -> Candidate:
        return Candidate(number, 9, 9, 5, 5, 0.9, own_share=own, flags=flags)

    def doubt(*candidates: Candidate) -> float:
        shown = frozenset(each.candidate for each in candidates)
        where = ("s", "a.jpg", 99, 99, "2026-07-01", "A1-1", "g", "path", None, "p")
        return Frame(*where, candidates, shown, (), (), interval=(2.0, 1.0, 3.0)).doubt

    alone = fruit(0, 1.0), fruit(1, 1.0)
    small = fruit(2, 1.0, (Flag.TOO_SMALL_TO_COUNT.value,))
    assert doubt(*alone, small, *(fruit(number, 0.1) for number in range(3, 9))) == doubt(*alone)
    assert doubt(*alone, fruit(2, 1.0)) > doubt(*alone)
