"""What was picked, and the coming picks: a season drawn by code, told as a grower tells it."""

from __future__ import annotations

import csv
import json
import re
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from drawn_season import DrawnSeason, draw_season
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.multitest import multipletests
from trials import Beds, add_photo, make_trial
from typer.testing import CliRunner

from counting.analysis.data.surveys import days_to_half
from counting.analysis.question import Question, question_of
from counting.analysis.season.forecast import (
    GREEN_DAYS,
    TURNING_DAYS,
    Weeks,
    forecast,
    ripe_within,
)
from counting.analysis.season.harvest import ratio_of_sums
from counting.analysis.trial import answers, compare_trial
from counting.cli import app
from counting.errors import TallyError
from counting.ledger.facts import standing_answers
from counting.plan.trial import Trial
from counting.records.diary import events, write_events
from counting.records.hanging import hanging
from counting.records.observations import observations
from counting.records.tallies import take_tallies
from counting.records.warmth import degree_days, warmth

runner = CliRunner()


def as_json(*arguments: object) -> Any:
    words = [*map(str, arguments), "--json", "-"]
    done = runner.invoke(app, words, catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def weeks(drawn: DrawnSeason, known: int) -> Weeks:
    parts = (drawn.hanging, drawn.picked, drawn.clock, drawn.coming)
    return Weeks(*(part[:known] for part in parts))


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> tuple[Trial, DrawnSeason]:
    """Nine weeks of two groups of 8 plants: tallies of each plant, weather in the diary."""
    folder = tmp_path_factory.mktemp("season")
    trial = make_trial(folder / "trial", Beds(blocks=4, plants_per_plot=2))
    drawn = draw_season(3, surveys=9)
    rng = np.random.default_rng(3)
    path = folder / "tallies.csv"
    groups = ["own-rooted", "grafted"]
    plants = {
        group: trial.plants.loc[trial.plants["group"] == group, "code"].to_list()
        for group in groups
    }
    days = [str(np.datetime64("2026-06-01") + 7 * week) for week in range(9)]
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(
            ["survey", "plant", "green fruit", "turning", "ripe", "picked fruit",
             "picked weight (kg)", "marketable weight g", "by"]
        )  # fmt: skip
        for week, day in enumerate(days):
            for at, group in enumerate(groups):
                parts = [*drawn.hanging[week, at], drawn.picked[week, at]]
                shared = [rng.multinomial(int(part), [1 / 8] * 8) for part in parts]
                for place, plant in enumerate(plants[group]):
                    green, turning, ripe, picked = (int(each[place]) for each in shared)
                    weight = 80 * picked
                    row = [day, plant, green, turning, ripe, picked, weight / 1000, weight * 0.9]
                    writer.writerow([*row, "A"])
    take_tallies(trial, [path])
    write_events(
        trial,
        [
            {"at": str(np.datetime64("2026-06-01") + day), "kind": "temperature",
             "low_c": f"{low:.1f}", "high_c": f"{high:.1f}"}
            for day, (low, high) in enumerate(zip(drawn.low_c, drawn.high_c, strict=True))
            if day <= 56
        ],
    )  # fmt: skip
    return trial, drawn


def test_weights_are_taken_in_grams_and_kilograms(season: tuple[Trial, DrawnSeason]) -> None:
    trial, drawn = season
    with trial.ledger() as ledger:
        table = observations(trial, ledger)
    grams = table[table["measure"] == "picked_weight"]
    assert set(grams["unit"]) == {"g"}
    assert grams["value"].sum() == pytest.approx(80 * drawn.picked.sum())


def test_several_picks_are_one_sum_for_each_plant(season: tuple[Trial, DrawnSeason]) -> None:
    trial, drawn = season
    found = as_json("compare", trial.directory, "--measure", "picked_weight")
    assert found["course"] == "total"
    totals = {each["group"]: each["mean"] for each in found["groups"]}
    assert totals["grafted"] == pytest.approx(80 * drawn.picked[:, 1].sum() / 8)
    assert found["plants"] == 16
    assert any("9 picks are added up" in text for text in found["cautions"])
    counts = as_json("compare", trial.directory, "--measure", "picked_fruit")
    assert counts["kind"] == "count"
    assert "picked fruit in all" in counts["sentence"]
    alone = as_json(
        "compare", trial.directory, "--measure", "picked_fruit", "--survey", "2026-07-06"
    )
    assert alone["course"] is None


def test_a_plant_that_lacks_a_pick_has_no_sum(tmp_path: Path) -> None:
    trial = make_trial(tmp_path / "trial", Beds(blocks=2, plants_per_plot=2))
    path = tmp_path / "t.csv"
    lines = ["survey,plant,picked fruit,by"]
    for day in ("2026-07-01", "2026-07-08"):
        lines += [f"{day},{code},{3},A" for code in trial.plants["code"]]
    lines.pop()
    path.write_text("\n".join(lines), encoding="utf-8")
    take_tallies(trial, [path])
    found = as_json("compare", trial.directory, "--measure", "picked_fruit")
    assert found["plants"] == 7
    assert any("not recorded at every pick" in text for text in found["cautions"])


def test_a_crate_of_a_whole_plot_is_shared_out_to_its_plants(tmp_path: Path) -> None:
    trial = make_trial(tmp_path / "trial", Beds(blocks=2, plants_per_plot=3))
    path = tmp_path / "crates.csv"
    plots = list(dict.fromkeys(trial.plants["plot"]))
    lines = [f"2026-07-01,{plot},{3 * (5 + n)},1.2,A" for n, plot in enumerate(plots)]
    path.write_text("\n".join(["survey,plant,picked fruit,weight kg,by", *lines]), encoding="utf-8")
    taken = take_tallies(trial, [path]).rows
    assert len(taken) == 24
    first = taken[(taken["plant"] == "A1-2") & (taken["measure"] == "picked_weight")].iloc[0]
    assert (first["value"], first["note"]) == (400.0, "A1 picked together, 3 plants")
    found = as_json("compare", trial.directory, "--measure", "picked_fruit")
    assert found["unit_of_analysis"] == "plot"
    assert sorted(each["mean"] for each in found["groups"]) == [6.5, 6.5]
    path.write_text("survey,plant,fruit,by\n2026-07-01,A1,12,A\n", encoding="utf-8")
    with pytest.raises(TallyError, match="only what is picked can be told of a whole plot"):
        take_tallies(trial, [path])


def test_a_trial_of_weights_shows_every_plants_sum(
    season: tuple[Trial, DrawnSeason], tmp_path: Path
) -> None:
    trial, drawn = season
    copied = tmp_path / "weights"
    shutil.copytree(trial.directory, copied)
    plan = copied / "trial.toml"
    text = plan.read_text(encoding="utf-8").replace(
        "seed =", 'main_measure = "picked_weight"\nseed ='
    )
    plan.write_text(text, encoding="utf-8")
    done = runner.invoke(app, ["report", str(copied), "--out", str(tmp_path / "r.html")])
    assert done.exit_code == 0, done.output
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert "all picks together; under a group" in page
    assert "picked weight in all" in page
    beds = page[page.index('id="beds"') :]
    sums = [int(text) for text in re.findall(r">(\d+)</text>", beds[: beds.index("</svg>")])]
    assert sum(sums) == 80 * drawn.picked.sum()


def test_fruit_told_by_ripeness_alone_is_fruit(season: tuple[Trial, DrawnSeason]) -> None:
    trial, drawn = season
    with trial.ledger() as ledger:
        table = observations(trial, ledger)
    fruit = table[table["measure"] == "fruit"]
    assert fruit["value"].sum() == drawn.hanging.sum()
    assert set(fruit["note"]) == {"green, turning and ripe fruit together"}
    total = table[(table["measure"] == "fruit_total") & (table["survey"] == "2026-07-27")]
    assert total["value"].sum() == drawn.hanging[-1].sum() + drawn.picked.sum()


def test_half_of_the_crop_lies_between_two_picks() -> None:
    days = np.array([0.0, 7.0, 14.0])
    assert days_to_half(days, np.array([10.0, 10.0, 20.0])) == 7.0
    # 5 and 10 after a week, 30 after two: half, 15, was passed a quarter into the second week
    assert days_to_half(days, np.array([5.0, 5.0, 20.0])) == pytest.approx(8.75)
    assert np.isnan(days_to_half(days, np.zeros(3)))


@given(st.lists(st.integers(0, 50), min_size=2, max_size=9))
def test_half_of_the_crop_lies_within_the_season(picked: list[int]) -> None:
    days = 7.0 * np.arange(len(picked))
    half = days_to_half(days, np.array(picked, "float64"))
    assert np.isnan(half) == (sum(picked) == 0)
    if sum(picked):
        assert 0 <= half <= days[-1]
        late = days_to_half(days, np.array([*picked[:-1], picked[-1] + 50], "float64"))
        assert late >= half - 1e-9


def test_a_ratio_of_sums_is_cochrans() -> None:
    # Cochran 1977, sec. 6.3: r = y / x, its variance by the residuals y - r x; by hand
    y, x = np.array([4.0, 6.0, 9.0]), np.array([5.0, 6.0, 10.0])
    found = ratio_of_sums(y, x)
    assert found.value == pytest.approx(19 / 21)
    off = y - 19 / 21 * x
    assert found.se == pytest.approx(np.sqrt(off @ off / 2 / 3) / 7)


def test_the_report_tells_the_harvest_and_the_coming_pick(
    season: tuple[Trial, DrawnSeason],
) -> None:
    trial, drawn = season
    found = as_json("harvest", trial.directory)
    assert len(found["picks"]) == 9
    shares = {each["name"]: each["found"]["value"] for each in found["ratios"]}
    assert shares["share fit for sale, by weight"] == pytest.approx(0.9)
    assert shares["mean weight of a fruit"] == pytest.approx(80)
    assert found["half"]["unit"] == "days"
    next_pick = next(each for each in found["coming"] if each["measure"] == "picked_fruit")
    assert (next_pick["day"], next_pick["clock"]) == ("2026-08-03", "degree days")
    assert next_pick["shown"]
    assert "picks lay within" in next_pick["sentence"]
    told = forecast(weeks(drawn, 9))
    assert [each["value"] for each in next_pick["groups"]] == pytest.approx(told.value, rel=0.15)


def test_degree_days_are_the_mean_less_the_base(tmp_path: Path) -> None:
    # McMaster & Wilhelm 1997, method 1: (high + low) / 2 - base, not under 0
    trial = make_trial(tmp_path / "trial")
    days = [("2026-07-01", 12, 28), ("2026-07-02", 2, 10), ("2026-07-03", 14, 30)]
    rows = [
        {"at": day, "kind": "temperature", "low_c": str(low), "high_c": str(high)}
        for day, low, high in days
    ]
    write_events(trial, rows)
    assert write_events(trial, rows).added == 0
    with trial.ledger() as ledger:
        warm = warmth(events(ledger))
    assert warm["degree_days"].to_list() == [10.0, 0.0, 12.0]
    assert degree_days(warm, "2026-06-30", "2026-07-03") == 22.0
    assert degree_days(warm, "2026-07-01", "2026-07-03") == 12.0
    assert np.isnan(degree_days(warm, "2026-07-03", "2026-07-20"))


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [("12", "", "go together"), ("30", "12", "is above"), ("99", "120", "degrees Celsius")],
)
def test_temperatures_that_cannot_be_are_refused(
    tmp_path: Path, low: str, high: str, words: str
) -> None:
    trial = make_trial(tmp_path / "trial")
    with pytest.raises(Exception, match=words):
        write_events(trial, [{"at": "2026-07-01", "kind": "heat", "low_c": low, "high_c": high}])


