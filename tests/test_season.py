"""The season's answer: one headline, right whatever the table, the looks and the groups."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from counting.analysis.calibrate import with_true_counts
from counting.analysis.compare import compare
from counting.analysis.methods.differences import joint_quantile
from counting.analysis.methods.double_sampling import share_seen
from counting.analysis.question import Question
from counting.analysis.result import Missing
from counting.analysis.trial import _holm
from counting.analysis.words.phrases import percent
from counting.analysis.words.sentence import worded
from counting.analysis.words.short import each_in_short, in_short
from counting.cli import app
from counting.errors import AnalysisError, CountingError
from counting.report.tables import _others_told
from counting.report.words import answer_parts

runner = CliRunner()


def as_json(*arguments: object) -> Any:
    words = [*map(str, arguments), "--json", "-"]
    done = runner.invoke(app, words, catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def refused(*arguments: object) -> str:
    with pytest.raises(CountingError) as error:
        runner.invoke(app, [str(each) for each in arguments], catch_exceptions=False)
    return str(error.value)


def written(path: Path, table: pd.DataFrame) -> Path:
    table.to_csv(path, index=False)
    return path


def heights(seed: int = 5) -> pd.DataFrame:
    """Eight blocks far apart, and a group 35 mm higher in each."""
    rng = np.random.default_rng(seed)
    block = np.repeat(np.arange(8), 2)
    group = np.tile(["a", "b"], 8)
    value = 1000 + 90.0 * block + np.where(group == "b", 35.0, 0.0) + rng.normal(0, 8, 16)
    return pd.DataFrame({"value": value, "group": group, "block": block.astype(str)})


def test_holm_adjusts_the_p_that_the_sentence_rests_on() -> None:
    asked = Question("height", kind="length", unit="mm", control="a", allotted_to="plant")
    found = compare(heights(), asked)
    (contrast,) = found.comparisons
    assert (contrast.within_blocks.p or 1) < 0.001 < 0.05 < (contrast.difference.p or 0)
    adjusted = _holm([found, found])[0]
    (row,) = adjusted.to_json()["comparisons"]
    assert row["verdict" if "verdict" in row else "headline"]["verdict"] == "more"
    assert row["p_adjusted"] == pytest.approx(2 * (contrast.within_blocks.p or 1))
    assert adjusted.sentence.startswith("Height was ")


def test_the_headline_holds_figures_method_and_verdict() -> None:
    table = pd.DataFrame({"value": [10, 12, 11, 30, 28, 31], "group": list("aaabbb")})
    (row,) = compare(table, Question("fruit", control="a")).to_json()["comparisons"]
    assert set(row["headline"]) == {
        "estimate", "low", "high", "low_joint", "high_joint", "p", "p_adjusted", "method",
        "verdict", "se", "df",
    }  # fmt: skip
    assert row["headline"]["estimate"] == row["ratio"]
    assert row["headline"]["low_joint"] == row["headline"]["low"]
    assert row["headline"]["verdict"] == "more"


def test_the_joint_interval_of_one_common_variance_is_dunnetts() -> None:
    # PlantGrowth: -1.0215 to 0.2795 and -0.1565 to 1.1445 (R's multcomp, see references)
    from references import expected

    published = expected("dunnett-plantgrowth")
    se = np.array(published["estimates"]) / np.array(published["t"])
    reach = joint_quantile(np.array([[2.0, 1.0], [1.0, 2.0]]), 27, 0.95, seed=1)
    ends = np.array(published["estimates"])[:, None] + np.outer(se, [-reach, reach])
    assert ends == pytest.approx(np.array(published["ci95"]), abs=2e-3)


def test_of_several_groups_the_joint_interval_and_p_say_the_same() -> None:
    # the published analysis tells neither treatment from the control (Dobson 1983; R's example)
    from references import dataset

    table = dataset("datasets", "PlantGrowth", "weight", "group")
    found = compare(table, Question("weight", control="ctrl")).to_json()
    heads = [each["headline"] for each in found["comparisons"]]
    assert {each["verdict"] for each in heads} == {"could not tell"}
    for each in heads:
        assert each["low_joint"] < 0 < each["high_joint"]
        assert each["low_joint"] < each["low"]
        assert each["p"] < each["p_adjusted"]


def test_one_bed_for_each_group_given_as_block_tests_nothing(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    table = pd.DataFrame(
        {
            "y": np.concatenate([rng.poisson(12, 12), rng.poisson(20, 12)]),
            "g": ["a"] * 12 + ["b"] * 12,
            "bed": ["north"] * 12 + ["south"] * 12,
        }
    )
    path = written(tmp_path / "beds.csv", table)
    found = as_json("compare", "--csv", path, "--value", "y", "--group", "g", "--block", "bed")
    (row,) = found["comparisons"]
    assert not found["replicated"]
    assert row["headline"]["p"] is None
    assert row["headline"]["verdict"] == "could not tell"
    assert "with one block for each group" in found["sentence"]


def test_several_beds_of_one_group_each_are_the_units(tmp_path: Path) -> None:
    table = pd.DataFrame(
        {
            "y": range(24),
            "g": list("ab") * 12,
            "bed": [f"{'ab'[n % 2]}{n % 6}" for n in range(24)],
        }
    )
    path = written(tmp_path / "beds.csv", table)
    found = as_json("compare", "--csv", path, "--value", "y", "--group", "g", "--block", "bed")
    assert found["unit_of_analysis"] == "block"
    assert [group["n"] for group in found["groups"]] == [3, 3]


@pytest.mark.parametrize(
    ("column", "words"),
    [
        ("plant", "say --plant plant"),
        ("plot", "say --plot plot"),
        ("survey", "rounds at which every group was seen"),
        ("label", "if these are plants say --plant label"),
    ],
)
def test_rows_that_repeat_plants_are_not_tested(tmp_path: Path, column: str, words: str) -> None:
    rng = np.random.default_rng(4)
    group = np.repeat(["a", "b"], 36)
    name = [f"p{n // 4}" for n in range(72)]
    if column == "survey":
        name = ["2026-07-01", "2026-07-08"] * 36
    table = pd.DataFrame({"y": rng.poisson(10, 72), "g": group, column: name})
    path = written(tmp_path / "long.csv", table)
    words_of = ("compare", "--csv", path, "--value", "y", "--group", "g")
    found = as_json(*words_of)
    assert found["comparisons"][0]["headline"]["p"] is None
    assert words in found["cautions"][0]
    assert words in found["sentence"]
    if column == "plant":
        told = as_json(*words_of, "--plant", "plant")
        assert told["replicated"]
        assert told["plants"] == 18


def test_rows_that_repeat_nothing_are_plants(tmp_path: Path) -> None:
    table = pd.DataFrame(
        {
            "tree": [f"t{n}" for n in range(12)],
            "y": range(12),
            "g": list("ab") * 6,
            "row": [1, 2, 3] * 4,
            "girth": [30, 31, 32, 33, 34, 35, 36, 37, 38, 39, 40, 41],
        }
    )
    path = written(tmp_path / "trees.csv", table)
    assert as_json("compare", "--csv", path, "--value", "y", "--group", "g")["replicated"]


def test_group_names_that_differ_in_case_or_spaces_are_asked_about() -> None:
    table = pd.DataFrame({"value": [1, 2, 3, 4], "group": ["water", "Water", "soap", "soap"]})
    with pytest.raises(AnalysisError, match="differ in case or spaces only"):
        compare(table, Question("fruit"))


def test_options_that_a_table_cannot_honour_are_refused(tmp_path: Path) -> None:
    table = pd.DataFrame({"y": [1, 2, 3, 4], "g": list("abab"), "p": list("wxyz")})
    path = written(tmp_path / "t.csv", table)
    base = ("compare", "--csv", path, "--value", "y", "--group", "g", "--plant", "p")
    assert "no column survey" in refused(*base, "--survey", "2026-07-01")
    assert "no column source" in refused(*base, "--source", "photo")
    assert "--include-unreviewed beside it" in refused(*base, "--include-unreviewed")
    assert "--measure all beside it" in refused(*base, "--measure", "all")
    assert "--plant p without --csv" in refused("compare", tmp_path, "--plant", "p")


def test_a_survey_of_a_table_is_taken_from_its_column(tmp_path: Path) -> None:
    table = pd.DataFrame(
        {
            "y": [1, 9, 2, 8, 3, 9, 4, 8],
            "g": list("aabbaabb"),
            "p": list("11223344"),
            "survey": ["2026-07-01", "2026-07-08"] * 4,
        }
    )
    path = written(tmp_path / "t.csv", table)
    base = ("compare", "--csv", path, "--value", "y", "--group", "g", "--plant", "p")
    found = as_json(*base, "--survey", "2026-07-01")
    assert [group["mean"] for group in found["groups"]] == [2, 3]


def test_grades_of_several_groups_are_adjusted_for_their_number() -> None:
    # Steel's p: how often, of all ways the lots may fall, one of the groups lies as far off
    rng = np.random.default_rng(0)
    values = rng.normal(0, 1, 60) + 0.9 * (np.arange(60) % 4 == 3)
    table = pd.DataFrame({"value": values, "group": list("abcd") * 15})
    found = compare(table, Question("vigour", kind="grade", control="a", draws=1))
    seen = _farthest(values.reshape(15, 4).T)
    drawn = [_farthest(rng.permutation(values).reshape(4, 15)) for _ in range(4000)]
    share = float(np.mean(np.array(drawn) >= seen - 1e-9))
    assert min(each.p_told() or 1 for each in found.comparisons) == pytest.approx(share, abs=0.01)
    assert {each.adjustment for each in found.comparisons} == {"Steel"}
    for each in found.comparisons:
        own, best = each.superiority, each.told()
        assert (own.p or 0) < (each.p_told() or 0) < 3 * (own.p or 1)
        assert best.low is not None
        assert best.high is not None
        assert best.low < (own.low or 0) < (own.high or 1) < best.high
        assert f"(between {percent(best.low)} and {percent(best.high)}) of pairs" in each.sentence


def _farthest(groups: np.ndarray) -> float:
    """How far the rank sum of any group lies from that of pairs with the first alone."""
    below = (groups[1:, :, None] > groups[0][None, None, :]).sum(axis=(1, 2))
    return float(np.abs(below - groups.shape[1] ** 2 / 2).max())


def test_true_counts_of_several_groups_have_one_interval_for_all_together() -> None:
    rng = np.random.default_rng(5)
    rows = []
    for name, mean in (("a", 20), ("b", 20), ("c", 26), ("d", 31)):
        for n in range(24):
            true = rng.poisson(mean * rng.gamma(8, 1 / 8))
            plant = {"survey": "2026-07-01", "plant": f"{name}{n}", "group": name}
            plant |= {"measure": "fruit", "unit": "count", "truss": pd.NA}
            rows.append(plant | {"source": "photo", "value": float(rng.binomial(true, 0.7))})
            if n < 8:
                rows.append(plant | {"source": "tally", "value": float(true)})
    table = pd.DataFrame(rows).assign(block="", plot="", by="", note="", at="")
    asked = Question(
        "fruit", control="a", groups=tuple("abcd"), source="photo", survey="2026-07-01", draws=1
    )
    found = with_true_counts(compare(table, asked), table, asked)
    for each in found.comparisons:
        assert each.basis == "true counts"
        own, best = each.headline(), each.told()
        assert own.p is not None
        told = each.p_told()
        assert told is not None
        # wider than each group's own, and less wide than three that know nothing of each other
        assert own.p <= told <= 3 * own.p + 1e-6
        assert best.low is not None
        assert best.high is not None
        assert best.low < (own.low or 0) < (own.high or 0) < best.high
        # sentence, interval and p say the same
        apart = not best.low <= 1 <= best.high
        assert (told < 0.05) == apart == (each.verdict in {"more", "fewer"})
        assert f"{percent(best.high - 1)}" in each.sentence
        assert f"{percent(best.low - 1)}" in each.sentence
    assert "allow for that" in " ".join(found.cautions)


def test_a_group_of_zeros_is_told_by_the_lots() -> None:
    few = pd.DataFrame({"value": [0, 0, 0, 4, 5, 6], "group": list("aaabbb")})
    found = compare(few, Question("fruit", control="a"))
    assert found.comparisons[0].verdict == "could not tell"
    assert found.sentence.startswith("This trial could not tell whether")
    many = pd.DataFrame({"value": [0] * 6 + [4, 5, 6, 3, 4, 5], "group": ["a"] * 6 + ["b"] * 6})
    (contrast,) = compare(many, Question("fruit", control="a")).comparisons
    assert contrast.verdict == "more"
    # 2 of 924 arrangements are as extreme
    assert contrast.headline().p == pytest.approx(2 / 924)
    assert "(p 0.002 by the lots drawn again)" in contrast.sentence


def test_what_could_have_been_found_names_the_chance_and_both_ways() -> None:
    rng = np.random.default_rng(3)
    table = pd.DataFrame({"value": rng.poisson(20, 20), "group": list("ab") * 10})
    found = compare(table, Question("fruit", control="a"))
    (contrast,) = found.comparisons
    up = contrast.detectable or 0
    assert "With 8 chances in 10 it would have found" in found.sentence
    assert f"{100 * up:.0f} % more or {100 * up / (1 + up):.0f} % fewer" in found.sentence


def test_one_plant_that_makes_the_difference_is_named() -> None:
    rng = np.random.default_rng(6)
    values = rng.integers(0, 2, 400)
    values[399] = 400
    table = pd.DataFrame(
        {"value": values, "group": ["a"] * 200 + ["b"] * 200, "plant": np.arange(400).astype(str)}
    )
    found = compare(table, Question("fruit", control="a", draws=100))
    assert found.comparisons[0].verdict == "more"
    assert "This rests on one plant, 399 (400). Without it: " in found.sentence
    length = compare(
        pd.DataFrame({"value": [1.0, 1.1, 0.9, 1.0, 1.0, 1.1] * 2, "group": ["a"] * 6 + ["b"] * 6}),
        Question("height", control="a"),
    )
    assert "rests on" not in length.sentence


def test_a_huge_ratio_is_told_in_times() -> None:
    table = pd.DataFrame(
        {"value": [1, 0, 2, 1, 0, 1, 9000, 12000, 10000, 11000, 9500, 10500],
         "group": ["a"] * 6 + ["b"] * 6}
    )  # fmt: skip
    found = compare(table, Question("fruit", control="a"))
    assert "over 1000 times as many" in found.sentence
    assert "00 %" not in found.sentence


def test_equal_shares_have_an_error() -> None:
    seen = share_seen(np.array([10.0, 12.0, 8.0]), np.array([10.0, 12.0, 8.0]))
    assert seen.low is not None
    assert seen.low < 1 < (seen.high or 0)


def test_an_unfinished_survey_has_no_verdict() -> None:
    table = pd.DataFrame({"value": [10, 12, 11, 30, 28, 31], "group": list("aaabbb")})
    whole = compare(table, Question("fruit", control="a"))
    from dataclasses import replace

    found = worded(replace(whole, complete=False, missing=(Missing("b", 4),)))
    assert found.sentence.startswith("Unfinished: 6 of 10 plants counted, 4 of b to come.")
    assert found.to_json()["missing"] == [{"group": "b", "plants": 4}]
    assert found.comparisons[0].verdict == "unfinished"
    assert "So far plants of group b carried" in found.sentence
    named = table.replace({"group": {"b": "Wasser"}})
    whole = compare(named, Question("fruit", control="a"))
    found = worded(replace(whole, complete=False, missing=(Missing("Wasser", 4),)))
    assert "So far Wasser plants carried" in found.sentence  # a name keeps its capital


def test_before_the_deciding_survey_there_is_no_verdict() -> None:
    table = pd.DataFrame(
        {"value": [10, 12, 11, 30, 28, 31], "group": list("aaabbb"), "survey": "2026-07-01"}
    )
    found = compare(table, Question("fruit", control="a", deciding="2026-08-01"))
    assert "is not yet the deciding one" in found.sentence
    assert found.comparisons[0].verdict == "unfinished"
    later = compare(table, Question("fruit", control="a", deciding="2026-07-01"))
    assert later.comparisons[0].verdict == "more"


def test_a_difference_too_small_to_matter_is_told_so() -> None:
    rng = np.random.default_rng(1)
    near = pd.DataFrame({"value": rng.poisson(50, 400), "group": list("ab") * 200})
    found = compare(near, Question("fruit", control="a", smallest_difference=0.2, draws=100))
    assert found.comparisons[0].verdict == "no difference that matters"
    assert "it is smaller than 20 %" in found.sentence
    small = pd.DataFrame(
        {"value": np.concatenate([rng.poisson(50, 800), rng.poisson(53, 800)]),
         "group": ["a"] * 800 + ["b"] * 800}
    )  # fmt: skip
    found = compare(small, Question("fruit", control="a", smallest_difference=0.2, draws=100))
    assert (found.comparisons[0].ratio.p or 1) < 0.05
    assert found.comparisons[0].verdict == "no difference that matters"
    assert "less than the 20 % that were named as worth having" in found.sentence


def test_published_sets_get_the_published_verdicts() -> None:
    # R's help pages, from memory: sleep, Student (1908) Biometrika 6:1-25, paired t 4.06 on 9 df,
    # p 0.0028, and unpaired p 0.079; ToothGrowth, t.test p 0.061, with the dose in the model p
    # 0.0004; warpbreaks, Tippett (1950), TukeyHSD tells M and H from L; npk, Venables & Ripley
    # (2002) sec. 6.7, nitrogen 5.62 more within blocks
    from references import dataset

    def told(name: str, value: str, group: str, control: str, **more: Any) -> list[str]:
        table = dataset("datasets", name, value, group).rename(columns=more.pop("columns", {}))
        table["group"] = table["group"].astype(str)
        found = compare(table, Question(value, control=control, **more))
        return [contrast.verdict for contrast in found.comparisons]

    assert told("sleep", "extra", "group", "1", columns={"ID": "block"}) == ["more"]
    assert told("sleep", "extra", "group", "1") == ["could not tell"]
    assert told("ToothGrowth", "len", "supp", "VC") == ["could not tell"]
    assert told("ToothGrowth", "len", "supp", "VC", columns={"dose": "block"}) == ["more"]
    assert told("warpbreaks", "breaks", "tension", "L") == ["fewer", "fewer"]
    assert told("npk", "yield", "N", "0") == ["more"]


def test_one_plant_with_several_treatments_is_asked_about(tmp_path: Path) -> None:
    table = pd.DataFrame(
        {"y": [1.5, 2.5, 3.5, 2.0, 3.5, 4.0], "g": list("aaabbb"), "who": [1, 2, 3] * 2}
    )
    found = as_json(
        "compare", "--csv", written(tmp_path / "t.csv", table), "--value", "y", "--group", "g",
        "--plant", "who",
    )  # fmt: skip
    assert any("If one plant really had several treatments" in text for text in found["cautions"])


def test_rows_that_are_no_plants_are_called_rows(tmp_path: Path) -> None:
    table = pd.DataFrame(
        {"y": np.arange(36) % 7, "g": ["a"] * 18 + ["b"] * 18, "plant": np.repeat(range(12), 3)}
    )
    found = as_json(
        "compare", "--csv", written(tmp_path / "t.csv", table), "--value", "y", "--group", "g"
    )
    assert ", 36 rows; the column plant names 12 plants" in found["sentence"]
    assert any("y was read as counts" in text for text in found["cautions"])


def test_a_trend_is_said_in_the_smallest_step_of_the_doses() -> None:
    rng = np.random.default_rng(1)
    doses = np.repeat([0, 10, 20, 40], 8)
    table = pd.DataFrame(
        {"value": rng.poisson(20 * 1.02**doses), "group": doses.astype(str), "dose": doses}
    )
    found = compare(table, Question("fruit", control="0"))
    assert found.trend is not None
    assert found.trend.by_gap().value == pytest.approx((found.trend.step.value or 0) ** 10)
    size = round(100 * ((found.trend.by_gap().value or 0) - 1))
    assert f"With each 10 more of the dose plants carried {size} % more fruit" in found.sentence


def test_what_several_groups_could_have_found_allows_for_their_number() -> None:
    rng = np.random.default_rng(4)
    rows = [(g, v) for g in "abcd" for v in rng.normal(10, 2, 12)]
    table = pd.DataFrame(rows, columns=["group", "value"])
    every = compare(table, Question("height", control="a"))
    pair = compare(table[table["group"].isin(["a", "b"])], Question("height", control="a"))
    assert (every.comparisons[0].detectable or 0) > 1.05 * (pair.comparisons[0].detectable or 0)


def test_several_groups_have_one_short_answer_and_a_line_each() -> None:
    rng = np.random.default_rng(6)
    means = {"control": 20, "low": 20, "mid": 34, "high": 44}
    rows = [(name, count) for name, mean in means.items() for count in rng.poisson(mean, 12)]
    table = pd.DataFrame(rows, columns=["group", "value"])
    found = compare(table, Question("fruit", control="control"))
    assert in_short(found) == (
        "Plants of the groups high and mid carried more fruit than control plants. "
        "Whether low plants differ, this trial could not tell."
    )
    assert answer_parts(found) == (in_short(found), "")
    lines = dict(each_in_short(found))
    assert list(lines) == [each.group for each in found.comparisons]
    assert lines["high"] in found.sentence.replace(" fruit (", " (")
    assert "could not tell any of the 2 groups from control plants by height" in in_short(
        compare(
            pd.DataFrame(
                {"group": ["control", "b", "c"] * 6, "value": rng.normal(5, 1, 18).round(2)}
            ),
            Question("height", control="control"),
        )
    )


def test_two_groups_need_no_short_answer() -> None:
    table = pd.DataFrame({"value": [10, 12, 11, 30, 28, 31], "group": list("aaabbb")})
    found = compare(table, Question("fruit", control="a"))
    assert in_short(found) == ""
    assert each_in_short(found) == []
    assert answer_parts(found) == (found.sentence, "")


def test_a_further_measure_takes_one_line_whatever_the_groups() -> None:
    rng = np.random.default_rng(7)
    table = pd.DataFrame({"group": ["a"] * 9 + ["b"] * 9 + ["c"] * 9})
    height = compare(
        table.assign(value=np.repeat([5.0, 9.0, 5.0], 9) + rng.normal(0, 1, 27)),
        Question("height", control="a"),
    )
    grades = compare(table.assign(value=[2, 3, 2] * 9), Question("vigour", control="a"))
    rows = _others_told([height, grades])["rows"]
    assert [row[-1] for row in rows] == ["b: higher; c: could not tell", "could not tell"]
    assert rows[1][-2] == "a median 2, b median 2, c median 2"


def test_rows_of_other_surveys_are_no_rows_of_the_one_asked_for(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    table = pd.DataFrame(
        {"y": rng.poisson(20, 36), "g": np.repeat(["a", "b"], 18), "survey": [1, 2, 3] * 12,
         "plant": np.repeat(range(12), 3)}
    )  # fmt: skip
    asked = ("compare", "--csv", written(tmp_path / "t.csv", table), "--value", "y", "--group", "g")
    assert as_json(*asked, "--survey", "2")["comparisons"][0]["headline"]["p"] is not None
    assert as_json(*asked)["comparisons"][0]["headline"]["p"] is None


def test_the_smallest_difference_is_asked_about_as_everywhere(tmp_path: Path) -> None:
    table = pd.DataFrame({"y": [5, 6, 7, 5, 6, 7], "g": list("aaabbb")})
    asked = ("compare", "--csv", str(written(tmp_path / "t.csv", table)), "--value", "y",
             "--group", "g", "--smallest-difference")  # fmt: skip
    assert as_json(*asked, "20%")["smallest_difference"] == 0.2
    for wrong, why in (("20", "do you mean 20%?"), ("-0.2", "above 0")):
        done = runner.invoke(app, [*asked, wrong])
        assert done.exit_code != 0
        assert why in " ".join(done.output.split())


def test_an_earlier_value_asked_for_at_the_keyboard_is_not_called_planned(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    early = rng.poisson(9, 16)
    table = pd.DataFrame({"y": early + rng.poisson(9, 16), "g": ["a", "b"] * 8, "early": early})
    found = as_json(
        "compare", "--csv", written(tmp_path / "t.csv", table), "--value", "y", "--group", "g",
        "--before", "early",
    )  # fmt: skip
    assert any("as asked here; choose it before you see" in text for text in found["cautions"])
