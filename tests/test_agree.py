"""Agreement of two reviewers, checked against published worked examples."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from sheet_trial import Drawn, draw_trial
from typer.testing import CliRunner

from counting.cli import app
from counting.errors import CorrectionsError
from counting.plan.trial import Trial
from counting.review.agree import PROPOSALS, agree, third_look
from counting.review.agreement import icc, limits_of_agreement, match_marks

# Bland & Altman (1986), Lancet 327:307-310: peak flow of 17 people, first readings with two
# meters; the readings from memory.
WRIGHT = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
# Shrout & Fleiss (1979), Psychological Bulletin 86:420-428, table 2: six targets, four judges.
JUDGES = [
    [9, 2, 5, 8],
    [6, 1, 3, 2],
    [8, 4, 6, 8],
    [7, 1, 2, 6],
    [10, 5, 6, 9],
    [6, 2, 4, 7],
]


def test_the_limits_of_agreement_are_those_of_bland_and_altman_1986():
    # The paper takes 2 SD. Its printed figures, from memory, follow from the rounded bias -2.1
    # and SD 38.8: -79.7 and 75.5. Held here against full precision.
    found = limits_of_agreement(WRIGHT, MINI, multiple=2)
    assert found.n == 17
    assert found.bias.estimate == pytest.approx(-2.117647, abs=1e-6)
    assert found.sd == pytest.approx(38.76513, abs=1e-5)
    # t is 2.12 there, to two decimals
    assert (found.bias.low, found.bias.high) == pytest.approx((-22.0497, 17.8144), abs=1e-3)
    assert found.lower.estimate == pytest.approx(-79.647907, abs=1e-6)
    assert found.upper.estimate == pytest.approx(75.412613, abs=1e-6)
    assert (found.lower.low, found.lower.high) == pytest.approx((-114.17, -45.12), abs=0.01)
    assert (found.upper.low, found.upper.high) == pytest.approx((40.89, 109.94), abs=0.01)


def test_by_default_the_limits_lie_at_1_96_standard_deviations():
    found = limits_of_agreement(WRIGHT, MINI)
    assert found.lower.estimate == pytest.approx(-78.097302, abs=1e-5)
    assert found.upper.estimate == pytest.approx(73.862007, abs=1e-5)


def test_the_icc_is_that_of_shrout_and_fleiss_1979():
    # Table 4 there: ICC(2,1) .29. The interval 0.02 to 0.76: two decimals of a widely used
    # statistics package's output for these data, from memory.
    found = icc(JUDGES)
    assert found.estimate == pytest.approx(0.29, abs=0.005)
    assert (found.low, found.high) == pytest.approx((0.02, 0.76), abs=0.005)


@given(
    arrays.arrays(np.float64, (8, 2), elements=st.integers(0, 60).map(float)),
    st.integers(0, 30),
)
def test_the_icc_lies_in_its_interval_and_does_not_heed_a_common_shift(table, shift):
    found, shifted = icc(table), icc(table + shift)
    if math.isnan(found.estimate):
        assert math.isnan(shifted.estimate)
        return
    assert found.estimate <= 1 + 1e-9
    assert shifted.estimate == pytest.approx(found.estimate, abs=1e-6)
    if not math.isnan(found.low):
        assert found.low - 1e-9 <= found.estimate <= found.high + 1e-9


def test_a_reviewer_who_counts_one_more_everywhere_agrees_less_than_wholly():
    counts = np.arange(10.0)
    assert icc(np.column_stack([counts, counts])).estimate == 1
    shifted = icc(np.column_stack([counts, counts + 1]))
    # no error is left besides the shift: MSR = 2 var, MSC = n / 2
    assert shifted.estimate == pytest.approx(18.3333 / (18.3333 + 2 * 5 / 10), abs=1e-4)
    assert math.isnan(shifted.low)


@pytest.mark.parametrize("counts", [[], [3]])
def test_too_few_photos_give_no_figures_and_no_error(counts):
    found = limits_of_agreement(counts, counts)
    assert found.n == len(counts)
    assert math.isnan(found.sd)
    assert math.isnan(icc(np.array([counts, counts]).T.reshape(-1, 2)).estimate)


def test_marks_pair_up_so_that_the_distances_sum_least():
    first = [(10.0, 10.0, 8.0, 8.0), (16.0, 10.0, 8.0, 8.0), (90.0, 90.0, 8.0, 8.0)]
    second = [(15.0, 10.0, 8.0, 8.0), (9.0, 10.0, 8.0, 8.0), (50.0, 50.0, 8.0, 8.0)]
    assert sorted(match_marks(first, second)) == [(0, 1), (1, 0)]
    assert match_marks(first, []) == match_marks([], second) == []


@pytest.fixture
def trial(tmp_path: Path) -> Trial:
    """Three photos: alike, one fruit more, and one that only Bo could count."""
    made = draw_trial(tmp_path / "trial", Drawn(plants=3, sides=("a",), size=(400, 300)))
    with made.ledger() as ledger:
        proposals = list(ledger.standing("proposal"))
        for number, entry in enumerate(proposals):
            for name, less, answer in (
                ("Ana", 0, "cannot tell" if number == 2 else "counted"),
                ("Bo", 1 if number == 1 else 0, "counted"),
            ):
                rows = entry.body["candidates"][: 6 - less] if answer == "counted" else []
                marks = [
                    {
                        "mark": row["candidate"],
                        "candidate": row["candidate"],
                        "x": row["x"] + 1,
                        "y": row["y"],
                        "width": row["width"],
                        "height": row["height"],
                        "state": "confirmed",
                        "truss": None,
                        "twin": "",
                        "small": False,
                    }
                    for row in rows
                ]
                body = {
                    "photo": entry.key,
                    "proposal": entry.hash,
                    "sheet": "s",
                    "reviewer": name,
                    "at": "2026-07-02T10:00:00Z",
                    "answer": answer,
                    "count": len(marks),
                    "seconds": 3.0,
                    "clicks": 1,
                    "marks": marks,
                }
                ledger.append("confirmation", f"{entry.key}|{name}", body, by=name)
    return made


def test_two_reviewers_and_the_proposals_are_compared_photo_by_photo(trial: Trial):
    agreement = agree(trial)
    assert [(pair.first, pair.second) for pair in agreement.pairs] == [
        ("Ana", "Bo"),
        ("Ana", PROPOSALS),
        ("Bo", PROPOSALS),
    ]
    pair = agreement.pairs[0]
    assert list(pair.photos["difference"]) == [1, 0]
    assert list(pair.photos["matched"]) == [5, 6]
    assert list(pair.photos["only_first"]) == [1, 0]
    assert len(pair.unanswered) == 1
    assert pair.sentence.startswith("Ana and Bo counted the same 2 photos, 1 alike; on average")
    assert "Ana counts 0.5 fruit more" in pair.sentence
    assert agreement.pairs[2].limits.n == 3


def test_photos_that_differ_go_on_a_sheet_for_a_third_look(trial: Trial):
    agreement = agree(trial)
    assert len(agreement.differing) == 2
    made = third_look(trial, agreement)
    assert made is not None
    assert made.photos == 2
    with trial.ledger() as ledger:
        entry = ledger.get("sheet", made.sheet)
    assert entry is not None
    assert {row["photo"] for row in entry.body["photos"]} == set(agreement.differing)


def test_where_nobody_differs_no_sheet_is_made(trial: Trial):
    agreement = agree(trial, ["Bo"])
    assert [pair.second for pair in agreement.pairs] == [PROPOSALS]
    assert third_look(trial, agreement) is None


def test_a_reviewer_nobody_knows_is_named(trial: Trial):
    with pytest.raises(CorrectionsError, match="Cy has answered nothing; expected Ana, Bo"):
        agree(trial, ["Ana", "Cy"])


def test_a_trial_without_answers_has_no_pairs(tmp_path: Path):
    made = draw_trial(tmp_path / "trial", Drawn(plants=2, sides=("a",)))
    assert agree(made).pairs == ()


def test_the_command_writes_json_with_every_photo(trial: Trial):
    done = CliRunner().invoke(app, ["agree", str(trial.directory), "--json", "-"])
    assert done.exit_code == 0
    result = json.loads(done.stdout)
    assert [pair["n"] for pair in result["pairs"]] == [2, 2, 3]
    assert result["sheet"].endswith(".html")
    assert Path(result["sheet"]).is_file()