def test_photos_tell_the_stages_of_the_fruit_confirmed(tmp_path: Path) -> None:
    trial = make_trial(tmp_path / "trial")
    photo = add_photo(trial, "A1-1")
    colours = ["green", "green", "turning", "red"]
    box = {"x": 1.0, "y": 1.0, "width": 2.0, "height": 2.0}
    with trial.ledger() as ledger:
        body = {
            "photo": photo, "version": "1", "settings": "0" * 64, "count": 4.0, "count_low": 4.0,
            "count_high": 4.0, "proposed": 4,
            "candidates": [
                {"candidate": n, **box, "diameter_px": 2.0, "confidence": 0.9, "colour": colour}
                for n, colour in enumerate(colours)
            ],
        }  # fmt: skip
        ledger.append("proposal", photo, body, by="test")
        marks = [{"mark": n, "candidate": n, **box, "state": "confirmed"} for n in range(4)]
        marks += [{"mark": 4, "candidate": None, **box, "state": "added"}]
        answer = {
            "photo": photo, "reviewer": "A", "proposal": "", "at": "2026-07-01T10:00:00Z",
            "answer": "counted", "count": 5, "seconds": 3.0, "clicks": 1, "sheet": "",
            "marks": marks,
        }  # fmt: skip
        ledger.append("confirmation", f"{photo}|A", answer, by="A")
        assert standing_answers(ledger)[0].counted
        found = hanging(trial, ledger, observations(trial, ledger))
    (row,) = found.to_dict("records")
    assert (row["green"], row["turning"], row["ripe"]) == (2.5, 1.25, 1.25)


