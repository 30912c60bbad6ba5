"""The sentence and the cautions, as a grower reads them."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from counting.analysis.compare import compare
from counting.analysis.data.selection import select
from counting.analysis.data.units import to_units
from counting.analysis.estimates import Cluster, Estimate
from counting.analysis.question import Question
from counting.analysis.result import Comparison, Contrast
from counting.analysis.trial import _holm
from counting.analysis.words.cautions import about_clusters, about_verdicts
from counting.analysis.words.phrases import number, percent, plants_of
from counting.analysis.words.sentence import worded


def answer(**question: object) -> Comparison:
    """An invented trial: 24 plants in 4 blocks, one by one."""
    rng = np.random.default_rng(12)
    rows = [
        {"value": int(value), "group": group, "block": str(block)}
        for block in range(4)
        for group, mean in (("own-rooted", 20), ("grafted", 27))
        for value in rng.poisson(mean, 3)
    ]
    asked = Question("fruit", control="own-rooted", allotted_to="plant")
    return compare(pd.DataFrame(rows), replace(asked, **question))  # type: ignore[arg-type]


def with_ratio(ratio: float, low: float, high: float, p: float) -> str:
    found = answer()
    contrast = replace(found.comparisons[0], ratio=Estimate(ratio, low, high, p), detectable=0.3)
    return worded(replace(found, comparisons=(contrast,))).sentence


def test_a_difference_that_stands_is_told_with_its_interval_and_the_size_of_the_trial() -> None:
    assert with_ratio(1.31, 1.09, 1.58, 0.01) == (
        "Grafted plants carried 31 % more fruit (between 9 % and 58 %) than own-rooted plants, "
        "24 plants in 4 blocks."
    )


def test_fewer_is_told_with_the_smaller_end_first() -> None:
    assert with_ratio(0.76, 0.64, 0.9, 0.01) == (
        "Grafted plants carried 24 % fewer fruit (between 10 % and 36 %) than own-rooted plants, "
        "24 plants in 4 blocks."
    )


def test_what_could_not_be_told_comes_with_what_could_have_been_found() -> None:
    assert with_ratio(1.12, 0.92, 1.36, 0.3) == (
        "This trial could not tell whether grafted plants carry more or fewer fruit than "
        "own-rooted plants: 12 % more (between 8 % fewer and 36 % more), 24 plants in 4 blocks. "
        "With 8 chances in 10 it would have found 30 % more or 23 % fewer."
    )


def test_the_words_significant_and_no_effect_do_not_occur() -> None:
    text = with_ratio(1.12, 0.92, 1.36, 0.3) + with_ratio(1.31, 1.09, 1.58, 0.01)
    assert not re.search(r"significan|no effect|prove[sd]? that", text)


def test_a_trial_that_only_sees_much_says_so_in_times() -> None:
    found = answer()
    contrast = replace(found.comparisons[0], ratio=Estimate(1.5, 0.7, 3.2, 0.2), detectable=1.6)
    assert worded(replace(found, comparisons=(contrast,))).sentence.endswith(
        "With 8 chances in 10 it would have found 2.6 times as many or 62 % fewer, nothing smaller."
    )


def test_what_a_measure_could_have_shown_is_told_in_its_unit() -> None:
    table = pd.DataFrame({"value": [1200, 1350, 1190, 1320, 1210, 1380], "group": list("aaabbb")})
    found = compare(table, Question("height", control="a"))
    assert re.search(r"it would have found a difference of \d+ mm\.$", found.sentence)
    wild = pd.DataFrame({"value": [0, 90, 10, 80, 0.5, 95], "group": list("aaabbb")})
    found = compare(wild, Question("disease", control="a"))
    assert "and 100 percentage points higher" in found.sentence
    assert found.sentence.endswith("It was too small to find any difference.")


def with_p(contrast: Contrast, ratio: float, difference: float, lots: float) -> Contrast:
    return replace(
        contrast,
        ratio=replace(contrast.ratio, p=ratio),
        difference=replace(contrast.difference, p=difference),
        randomisation=replace(contrast.randomisation, p=lots),
    )


def test_analyses_that_differ_are_named_with_the_one_that_the_answer_rests_on() -> None:
    table = pd.DataFrame(
        {"value": [11, 20, 9, 25, 20, 22, 30, 24, 41, 38], "group": list("aaaaabbbbb")}
    )
    found = compare(table, Question("fruit", control="a"))
    base = found.comparisons[0]
    for ratio_p, others_p, order in (
        (0.08, 0.03, "the difference of means (p 0.030) and the lots drawn again (p 0.030) tell a "
                     "difference and the ratio (p 0.080) does not"),
        (0.03, 0.08, "the ratio (p 0.030) tells a difference and the difference of means (p 0.080)"
                     " and the lots drawn again (p 0.080) do not"),
    ):  # fmt: skip
        contrast = with_p(base, ratio_p, others_p, others_p)
        (line,) = about_verdicts((contrast,), 0.05, blocked=False)
        assert line.startswith(f"For plants of group b {order}. They ask different things: ")
        assert "The answer rests on the ratio, named beforehand" in line
        assert line.endswith("do not choose among them by their p.")
        assert "\n" not in line
    agreed = with_p(base, 0.03, 0.02, 0.04)
    assert about_verdicts((agreed,), 0.05, blocked=False) == []


def test_analyses_of_a_real_table_that_differ_are_named_in_its_cautions() -> None:
    table = pd.DataFrame(
        {
            "value": [300, 360, 90, 120, 190, 250, 40, 60],
            "group": list("abababab"),
            "block": list("11223344"),
        }
    )
    found = compare(table, Question(control="a"))
    (contrast,) = found.comparisons
    assert (contrast.ratio.p or 1) < 0.05 < (contrast.difference.p or 0)
    (line,) = [text for text in found.cautions if "ask different things" in text]
    assert "and leaves the blocks out" in line
    # four pairs cannot give less than 2 / 16: no verdict of the lots
    assert "lots" not in line


def test_a_test_of_the_lots_that_could_find_nothing_has_no_verdict() -> None:
    table = pd.DataFrame({"value": [4, 5, 6, 24, 25, 26], "group": list("aaabbb")})
    found = compare(table, Question("fruit", control="a"))
    assert found.comparisons[0].randomisation.p == pytest.approx(0.1)
    assert not any("ask different things" in text for text in found.cautions)


@pytest.mark.parametrize(("effect", "words"), [(1.05, "hardly more alike"), (2.4, "2.4 times as")])
def test_plants_of_a_plot_are_called_alike_only_where_they_are(effect: float, words: str) -> None:
    units = to_units(
        select(
            pd.DataFrame({"value": [4, 5, 6, 7], "group": list("aabb"), "plot": list("1234")}),
            Question("fruit", control="a"),
        ),
        "plot",
    )
    (text,) = about_clusters(units, Cluster((effect - 1) / 4, effect, 5.0))
    assert words in text


def test_a_further_measure_that_fails_among_many_is_not_told_as_found() -> None:
    table = pd.DataFrame({"value": [5.0, 6, 7, 8, 9, 10], "group": list("aaabbb")})
    found = compare(table, Question("height", kind="length", unit="mm", control="a"))
    assert found.sentence.startswith("Height was 3 mm higher")
    others = _holm([found, replace(found), replace(found)])
    assert others[0].comparisons[0].adjustment == "Holm"
    assert others[0].sentence.startswith("This trial could not tell")
    assert "not among so many comparisons" in others[0].sentence


def test_a_measure_is_told_in_its_unit() -> None:
    table = pd.DataFrame(
        {
            "value": [1200, 1250, 1190, 1320, 1410, 1380],
            "group": ["own-rooted"] * 3 + ["grafted"] * 3,
        }
    )
    found = compare(table, Question("height", control="own-rooted"))
    assert found.sentence.startswith("Height was 157 mm higher (between ")
    assert found.sentence.endswith(" mm) in grafted plants than in own-rooted plants, 6 plants.")


def test_percent_of_leaf_area_differs_by_percentage_points() -> None:
    table = pd.DataFrame({"value": [10.5, 12, 11, 20, 22, 21.5], "group": list("aaabbb")})
    found = compare(table, Question("disease", control="a"))
    assert "10 percentage points higher" in found.sentence


def test_grades_are_told_as_pairs() -> None:
    table = pd.DataFrame(
        {"value": [1, 2] * 10 + [3, 4] * 9 + [1, 2], "group": ["a"] * 20 + ["b"] * 20}
    )
    found = compare(table, Question("vigour", control="a"))
    assert "had a higher grade of vigour" in found.sentence
    assert "of pairs, ties counted half" in found.sentence


def test_fruit_per_truss_is_called_so() -> None:
    table = pd.DataFrame(
        {"value": [10, 21, 12, 40, 66, 48], "group": list("aaabbb"), "exposure": [2, 4, 3, 4, 6, 4]}
    )
    found = compare(table, Question("fruit", per="trusses", control="a"))
    assert "fruit per truss" in found.sentence


def test_a_column_of_any_table_is_called_by_its_name() -> None:
    table = pd.DataFrame({"value": [14, 16, 15, 2, 3, 1], "group": list("AAACCC")})
    found = compare(table, Question("insects", control="A"))
    assert found.sentence.startswith("Insects was 87 % lower (between")


def test_a_group_without_any_fruit_is_told_in_fruit() -> None:
    table = pd.DataFrame({"value": [0, 0, 0, 4, 5, 6], "group": list("aaabbb")})
    found = compare(table, Question("fruit", control="a"))
    assert "on average 5 more (p 0.10 by the lots drawn again)" in found.sentence
    assert "a ratio cannot be given" in found.sentence


def test_each_of_several_groups_gets_its_sentence() -> None:
    rng = np.random.default_rng(5)
    table = pd.DataFrame({"value": rng.poisson(20, 30), "group": list("abc") * 10})
    found = compare(table, Question("fruit", control="a"))
    assert len(found.comparisons) == 2
    assert found.sentence == " ".join(contrast.sentence for contrast in found.comparisons)
    assert found.sentence.count("20 plants") == 2


def test_groups_are_named_as_a_grower_would() -> None:
    assert plants_of("grafted") == "grafted plants"
    assert plants_of("own-rooted") == "own-rooted plants"
    assert plants_of("A") == "plants of group A"
    assert plants_of("trt1") == "plants of group trt1"
    assert plants_of("grafted vines") == "grafted vines"


def test_numbers_are_short() -> None:
    assert [percent(share) for share in (0.312, -0.24, 0.004, 0)] == [
        "31 %",
        "24 %",
        "0.4 %",
        "0 %",
    ]
    assert [number(value) for value in (0, 1234.5, 0.00012345, 12.345)] == [
        "0", "1234", "0.000123", "12.3"]  # fmt: skip


@settings(deadline=None)
@given(st.floats(-1e9, 1e9, allow_nan=False), st.integers(1, 6))
def test_a_number_in_words_has_no_exponent_and_is_near(value: float, digits: int) -> None:
    text = number(value, digits)
    assert "e" not in text
    assert float(text) == pytest.approx(value, rel=10 ** (1 - digits), abs=1e-6)


def test_every_caution_is_a_sentence() -> None:
    found = answer(above=20)
    assert found.cautions
    for text in found.cautions:
        assert re.match(r"[A-Z0-9]", text)
        assert text.endswith(".")


def test_one_season_at_one_place_is_always_said() -> None:
    assert any("in this season" in text for text in answer().cautions)


def test_photo_counts_are_called_what_they_are() -> None:
    table = pd.DataFrame({"value": [4, 5, 6, 7], "group": list("aabb"), "source": "photo"})
    found = compare(table, Question("fruit", control="a"))
    assert any("fruit that can be seen" in text for text in found.cautions)


def test_counters_who_each_counted_one_group_are_named_as_a_trouble() -> None:
    table = pd.DataFrame(
        {"value": [4, 5, 6, 7], "group": list("aabb"), "by": ["one", "one", "two", "two"]}
    )
    found = compare(table, Question("fruit", control="a"))
    assert any("No one counted all groups" in text for text in found.cautions)
    crossed = table.assign(by=["one", "two", "one", "two"])
    found = compare(crossed, Question("fruit", control="a"))
    assert not any("No one counted all groups" in text for text in found.cautions)


def test_a_name_with_a_comma_is_one_person_in_a_file_too() -> None:
    table = pd.DataFrame(
        {"value": [4, 5, 6, 7], "group": list("aabb"), "by": ["Kim, J.", "Kim, J.", "Kim", "J."]}
    )
    found = compare(table, Question("fruit", control="a"))
    assert any("No one counted all groups" in text for text in found.cautions)
    table = table.assign(by=["Kim, J.; Ana", "Kim, J.", "Ana", "Ana"])
    found = compare(table, Question("fruit", control="a"))
    assert not any("No one counted all groups" in text for text in found.cautions)


def test_groups_counted_on_different_days_are_named_as_a_trouble() -> None:
    days = ["2026-08-01T08:00:00+00:00"] * 2 + ["2026-08-04T08:00:00+00:00"] * 2
    table = pd.DataFrame({"value": [4, 5, 6, 7], "group": list("aabb"), "at": days})
    found = compare(table, Question("fruit", control="a"))
    assert any("different days" in text for text in found.cautions)
