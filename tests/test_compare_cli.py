"""The commands compare and calibrate, as a person runs them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from references import dataset, expected
from trials import SURVEY, Beds, add_photo, confirm, make_trial, marks
from typer.testing import CliRunner

from counting.analysis.unreviewed import expected_counts
from counting.cli import app
from counting.errors import CountingError
from counting.plan.trial import Trial

runner = CliRunner()


def run(*arguments: object) -> str:
    """Run a command that works and return what it prints."""
    done = runner.invoke(app, [str(argument) for argument in arguments], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.stdout


def as_json(*arguments: object) -> Any:
    return json.loads(run(*arguments, "--json", "-"))


def refused(*arguments: object) -> str:
    """Run a command that cannot work and return its one line."""
    with pytest.raises(CountingError) as error:
        runner.invoke(app, [str(argument) for argument in arguments], catch_exceptions=False)
    text = str(error.value)
    assert "\n" not in text
    return text


@pytest.fixture
def sprays(tmp_path: Path) -> Path:
    path = tmp_path / "sprays.csv"
    dataset("datasets", "InsectSprays", "count", "spray").to_csv(path, index=False)
    return path


def test_any_table_is_compared_with_its_own_column_names(sprays: Path) -> None:
    # Beall (1942) Biometrika 32:243-262
    found = as_json("compare", "--csv", sprays, "--value", "value", "--group", "group",
                    "--control", "A", "--above", 5)  # fmt: skip
    assert found["control"] == "A"
    totals = {g["group"]: g["mean"] * g["n"] for g in found["groups"]}
    assert totals == pytest.approx({"A": 174, "B": 184, "C": 25, "D": 59, "E": 42, "F": 200})
    ratio = next(c for c in found["comparisons"] if c["group"] == "C")["ratio"]
    assert ratio == pytest.approx(expected("insectsprays-glm")["ratio_C_over_A"], abs=1e-6)


def test_the_screen_shows_sentence_groups_and_cautions(sprays: Path) -> None:
    text = run("compare", "--csv", sprays, "--value", "value", "--group", "group")
    # the interval that holds for all five groups together; that of C alone is 77 % to 91 %
    assert "86 % lower (between 74 % and 92 %)" in text.replace("\n", " ")
    assert "Before you believe it:" in text
    assert "nan" not in text.lower()
    assert max(map(len, text.splitlines())) < 160


def test_semicolons_decimal_commas_and_a_byte_order_mark_are_read(tmp_path: Path) -> None:
    path = tmp_path / "heights.csv"
    path.write_text("\ufeffgroup;height\na;10,5\na;11,5\nb;12,25\nb;13,25\n", encoding="utf-8")
    found = as_json("compare", "--csv", path, "--value", "height", "--group", "group")
    assert [group["mean"] for group in found["groups"]] == [11.0, 12.75]


def test_plots_of_a_table_are_its_units(tmp_path: Path) -> None:
    path = tmp_path / "plots.csv"
    rows = [f"{'ab'[plot % 2]},{plot // 2},p{plot},{10 + plot + plant}"
            for plot in range(8) for plant in range(3)]  # fmt: skip
    path.write_text("\n".join(["g,b,p,y", *rows]) + "\n", encoding="utf-8")
    found = as_json("compare", "--csv", path, "--value", "y", "--group", "g", "--block", "b",
                    "--plot", "p", "--control", "a")  # fmt: skip
    assert (found["unit_of_analysis"], found["plots"], found["blocks"]) == ("plot", 8, 4)
    assert [group["n"] for group in found["groups"]] == [4, 4]
    assert [group["plants"]["n"] for group in found["groups"]] == [12, 12]


def test_several_lines_of_a_plant_are_one_plant(tmp_path: Path) -> None:
    path = tmp_path / "lines.csv"
    path.write_text("g,p,y\na,1,4\na,1,6\na,2,7\nb,3,8\nb,4,9\n", encoding="utf-8")
    found = as_json("compare", "--csv", path, "--value", "y", "--group", "g", "--plant", "p")
    assert [group["n"] for group in found["groups"]] == [2, 2]
    assert any("several values of one plant" in text for text in found["cautions"])


def test_a_json_file_is_not_written_over_without_being_told(sprays: Path, tmp_path: Path) -> None:
    out = tmp_path / "result.json"
    arguments = ["compare", "--csv", sprays, "--value", "value", "--group", "group", "--json", out]
    run(*arguments)
    assert "exists already" in refused(*arguments)
    run(*arguments, "--replace")
    assert json.loads(out.read_text(encoding="utf-8"))["kind"] == "count"


def test_mistakes_are_one_line_with_the_mend(sprays: Path, tmp_path: Path) -> None:
    assert "--value COL" in refused("compare", "--csv", sprays)
    assert "no column spry" in refused(
        "compare", "--csv", sprays, "--value", "value", "--group", "spry"
    )
    assert "not found" in refused("compare", "--csv", tmp_path / "no.csv", "--value", "a",
                                  "--group", "b")  # fmt: skip
    assert "--csv FILE" in refused("compare")
    (tmp_path / "empty.csv").write_text("", encoding="utf-8")
    assert "not a table" in refused("compare", "--csv", tmp_path / "empty.csv", "--value", "a",
                                    "--group", "b")  # fmt: skip
    assert "no group 'Z'" in refused("compare", "--csv", sprays, "--value", "value", "--group",
                                     "group", "--control", "Z")  # fmt: skip


def test_a_trial_without_counts_says_how_to_get_some(tmp_path: Path) -> None:
    make_trial(tmp_path / "t")
    assert "counting tally" in refused("compare", tmp_path / "t")
    assert "counting tally" in refused("calibrate", tmp_path / "t")


def counted_trial(directory: Path) -> Trial:
    """An invented trial: every plant photographed and confirmed, half of them counted by hand."""
    trial = make_trial(directory, Beds(blocks=4, plants_per_plot=3))
    for number, row in enumerate(trial.plants.to_dict("records")):
        true = 12 + number % 5 + (4 if row["group"] == "grafted" else 0)
        photo = add_photo(trial, row["code"])
        confirm(trial, photo, true * 2 // 3)
        if number % 2:
            tally(trial, row["code"], "fruit", true)
    return trial


def tally(trial: Trial, plant: str, measure: str, value: float) -> None:
    fact = {
        "survey": SURVEY,
        "plant": plant,
        "truss": None,
        "measure": measure,
        "value": value,
        "unit": "count",
        "source": "tally",
        "by": "a counter",
        "at": f"{SURVEY}T10:00:00+00:00",
        "note": "",
    }
    key = f"{SURVEY}|{plant}||{measure}|tally|a counter"
    with trial.ledger() as ledger:
        ledger.append("observation", key, fact, by="a counter")


def test_a_trial_is_compared_by_its_plan(tmp_path: Path) -> None:
    counted_trial(tmp_path / "t")
    found = as_json("compare", tmp_path / "t", "--above", 10)
    assert (found["measure"], found["control"], found["source"]) == ("fruit", "own-rooted", "photo")
    assert (found["unit_of_analysis"], found["plants"], found["plots"]) == ("plot", 24, 8)
    assert found["main"]
    assert any("On the photos alone: " in text for text in found["cautions"])
    assert "24 plants in 8 plots and 4 blocks" in found["sentence"]


def test_the_source_can_be_chosen(tmp_path: Path) -> None:
    counted_trial(tmp_path / "t")
    found = as_json("compare", tmp_path / "t", "--source", "tally")
    assert (found["source"], found["plants"]) == ("tally", 12)


def test_all_measures_come_with_the_main_one_first_and_the_others_adjusted(tmp_path: Path) -> None:
    trial = counted_trial(tmp_path / "t")
    for number, code in enumerate(trial.plants["code"]):
        tally(trial, code, "trusses", 3 + number % 3)
        tally(trial, code, "flowers", 5 + number % 4)
    found = as_json("compare", tmp_path / "t", "--measure", "all")
    assert [each["measure"] for each in found] == ["fruit", "trusses", "flowers"]
    assert [each["main"] for each in found] == [True, False, False]
    assert {each["comparisons"][0]["adjustment"] for each in found[1:]} == {"Holm"}


def test_groups_that_differed_before_the_first_treatment_are_named_first(tmp_path: Path) -> None:
    trial = make_trial(tmp_path / "t", Beds(blocks=4, plants_per_plot=3))
    plan = tmp_path / "t" / "trial.toml"
    text = plan.read_text(encoding="utf-8")
    plan.write_text(
        text.replace("seed =", "first_treatment = 2026-07-10\nseed ="), encoding="utf-8"
    )
    for number, row in enumerate(trial.plants.to_dict("records")):
        more = 12 if row["group"] == "grafted" else 0
        for survey in ("2026-07-01", "2026-07-20"):
            photo = add_photo(trial, row["code"], survey=survey)
            confirm(trial, photo, 12 + number % 3 + more)
    found = as_json("compare", tmp_path / "t")
    assert found["survey"] == "2026-07-20"
    assert found["cautions"][0].startswith("The groups differed before the first treatment")


def test_fruit_per_truss_of_a_trial(tmp_path: Path) -> None:
    trial = counted_trial(tmp_path / "t")
    for code in trial.plants["code"]:
        tally(trial, code, "trusses", 4)
    plain = as_json("compare", tmp_path / "t")
    found = as_json("compare", tmp_path / "t", "--per", "trusses")
    assert found["groups"][0]["mean"] == pytest.approx(plain["groups"][0]["mean"] / 4)
    assert "fruit per truss" in found["sentence"]
    assert "nothing recorded to divide by" in refused(
        "compare", tmp_path / "t", "--per", "leaves_removed"
    )


def test_calibrate_tells_the_share_seen_of_each_group(tmp_path: Path) -> None:
    counted_trial(tmp_path / "t")
    found = as_json("calibrate", tmp_path / "t")
    assert [cell["n"] for cell in found["cells"]] == [6, 6]
    assert all(0.6 < cell["share"] < 0.7 for cell in found["cells"])
    text = run("calibrate", tmp_path / "t")
    assert "This includes the fruit that photos do not show." in text.replace("\n", " ")
    assert "share seen" in text


def proposal(trial: Trial, photo: str, count: float, low: float, high: float) -> None:
    body = {"photo": photo, "count": count, "count_low": low, "count_high": high, "candidates": []}
    with trial.ledger() as ledger:
        ledger.append("proposal", photo, body, by="test")


def test_unreviewed_photos_never_count_unless_asked_for(tmp_path: Path) -> None:
    trial = make_trial(tmp_path / "t", Beds(blocks=4, plants_per_plot=3))
    for number, code in enumerate(trial.plants["code"]):
        photo = add_photo(trial, code)
        proposal(trial, photo, 10.0 + number % 4, 7.0 + number % 4, 14.0 + number % 4)
        if number % 4:
            confirm(trial, photo, 10 + number % 4)
    plain = as_json("compare", tmp_path / "t")
    assert plain["plants"] == 18
    found = as_json("compare", tmp_path / "t", "--include-unreviewed")
    assert found["plants"] == 24
    assert "6 plants rest in part on photos that nobody has reviewed" in found["cautions"][0]
    (contrast,) = found["comparisons"]
    assert contrast["ratio_method"].endswith("multiple imputation")
    assert contrast["ratio_low"] < contrast["ratio"] < contrast["ratio_high"]


def two_sides(directory: Path, reviewed: int) -> Trial:
    """An invented trial: 10 fruit from either side, of which reviewers link 4; some unreviewed."""
    trial = make_trial(directory, Beds(blocks=4, plants_per_plot=3))
    for number, code in enumerate(trial.plants["code"]):
        path = add_photo(trial, code, side="path")
        wall = add_photo(trial, code, side="wall")
        proposal(trial, path, 10.0, 9.0, 11.0)
        proposal(trial, wall, 10.0, 9.0, 11.0)
        if number < reviewed:
            confirm(trial, path, 10)
            linked = marks(10)
            for at in range(4 + number % 2):
                linked[at]["twin"] = f"{path}:{at}"
            confirm(trial, wall, 10, marks=linked)
    return trial


def test_fruit_that_two_unreviewed_photos_show_are_taken_off_as_on_reviewed_plants(
    tmp_path: Path,
) -> None:
    trial = two_sides(tmp_path / "t", reviewed=16)
    with trial.ledger() as ledger:
        expected = expected_counts(trial, ledger)
    # eight plants of 20 - 4 fruit and eight of 20 - 5, of 320 counted photo by photo
    assert len(expected) == 8
    assert [each.value for each in expected] == pytest.approx([20 * 248 / 320] * 8)
    assert all(each.shown_twice == pytest.approx(1 - 248 / 320) for each in expected)
    photo_error = 2**0.5 / 1.6449
    assert all(each.sd > photo_error * 248 / 320 for each in expected)
    found = as_json("compare", tmp_path / "t", "--include-unreviewed")
    assert "22 % was taken off, as on the plants of which all photos" in found["cautions"][0]
    means = [group["plants"]["mean"] for group in found["groups"]]
    assert means == pytest.approx([15.5, 15.5], abs=0.3)


def test_without_plants_reviewed_whole_the_double_count_is_said(tmp_path: Path) -> None:
    two_sides(tmp_path / "t", reviewed=2)
    found = as_json("compare", tmp_path / "t", "--include-unreviewed")
    assert "two photos of such a plant show is counted twice" in found["cautions"][0]


def test_photos_of_single_trusses_show_no_fruit_twice(tmp_path: Path) -> None:
    trial = make_trial(tmp_path / "t", Beds(blocks=4, plants_per_plot=3))
    for code in trial.plants["code"]:
        for truss in (1, 2):
            proposal(trial, add_photo(trial, code, truss=truss), 10.0, 9.0, 11.0)
    with trial.ledger() as ledger:
        assert {each.value for each in expected_counts(trial, ledger)} == {20.0}
    found = as_json("compare", tmp_path / "t", "--include-unreviewed")
    assert "twice" not in found["cautions"][0]
    assert "taken off" not in found["cautions"][0]


def test_the_less_is_known_of_unreviewed_photos_the_wider_the_interval(tmp_path: Path) -> None:
    widths = []
    for name, spread in (("sure", 1.0), ("unsure", 20.0)):
        trial = make_trial(tmp_path / name, Beds(blocks=4, plants_per_plot=3))
        for number, code in enumerate(trial.plants["code"]):
            photo = add_photo(trial, code)
            count = 30.0 + number % 4
            proposal(trial, photo, count, count - spread, count + spread)
        (contrast,) = as_json("compare", tmp_path / name, "--include-unreviewed")["comparisons"]
        widths.append(contrast["difference_high"] - contrast["difference_low"])
    assert widths[1] > 2 * widths[0]
