"""Photo counts against true counts."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from commanded import counting
from hypothesis import given, settings
from hypothesis import strategies as st
from references import data, expected
from trials import SURVEY as DAY
from trials import Beds, add_photo, confirm, make_trial
from tries import tries

from counting.analysis.calibrate import calibrate_table, with_true_counts
from counting.analysis.compare import compare
from counting.analysis.methods.double_sampling import (
    line,
    ratio_total,
    regression_total,
    share_seen,
)
from counting.analysis.question import Question
from counting.records.tallies import take_tallies
from counting.tables import OBSERVATIONS, frame


def pairs(name: str, photo: str, true: str) -> tuple[np.ndarray, np.ndarray]:
    example = data(name)
    return np.array(example[photo], "float64"), np.array(example[true], "float64")


def test_dead_trees_on_photographs_have_lohrs_published_estimates() -> None:
    # Lohr, Sampling: Design and Analysis, ch. 4: regression mean 11.99 (total 1199), SE 0.41
    # against 0.52 of the plain mean. Her SE divides by n - 1 (0.4080); here by n - 2 (0.4168).
    photo, true = pairs("lohr-deadtrees", "photo", "field")
    published = expected("lohr-deadtrees")
    fit = line(photo, true)
    assert fit.intercept == pytest.approx(published["intercept"], abs=1e-6)
    assert fit.slope == pytest.approx(published["slope"], abs=1e-6)
    assert fit.correlation == pytest.approx(published["r"], abs=1e-6)
    regression = regression_total(photo, true, 11.3, 100)
    assert regression.total == pytest.approx(published["regression_total"], abs=1e-3)
    assert regression.se == pytest.approx(100 * published["se_reg_divisor_n_minus_2"], abs=1e-4)
    assert (regression.se or 0) * math.sqrt(23 / 24) == pytest.approx(
        100 * published["se_reg_divisor_n_minus_1"], abs=1e-4
    )
    ratio = ratio_total(photo, true, 11.3, 100)
    assert ratio.mean == pytest.approx(published["ratio_mean"], abs=1e-6)
    assert ratio.se == pytest.approx(100 * published["se_ratio"][0], abs=1e-4)


def test_firs_on_photographs_have_the_published_total_and_bound() -> None:
    # Scheaffer, Mendenhall & Ott (1986) Elementary Survey Sampling, exercise 6.9: 5492.31 +- 428.44
    photo, true = pairs("scheaffer-firs", "photo", "ground")
    found = ratio_total(photo, true, 4200 / 200, 200)
    published = expected("scheaffer-firs")
    assert found.total == pytest.approx(published["total"], abs=1e-3)
    assert 2 * (found.se or 0) == pytest.approx(published["bound_2se"], abs=1e-3)


def test_peaches_judged_by_eye_have_the_totals_of_the_exercise() -> None:
    # Cochran (1977) Sampling Techniques, exercises 6.1 and 7.1 (data from memory)
    eye, actual = pairs("cochran-peaches", "eye_estimate", "actual")
    published = expected("cochran-peaches")
    ratio = ratio_total(eye, actual, 58.0, 200)
    assert ratio.total == pytest.approx(published["ratio_total"], abs=1e-2)
    assert ratio.se == pytest.approx(published["se_ratio"], abs=1e-2)
    regression = regression_total(eye, actual, 58.0, 200)
    assert regression.total == pytest.approx(published["regression_total"], abs=1e-2)
    assert regression.se == pytest.approx(published["se_regression"], abs=1e-2)


def test_in_a_census_both_estimators_hit_the_truth_and_their_intervals_cover_it() -> None:
    # 80 units counted both ways (Barrett & Nutt 1979): 4000 samples of 20
    photo, true = pairs("photocounts-census", "photo", "field")
    rng = np.random.default_rng(2)
    found = []
    for _ in range(4000):
        pick = rng.permutation(80)[:20]
        regression = regression_total(photo[pick], true[pick], float(photo.mean()), 80)
        ratio = ratio_total(photo[pick], true[pick], float(photo.mean()), 80)
        found.append([regression.mean, regression.low, regression.high, ratio.mean, ratio.low,
                      ratio.high])  # fmt: skip
    figures = np.array(found, "float64")
    published = expected("photocounts-census")["sim_n20"]
    assert figures[:, 0].std() == pytest.approx(published["reg_sd"], rel=0.03)
    assert figures[:, 3].std() == pytest.approx(published["ratio_sd"], rel=0.03)
    assert figures[:, 0].mean() == pytest.approx(published["reg_mean"], abs=0.02)
    for column in (1, 4):
        inside = (figures[:, column] <= 765) & (figures[:, column + 1] >= 765)
        assert inside.mean() == pytest.approx(0.95, abs=0.01)


def test_the_share_seen_is_fruit_on_photos_over_true_fruit() -> None:
    # mango, one photo each side: 1322 of 3286 fruit (Wang et al. 2019, Sensors 19:2742)
    assert share_seen(np.array([1322.0]), np.array([3286.0])).share == pytest.approx(
        0.402, abs=5e-4
    )


SURVEY = "2026-08-01"


def trial(
    share: tuple[float, float] = (0.6, 0.6),
    *,
    plants: int = 24,
    handed: int = 12,
    means: tuple[float, float] = (20.0, 20.0),
    seed: int = 1,
) -> pd.DataFrame:
    """An invented trial of two groups: all plants photographed, some counted by hand as well."""
    rng = np.random.default_rng(seed)
    rows = []
    for group, seen, mean in zip(("own-rooted", "grafted"), share, means, strict=True):
        for plant in range(plants):
            true = rng.poisson(mean * rng.gamma(8, 1 / 8))
            base = {
                "survey": SURVEY,
                "plant": f"{group}{plant}",
                "measure": "fruit",
                "unit": "count",
                "group": group,
            }
            rows.append({**base, "source": "photo", "value": rng.binomial(true, seen)})
            if plant < handed:
                rows.append({**base, "source": "tally", "value": true})
    return frame(rows, OBSERVATIONS)


QUESTION = Question("fruit", control="own-rooted")


def test_leaves_that_hide_more_in_one_group_are_named_in_the_first_line() -> None:
    table = trial((0.7, 0.4))
    found = calibrate_table(table, QUESTION)
    assert found is not None
    assert found.warning.startswith("Photos show ")
    assert "of the fruit of grafted plants" in found.warning
    # the photo counts alone would say that grafting costs fruit; in truth there is no difference
    photo = compare(table, Question("fruit", control="own-rooted", source="photo"))
    assert (photo.comparisons[0].ratio.high or 1) < 1
    assert found.comparison is not None
    contrast = found.comparison.comparisons[0]
    assert (contrast.ratio.low or 0) < 1 < (contrast.ratio.high or 0)
    assert "This includes the fruit that photos do not show." in found.comparison.sentence
    told = with_true_counts(photo, table, QUESTION)
    assert told.cautions[0] == found.warning


def test_a_share_that_is_not_known_to_differ_is_not_called_the_same() -> None:
    found = calibrate_table(trial(), QUESTION)
    assert found is not None
    assert found.warning == ""
    assert any("not known to differ" in text and "but may" in text for text in found.cautions)


def test_true_totals_are_of_all_plants_of_the_group() -> None:
    table = trial((0.5, 0.5))
    found = calibrate_table(table, QUESTION)
    assert found is not None
    for cell in found.cells:
        assert (cell.plants, cell.n) == (24, 12)
        assert cell.ratio.total == pytest.approx((cell.photo_mean or 0) / (cell.share or 1) * 24)
        assert (cell.ratio.low or 0) < (cell.ratio.total or 0) < (cell.ratio.high or 0)


def test_without_hand_counts_in_a_group_nothing_is_corrected_and_it_says_why() -> None:
    table = trial()
    table = table[~((table["group"] == "grafted") & (table["source"] == "tally"))]
    found = calibrate_table(table, QUESTION)
    assert found is not None
    assert found.comparison is None
    assert any("not known for grafted" in text for text in found.cautions)
    assert calibrate_table(table[table["source"] == "photo"], QUESTION) is None


def test_photo_counts_that_miss_nothing_change_nothing() -> None:
    table = trial((1.0, 1.0))
    found = calibrate_table(table, QUESTION)
    assert found is not None
    assert found.comparison is not None
    contrast = found.comparison.comparisons[0]
    assert contrast.share_ratio.value == pytest.approx(1)
    assert contrast.ratio.value == pytest.approx(contrast.photo_ratio)
    json.dumps(found.to_json(), allow_nan=False)


def test_the_error_of_the_formula_is_that_of_the_bootstrap() -> None:
    table = trial((0.7, 0.5), plants=60, handed=30, seed=7)
    found = calibrate_table(table, QUESTION)
    assert found is not None
    assert found.comparison is not None
    contrast = found.comparison.comparisons[0]
    photo = table[table["source"] == "photo"].set_index("plant")
    true = table[table["source"] == "tally"].set_index("plant")["value"]
    rng = np.random.default_rng(3)
    logs = []
    for group in ("own-rooted", "grafted"):
        rows = photo[photo["group"] == group]
        picks = rng.integers(0, len(rows), (4000, len(rows)))
        seen = rows["value"].to_numpy()[picks]
        by_hand = true.reindex(rows.index).to_numpy()[picks]
        both = np.isfinite(by_hand)
        factor = np.where(both, by_hand, 0).sum(axis=1) / np.where(both, seen, 0).sum(axis=1)
        logs.append(np.log(seen.mean(axis=1) * factor))
    assert contrast.ratio.se == pytest.approx(float(np.std(logs[1] - logs[0])), rel=0.1)


@pytest.mark.slow
def test_the_interval_of_the_true_ratio_covers_it() -> None:
    inside = 0
    trials = tries(80, 200)
    asked = replace(QUESTION, draws=1)
    for seed in range(trials):
        table = trial((0.7, 0.4), means=(20.0, 26.0), plants=20, handed=8, seed=seed)
        found = calibrate_table(table, asked)
        assert found is not None
        assert found.comparison is not None
        contrast = found.comparison.comparisons[0]
        inside += (contrast.ratio.low or 0) <= 1.3 <= (contrast.ratio.high or 0)
    # two standard errors: 0.03 of 200 trials
    error = 2 * math.sqrt(0.95 * 0.05 / trials)
    assert inside / trials == pytest.approx(0.95, abs=error)


@settings(deadline=None, max_examples=40)
@given(
    st.lists(st.tuples(st.integers(0, 40), st.integers(0, 60)), max_size=8),
    st.lists(st.tuples(st.integers(0, 40), st.integers(0, 60)), max_size=8),
)
def test_any_counts_give_figures_without_nan(
    first: list[tuple[int, int]], second: list[tuple[int, int]]
) -> None:
    rows = [
        {"survey": SURVEY, "plant": f"{group}{number}", "measure": "fruit",
         "value": float(value), "unit": "count", "source": source, "group": group}
        for group, counted in (("own-rooted", first), ("grafted", second))
        for number, both in enumerate(counted)
        for source, value in zip(("photo", "tally"), both, strict=True)
    ]  # fmt: skip
    if not rows:
        return
    found = calibrate_table(frame(rows, OBSERVATIONS), QUESTION)
    if found is not None:
        json.dumps(found.to_json(), allow_nan=False)


def test_no_true_total_is_less_than_nothing_or_than_what_was_counted_by_hand(
    tmp_path: Path,
) -> None:
    trial = make_trial(tmp_path / "trial", Beds(blocks=4, plants_per_plot=5))
    by_hand = {"own-rooted": [9, 1, 5], "grafted": [1, 30, 2]}
    lines = []
    for group, codes in trial.plants.groupby("group")["code"]:
        for number, code in enumerate(codes):
            confirm(trial, add_photo(trial, code), (1, 9, 4, 20)[number % 4])
            if number < 3:
                lines.append(f"{DAY},{code},{by_hand[group][number]}")
    path = tmp_path / "tally.csv"
    path.write_text("\n".join(["survey,plant,fruit", *lines]) + "\n", encoding="utf-8")
    take_tallies(trial, [path])
    done = counting("calibrate", trial.directory)
    assert done.code == 0, done.err
    assert "(-" not in done.out
    assert " -" not in done.out.split("Before you believe it")[0].replace(" - ", " ")
    cells = json.loads(counting("calibrate", trial.directory, "--json", "-").out)["cells"]
    for cell in cells:
        known = sum(by_hand[cell["group"]])
        for way in ("ratio", "regression"):
            total = cell[way]
            assert total["total"] is None or known <= total["low"] <= total["total"]


def test_true_counts_of_several_groups_are_adjusted_for_their_number() -> None:
    groups = ("own-rooted", "grafted", "pruned", "mulched")
    first = trial(plants=16, handed=8, seed=4)
    parts = [first]
    for place, name in enumerate(groups[2:], start=5):
        more = trial(plants=16, handed=8, seed=place)
        mine = more[more["group"] == "grafted"].assign(group=name)
        parts.append(mine.assign(plant=mine["plant"].str.replace("grafted", name)))
    table = pd.concat(parts, ignore_index=True)
    asked = Question("fruit", control="own-rooted", groups=groups, source="photo", draws=1)
    found = with_true_counts(compare(table, asked), table, asked)
    assert {each.basis for each in found.comparisons} == {"true counts"}
    # by their joint distribution: never under a group's own, never over three times as much
    for each in found.comparisons:
        own, told = each.headline().p or 0, each.p_told() or 0
        assert own <= told <= min(1.0, 3 * own) + 1e-6


def test_more_fruit_on_photos_than_by_hand_is_said_so_with_the_share() -> None:
    table = trial()
    photo = (table["source"] == "photo") & (table["group"] == "grafted")
    table = table.assign(value=table["value"].where(~photo, 3 * table["value"]))
    found = calibrate_table(table, QUESTION)
    assert found is not None
    (cell,) = [each for each in found.cells if each.group == "grafted"]
    assert (cell.share or 0) > 1
    said = [text for text in found.cautions if "fewer fruit were counted by hand" in text]
    assert len(said) == 1
    assert "grafted" in said[0]
    assert f"share seen {100 * (cell.share or 0):.0f} %" in said[0]
