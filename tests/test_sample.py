"""A sample of reviews, an answer for all."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from sheet_trial import draw_trial
from trials import Beds, add_photo, confirm, make_trial

from counting.analysis.methods.difference_estimator import corrected
from counting.analysis.trial import answers
from counting.finding.lesson.alike import expected_as
from counting.ledger.facts import Candidate, Proposal, Sheet, sheets
from counting.plan.trial import Trial
from counting.review.assign import assign
from counting.review.frames import Frame
from counting.review.sampling import draw_sample
from counting.settings import Settings


def test_the_corrected_mean_is_the_difference_estimator() -> None:
    # Cochran (1977) sec. 7.9 with unequal chances: mean of x plus the weighted mean of y - x
    expected = np.array([4.0, 6.0, 5.0, 9.0, 7.0, 3.0])
    reviewed = np.array([5.0, np.nan, 7.0, np.nan, 8.0, np.nan])
    chance = np.array([0.5, 0.5, 0.25, 0.25, 0.5, 1.0])
    found = corrected(expected, reviewed, chance, np.array(["a"] * 6))
    off = np.average([1, 2, 1], weights=[2, 4, 2])
    assert found.values.mean() == pytest.approx(expected.mean() + off)
    assert found.reviewed == {"a": 3}


def test_what_was_reviewed_without_a_draw_stands_for_itself() -> None:
    found = corrected(
        np.array([4.0, 6.0, 5.0, 9.0]),
        np.array([40.0, 7.0, 7.0, np.nan]),
        np.array([1.0, 0.5, 0.5, 1.0]),
        np.array(["a"] * 4),
    )
    assert found.values.sum() == pytest.approx(40 + 6 + 5 + 9 + 3 * 1.5)


def test_it_is_the_prediction_powered_mean_where_all_chances_are_alike() -> None:
    # Angelopoulos et al. (2023) Science 382:669, eq. of the mean: mean of f over all plus the mean
    # of y - f over the labelled
    rng = np.random.default_rng(3)
    truth = rng.poisson(20, 200).astype("float64")
    expected = truth * 0.8 + rng.normal(0, 2, 200)
    reviewed, chance = np.full(200, np.nan), np.full(200, 0.2)
    drawn = rng.permutation(200)[:40]
    reviewed[drawn] = truth[drawn]
    found = corrected(expected, reviewed, chance, np.array(["a"] * 200))
    powered = expected.mean() + (truth[drawn] - expected[drawn]).mean()
    assert found.values.mean() == pytest.approx(powered)


def test_an_estimate_of_a_sample_has_no_bias_and_its_error_is_known() -> None:
    rng = np.random.default_rng(5)
    truth = rng.negative_binomial(5, 0.2, 120).astype("float64")
    expected = np.maximum(0, truth * 0.7 + rng.normal(0, 2, 120))
    means, errors = [], []
    for _ in range(400):
        reviewed, chance = np.full(120, np.nan), np.repeat([0.3, 0.1], 60)
        for part, n in ((np.arange(60), 18), (np.arange(60, 120), 6)):
            drawn = rng.permutation(part)[:n]
            reviewed[drawn] = truth[drawn]
        found = corrected(expected, reviewed, chance, np.array(["a"] * 120))
        means.append(found.values.mean())
        errors.append(found.sampling["a"])
    spread = float(np.std(means))
    assert np.mean(means) == pytest.approx(truth.mean(), abs=4 * spread / 20)
    assert math.sqrt(np.mean(errors)) == pytest.approx(spread, rel=0.25)


def frame(plant: str, group: str) -> Frame:
    return Frame(
        photo=f"photo of {plant}", file="", width=1, height=1, survey="2026-07-01", plant=plant,
        group=group, side="", truss=None, proposal="", candidates=(), shown=frozenset(), flags=(),
        card=(),
    )  # fmt: skip


def test_plants_are_drawn_within_group_and_block_with_their_chances() -> None:
    listed = [
        frame(f"{block}{group}{n}", group) for block in "AB" for group in "xy" for n in range(20)
    ]
    blocks = {each.plant: each.plant[0] for each in listed}
    drawn = draw_sample(listed, blocks, 0.2, seed=1)
    cells = [photo.removeprefix("photo of ")[:2] for photo in drawn]
    assert {cell: cells.count(cell) for cell in set(cells)} == {
        "Ax": 5, "Ay": 5, "Bx": 5, "By": 5,
    }  # fmt: skip
    assert set(drawn.values()) == {0.3, 0.2}
    assert draw_sample(listed, blocks, 0.2, seed=1) == drawn
    assert draw_sample(listed, blocks, 1.0, seed=1).keys() == {each.photo for each in listed}


def test_assign_draws_a_sample_and_the_ledger_keeps_the_chances(tmp_path: Path) -> None:
    trial = draw_trial(tmp_path / "trial")
    done = assign(trial, 1, overlap=0.0, sample=0.5)
    with trial.ledger() as ledger:
        (kept,) = [each for each in sheets(ledger).values() if each.chances]
    assert set(kept.chances) == set(kept.photos)
    assert done.sheets[0].photos == len(kept.photos)


def proposed(trial: Trial, photo: str, count: float) -> None:
    body = {
        "photo": photo, "count": count, "count_low": count - 2, "count_high": count + 2,
        "candidates": [],
    }  # fmt: skip
    with trial.ledger() as ledger:
        ledger.append("proposal", photo, body, by="test")


def review_four_a_plot(
    trial: Trial, photos: dict[str, str], true: dict[str, int], rng: np.random.Generator
) -> dict[str, float]:
    """Draw four of the twelve plants of each plot, count them; return photo to chance."""
    chances = {}
    for _, plot in trial.plants.groupby("plot"):
        for code in rng.permutation(plot["code"])[:4]:
            chances[photos[code]] = 4 / 12
            confirm(trial, photos[code], true[code])
    made = Sheet(sheet="s1", blind=True, photos=dict.fromkeys(chances, ""), chances=chances)
    with trial.ledger() as ledger:
        ledger.add([made], by="test")
    return chances


def test_a_finder_that_errs_by_group_is_corrected_by_the_sample(tmp_path: Path) -> None:
    rng = np.random.default_rng(7)
    trial = make_trial(tmp_path / "t", Beds(blocks=5, plants_per_plot=12))
    true, photos = {}, {}
    for row in trial.plants.to_dict("records"):
        grafted = row["group"] == "grafted"
        true[row["code"]] = int(rng.poisson(26 if grafted else 20))
        seen = true[row["code"]] * (0.7 if grafted else 0.95)
        photos[row["code"]] = add_photo(trial, row["code"])
        proposed(trial, photos[row["code"]], float(seen + rng.normal(0, 0.8)))
    review_four_a_plot(trial, photos, true, rng)
    (found,) = answers(trial, include_unreviewed=True)
    (contrast,) = found.comparisons
    assert contrast.ratio.method is not None
    assert "difference estimator" in contrast.ratio.method
    assert (contrast.ratio.low or 0) < 1.3 < (contrast.ratio.high or 0)
    assert (contrast.ratio.low or 0) > 0.7 * 1.3 / 0.95
    for group in found.groups:
        codes = trial.plants.loc[trial.plants["group"] == group.group, "code"]
        mean = np.mean([true[code] for code in codes])
        assert group.mean == pytest.approx(mean, rel=0.05)
    assert found.cautions[0].startswith("40 of 120 plants were drawn by lot and reviewed")
    assert "Reviewing as many again would narrow the interval" in found.cautions[0]


def told(photo: str, odds: np.ndarray, settings: Settings) -> Proposal:
    """Return what the finder proposes for candidates of these log-odds as shipped."""
    chances = 1 / (1 + np.exp(-(settings.slope * odds + settings.offset)))
    candidates = tuple(
        Candidate(number, 50.0 * number, 50.0, 30.0, 30.0, round(float(chance), 4))
        for number, chance in enumerate(chances)
        if chance >= settings.floor
    )
    made = Proposal(photo, candidates, settings, stages=settings.stages)
    return replace(made, count=round(expected_as(made, settings), 2))


def test_a_lesson_learnt_after_the_sample_was_reviewed_leaves_the_answer_right(
    tmp_path: Path,
) -> None:
    rng = np.random.default_rng(8)
    trial = make_trial(tmp_path / "t", Beds(blocks=5, plants_per_plot=12))
    shipped = Settings(stages=("colour",), threshold=0.5)
    lesson = replace(shipped, offset=-1.5, fruit_spread=0.8, lesson="0123456789ab")
    true, photos, odds = {}, {}, {}
    for code in trial.plants["code"]:
        odds[code] = rng.normal(0, 2.5, 40)
        true[code] = int((rng.random(40) < 1 / (1 + np.exp(-(odds[code] - 1.5)))).sum())
        photos[code] = add_photo(trial, code)
        with trial.ledger() as ledger:
            ledger.add([told(photos[code], odds[code], shipped)], by="test")
    chances = review_four_a_plot(trial, photos, true, rng)
    with trial.ledger() as ledger:
        again = [told(photos[c], odds[c], lesson) for c in true if photos[c] not in chances]
        ledger.add(again, by="test")
    (found,) = answers(trial, include_unreviewed=True)
    for group in found.groups:
        codes = trial.plants.loc[trial.plants["group"] == group.group, "code"]
        mean = np.mean([true[code] for code in codes])
        assert group.mean == pytest.approx(mean, rel=0.06)


def test_a_count_read_as_the_same_settings_tell_it_stays() -> None:
    odds = np.random.default_rng(2).normal(0, 2, 25)
    shipped = Settings(stages=("colour",), threshold=0.5)
    for settings in (shipped, replace(shipped, slope=1.3, offset=-2.0, threshold=0.3)):
        made, plain = told("a", odds, settings), told("a", odds, shipped)
        assert expected_as(plain, settings) == pytest.approx(made.count, abs=0.05)
        assert expected_as(made, shipped) == pytest.approx(plain.count, abs=0.05)
    assert expected_as(told("a", odds - 9, shipped), shipped) == 0.0
