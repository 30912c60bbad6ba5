"""The course over surveys: one value for each plant, never rows as replicates."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from trials import Beds, add_photo, confirm, make_trial

from counting.analysis.compare import compare
from counting.analysis.question import Question
from counting.analysis.trial import answers
from counting.errors import AnalysisError
from counting.plan.trial import load_trial

DAYS = ("2026-07-01", "2026-07-08", "2026-07-15")


def table(courses: dict[str, list[tuple[int, int, int]]]) -> pd.DataFrame:
    rows = [
        {"survey": day, "plant": f"{group}{number}", "group": group, "measure": "fruit",
         "value": value}
        for group, plants in courses.items()
        for number, values in enumerate(plants)
        for day, value in zip(DAYS, values, strict=True)
    ]  # fmt: skip
    return pd.DataFrame(rows)


COURSES = table(
    {
        "a": [(0, 10, 20), (2, 8, 18), (1, 9, 14), (0, 6, 12)],
        "b": [(4, 20, 30), (6, 18, 44), (5, 26, 40), (3, 20, 36)],
    }
)


@pytest.mark.parametrize(
    ("course", "first", "unit"),
    [
        # trapezoids of 0, 10, 20 on days 0, 7 and 14: 7 * 5 + 7 * 15; its rise is 10 a week
        ("area", 140.0, "fruit days"),
        ("slope", 10.0, "fruit a week"),
        ("peak", 20.0, ""),
        ("first", 7.0, "days"),
    ],
)
def test_each_plant_is_one_value(course: str, first: float, unit: str) -> None:
    alone = COURSES[COURSES["plant"].isin(["a0", "b0"])]
    asked = Question("fruit", control="a", survey="all", course=course)  # type: ignore[arg-type]
    found = compare(alone, asked)
    assert found.groups[0].mean == pytest.approx(first)
    whole = compare(COURSES, asked)
    assert [group.n for group in whole.groups] == [4, 4]
    assert whole.kind == "length"
    assert unit in whole.unit


def test_the_change_is_a_ratio_of_ratios_with_its_interval() -> None:
    asked = Question("fruit", control="a", survey="all", course="change")
    (contrast,) = compare(COURSES, asked).comparisons
    logs = {
        group: [
            np.log((values.iloc[-1] + 0.5) / (values.iloc[0] + 0.5))
            for _, values in rows.groupby("plant")["value"]
        ]
        for group, rows in COURSES.groupby("group")
    }
    expected = np.exp(np.mean(logs["b"]) - np.mean(logs["a"]))
    assert contrast.ratio.value == pytest.approx(expected)
    assert (contrast.ratio.low or 9) < expected < (contrast.ratio.high or 0)
    assert "the change of fruit from the first to the last survey" in contrast.sentence.lower()


def test_a_course_needs_all_surveys() -> None:
    with pytest.raises(AnalysisError, match="--survey all"):
        compare(COURSES, Question("fruit", control="a", course="area"))


def test_surveys_before_the_treatment_are_not_mixed_with_those_after(tmp_path: Path) -> None:
    trial = make_trial(tmp_path / "t", Beds(blocks=4, plants_per_plot=2))
    plan = tmp_path / "t" / "trial.toml"
    text = plan.read_text(encoding="utf-8")
    first = "first_treatment = 2026-07-02"
    plan.write_text(text.replace("seed =", f"{first}\nseed ="), encoding="utf-8")
    rng = np.random.default_rng(1)
    for row in trial.plants.to_dict("records"):
        for survey, mean in zip(DAYS, (100, 10, 10), strict=True):
            confirm(trial, add_photo(trial, row["code"], survey=survey), int(rng.poisson(mean)))
    (found,) = answers(load_trial(tmp_path / "t"), survey="all")
    assert (found.groups[0].mean or 0) < 20
    assert any("The survey of 2026-07-01, before the first" in text for text in found.cautions)


def test_a_course_leaves_out_plants_not_seen_from_first_to_last_and_says_whose() -> None:
    days = ["2026-07-01", "2026-07-08", "2026-07-15"]
    rows = [
        ("fruit", f"{group}{plant}", group, day, 4 + plant + 2 * place)
        for group in "ab"
        for plant in range(5)
        for place, day in enumerate(days)
        if not (group == "b" and plant < 2 and place == 2)  # two died before the last survey
    ]
    table = pd.DataFrame(rows, columns=["measure", "plant", "group", "survey", "value"])
    for course, which in (("area", "the first and the last survey"), ("peak", "every survey")):
        found = compare(table, Question(control="a", survey="all", course=course))
        (said,) = [text for text in found.cautions if "left out" in text]
        assert said == f"2 plants are left out (2 of b): not seen at {which}."
        assert [group.n for group in found.groups] == [5, 3]
    between = table[~((table["plant"] == "a0") & (table["survey"] == days[1]))]
    found = compare(between, Question(control="a", survey="all", course="area"))
    assert found.groups[0].n == 5  # a survey missed in between is drawn straight


def test_plants_without_a_value_that_are_nearly_all_of_one_group_are_spoken_of() -> None:
    table = pd.DataFrame(
        {
            "group": ["a"] * 8 + ["b"] * 8,
            "plant": [f"p{number}" for number in range(16)],
            "value": [5, 6, 7, 8, 9, 5, 6, 7, 9, 8, 9, 7, None, None, None, None],
        }
    )
    found = compare(table, Question("fruit", control="a"))
    (said,) = [text for text in found.cautions if text.startswith("Plants without a value")]
    assert "0 of 8 in a, 4 of 8 in b" in said
    even = table.assign(value=[None, *table["value"][1:12], None, 8, 8, 8])
    found = compare(even, Question("fruit", control="a"))
    assert not any("Plants without a value" in text for text in found.cautions)