def test_what_ripens_within_a_time() -> None:
    there = np.array([35.0, 7.0, 3.0])
    assert ripe_within(there, 0.0) == 3.0
    assert ripe_within(there, TURNING_DAYS) == 10.0
    assert ripe_within(there, TURNING_DAYS + GREEN_DAYS) == 45.0
    assert ripe_within(there, 7.0, stretch=2.0) == pytest.approx(6.5)


def test_forecasts_hit_the_coming_pick_and_their_intervals_hold_it() -> None:
    inside = shown = 0
    errors = []
    for seed in range(20):
        drawn = draw_season(seed, surveys=9)
        found = forecast(weeks(drawn, 8))
        true = drawn.picked[8]
        errors.append(np.log(true / found.value))
        shown += found.holds
        inside += int(((found.low <= true) & (true <= found.high)).sum()) if found.holds else 0
    assert abs(np.mean(errors)) < 0.1
    assert np.std(errors) < 0.2
    assert shown >= 16
    assert inside >= 0.7 * 2 * shown


def test_a_forecast_is_withheld_until_it_was_tried_and_where_it_fails() -> None:
    drawn = draw_season(1, surveys=9)
    assert not forecast(weeks(drawn, 4)).holds
    wild = np.random.default_rng(1).lognormal(3, 1.5, drawn.picked.shape)
    assert not forecast(Weeks(drawn.hanging, wild, drawn.clock, drawn.coming)).holds


