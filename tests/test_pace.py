"""Photos confirmed faster than a person can look: told as a caution, never refused."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from trials import Beds, add_photo, confirm, make_trial, marks

from counting.ledger.facts import Answer, Mark
from counting.report.counts import making
from counting.review.pace import LOOK_S, RING_S, caution, hurried


def answer(seconds: float, rings: int, word: str = "counted", reviewer: str = "Ana") -> Answer:
    seen = tuple(map(Mark.of_body, marks(rings)))
    return Answer("p", reviewer, "", "", word, rings, seen, seconds=seconds)


@pytest.mark.parametrize(
    ("seconds", "rings", "fast"),
    [
        (0.0, 0, True),  # Next was pressed at once
        (0.9, 3, True),
        (1.0, 3, False),
        (1.0, 5, False),
        (3.9, 20, True),  # 20 rings at 0.2 s each ask for 4 s
        (4.0, 20, False),
        (60.0, 300, False),
    ],
)
def test_a_count_is_hurried_below_a_second_or_a_fifth_of_a_second_for_each_ring(
    seconds: float, rings: int, fast: bool
) -> None:
    assert hurried(answer(seconds, rings)) is fast


def test_whoever_cannot_tell_or_wants_a_photo_again_may_say_so_at_once() -> None:
    assert not hurried(answer(0.2, 30, "cannot tell"))
    assert not hurried(answer(0.2, 30, "retake"))


def test_the_caution_names_each_hurried_reviewer_with_the_number_of_photos() -> None:
    answers = [answer(0.3, 4)] * 7 + [answer(6.0, 4)] * 3 + [answer(5.0, 4, reviewer="Bo")] * 4
    assert "Ana 7 of 10" in caution(answers)
    assert "Bo" not in caution(answers)


def test_who_took_the_time_gets_no_caution() -> None:
    assert caution([]) == ""
    assert caution([answer(4.0, 12)] * 5) == ""


@given(st.floats(0, 1e4), st.integers(0, 400))
def test_more_time_never_makes_a_count_hurried(seconds: float, rings: int) -> None:
    if not hurried(answer(seconds, rings)):
        assert not hurried(answer(seconds + 1, rings))
        assert seconds >= max(LOOK_S, RING_S * rings)


def test_the_report_names_hurried_counts_until_somebody_looks_again(tmp_path) -> None:
    trial = make_trial(tmp_path / "trial", Beds(blocks=1, plants_per_plot=2))
    photos = [add_photo(trial, code) for code in trial.plants["code"]]
    for photo in photos:
        confirm(trial, photo, 5, marks=marks(5), seconds=0.4, reviewer="Ana")
    with trial.ledger() as ledger:
        assert f"Ana {len(photos)} of {len(photos)}" in making(ledger).hurried
    for photo in photos:
        again = {"seconds": 5.0, "reviewer": "Bo", "at": "2026-07-09T09:00:00Z"}
        confirm(trial, photo, 5, marks=marks(5), **again)
    with trial.ledger() as ledger:
        assert making(ledger).hurried == ""