def test_nothing_counted_by_stage_gives_no_forecast_and_no_fault() -> None:
    bare = Weeks(
        np.full((3, 2, 3), np.nan), np.full((3, 2), np.nan), np.arange(3.0), np.ones((3, 2))
    )
    found = forecast(bare)
    assert np.isnan(found.value).all()
    assert not found.holds


def test_fruit_by_ripeness_get_no_verdict_and_leave_the_other_measures_their_p(
    season: tuple[Trial, DrawnSeason],
) -> None:
    found = {each.measure: each for each in answers(season[0], "all")}
    assert found["fruit_total"].main
    assert found["fruit"].part_of == "fruit_total"  # hanging, without what was picked before
    judged = [each for each in found.values() if each.part_of is None and not each.main]
    stages = [found[f"{name}_fruit"] for name in ("green", "turning", "ripe")]
    for stage in stages:
        (contrast,) = stage.comparisons
        assert stage.part_of == "fruit"
        assert contrast.verdict == "not judged"
        assert contrast.p_told() is None
        assert contrast.headline().low is not None
        assert stage.sentence.endswith("; a part of fruit, told and not judged.")
    assert {each.measure for each in judged} == {
        "picked_fruit", "picked_weight", "marketable_weight",
    }  # fmt: skip
    alone = [compare_trial(*_asked(season[0], each.measure)) for each in judged]
    p = [each.comparisons[0].headline().p for each in alone]
    told = [each.comparisons[0].p_told() for each in judged]
    assert told == pytest.approx(list(multipletests(p, method="holm")[1]))


def _asked(trial: Trial, measure: str) -> tuple[pd.DataFrame, Question]:
    with trial.ledger() as ledger:
        table = observations(trial, ledger)
    return table, question_of(trial, table, measure)
