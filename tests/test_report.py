"""The report's page and its plots."""

import json
import re

import numpy as np
import pandas as pd
import pytest
from trials import Beds, add_photo, confirm, make_trial, marks

from counting.analysis.calibrate import calibrate
from counting.analysis.describe import mean_interval
from counting.errors import CountingError
from counting.ledger.facts import photos
from counting.records.diary import write_events
from counting.records.exclusions import leave_out
from counting.records.observations import observations
from counting.report import tables
from counting.report.counts import making
from counting.report.figures import Choices, figures, observations_hash
from counting.report.pictures import plots
from counting.report.pictures.beds import bed_map, short_names
from counting.report.report import make_report
from counting.tables import EVENTS, empty


@pytest.fixture
def counted(tmp_path):
    """A trial of 4 blocks whose photos are all confirmed: grafted plants carry 4 fruit more."""
    trial = make_trial(tmp_path / "trial", Beds(blocks=4, plants_per_plot=3))
    rng = np.random.default_rng(1)
    for survey in ("2026-07-01", "2026-07-15"):
        for code, group in zip(trial.plants["code"], trial.plants["group"], strict=True):
            number = int(rng.poisson(12 + 4 * (group == "grafted")))
            photo = add_photo(trial, code, survey=survey)
            confirm(trial, photo, number, marks=marks(number, removed=1, truss=1))
    return trial


def page(trial, **choices):
    """Return the text of a trial's report."""
    path = make_report(trial, Choices(**choices), replace=True)
    return path.read_text(encoding="utf-8")


def test_the_page_opens_with_the_sentence_of_the_comparison(counted):
    with counted.ledger() as ledger:
        sentence = figures(counted, ledger).main.sentence
    text = page(counted)
    assert sentence in text.split("<h2")[1].replace("\N{NO-BREAK SPACE}", " ")
    assert "24 plants in" in text


def test_the_page_carries_its_numbers_so_that_they_can_be_computed_again(counted):
    text = page(counted, above=15)
    embedded = json.loads(re.search(r'id="figures">(.*?)</script>', text, re.DOTALL)[1])
    with counted.ledger() as ledger:
        again = figures(counted, ledger, Choices(**embedded["choices"])).to_json()
    assert embedded == json.loads(json.dumps(again))
    assert embedded["main"]["groups"][0]["share_above"]["above"] == 15


def test_the_page_asks_no_network_for_anything(counted):
    text = page(counted)
    assert "default-src 'none'" in text
    assert not re.findall(r'(?:src|href)="(?!#|data:)', text.replace("xlink:href", "href"))


def test_names_that_look_like_markup_show_as_text(tmp_path):
    name = "<script>alert(1)</script>"
    trial = make_trial(tmp_path / "trial", groups=("own-rooted", name))
    for code in trial.plants["code"]:
        confirm(trial, add_photo(trial, code), 5, reviewer='"><img src=x>')
    text = page(trial)
    assert "<script>alert" not in text
    assert "<img src=x" not in text
    assert text.count("</script>") == 1


def test_a_report_is_not_written_over_without_leave(counted):
    make_report(counted)
    with pytest.raises(CountingError, match="--replace"):
        make_report(counted)


def test_what_was_left_out_stands_in_the_page_with_its_reason(counted):
    leave_out(counted, "A1-1", "broken by the storm", by="the grower")
    text = page(counted)
    assert "broken by the storm" in text
    assert "23 plants" in text


def test_one_plot_for_each_group_gets_no_p_value_on_the_page(tmp_path):
    trial = make_trial(tmp_path / "trial", Beds(blocks=1, plants_per_plot=6))
    for number, code in enumerate(trial.plants["code"]):
        confirm(trial, add_photo(trial, code), 8 + number % 4)
    text = page(trial)
    assert "these plants only" in text
    assert not re.search(r"\bnan\b", re.sub(r"<svg.*?</svg>", "", text, flags=re.DOTALL))


def test_the_making_of_the_counts_adds_up(counted):
    with counted.ledger() as ledger:
        made = making(ledger)
        table = observations(counted, ledger)
    whole = table[(table["measure"] == "fruit") & table["truss"].isna()]
    assert made.kept + made.added == whole["value"].sum()
    assert made.removed == made.photos == made.confirmed == 48
    assert made.reviewers == ("first reviewer",)


def test_the_hash_of_observations_does_not_depend_on_their_order(counted):
    with counted.ledger() as ledger:
        table = observations(counted, ledger)
    assert observations_hash(table) == observations_hash(table.sample(frac=1, random_state=1))
    changed = table.assign(value=table["value"] + 1)
    assert observations_hash(table) != observations_hash(changed)


def test_without_plants_counted_both_ways_there_is_no_share_seen(counted):
    with counted.ledger() as ledger:
        assert calibrate(counted, ledger) is None
    assert "the share seen is not known" in page(counted).replace("\n", " ")


def test_every_plot_draws_empty_tables():
    nothing = pd.DataFrame({"group": [], "value": [], "survey": [], "truss": []})
    groups = [{"group": "plain", "n": 0, "mean": None, "mean_low": None, "mean_high": None}]
    assert plots.every_plant(nothing, groups, "fruit").startswith("<svg")
    assert plots.per_truss(nothing, ["plain"]).startswith("<svg")
    assert bed_map(pd.DataFrame({"row": [], "position": []}), ["plain"], "fruit") == ""
    assert plots.course(nothing, ["plain"], "fruit", empty(EVENTS)).startswith("<svg")


def test_a_plot_is_the_same_each_time_it_is_drawn():
    table = pd.DataFrame({"group": ["a"] * 5, "value": [1.0, 1.0, 2.0, 3.0, 3.0]})
    groups = [{"group": "a", "n": 5, "mean": 2.0, "mean_low": 1.0, "mean_high": 3.0}]
    assert plots.every_plant(table, groups, "x") == plots.every_plant(table, groups, "x")


def test_a_truss_that_one_plant_alone_bears_is_a_hollow_mark_without_a_bar(counted):
    assert "A hollow mark is one truss alone" not in page(counted)
    photo = add_photo(counted, "A1-1", survey="2026-07-15", side="wall")
    confirm(counted, photo, 3, marks=marks(3, truss=9))
    assert "A hollow mark is one truss alone" in page(counted)


def test_the_course_shows_the_intervals_of_the_comparison(counted, monkeypatch):
    drawn = {}
    monkeypatch.setattr(plots, "course", lambda table, *_: drawn.update(table=table) or "<svg/>")
    page(counted)
    with counted.ledger() as ledger:
        main = figures(counted, ledger).main
    table = drawn["table"]
    for group in main.groups:
        here = (table["group"] == group.group) & (table["survey"] == main.survey)
        assert mean_interval(table.loc[here, "value"].to_numpy()) == pytest.approx(
            (group.mean_low, group.mean_high)
        )


def test_the_legend_and_the_numbers_of_events_stand_above_the_plot(counted):
    write_events(counted, [{"at": "2026-07-03 08:00", "kind": "storm damage", "by": "grower"}])
    text = page(counted)
    course = text[text.index('id="course"') :]
    course = course[: course.index("</svg>")]
    heights = {
        word: float(re.search(rf'y="(-?[\d.]+)"[^>]*>{word}</text>', course)[1])
        for word in ("grafted", "1", "2026-07-01")
    }
    assert heights["grafted"] < heights["1"] < heights["2026-07-01"]
    assert "Dotted lines are events" in text


def test_events_of_one_day_share_a_place_and_early_ones_are_only_listed():
    days = ["2026-05-01T08:00", "2026-07-03T08:00", "2026-07-03T18:00", "2026-07-04"]
    kinds = ["pruning"] * 3 + ["note"]  # a note on a plant is no event of the season
    events = pd.DataFrame({"at": days, "kind": kinds})
    surveys = ["2026-07-01", "2026-07-15"]
    assert list(plots.shown_events(events, surveys)) == [2, 3]
    table = pd.DataFrame({"group": ["a"] * 2, "survey": surveys, "value": [1.0, 2.0]})
    assert ">2, 3</text>" in plots.course(table, ["a"], "fruit", events)


def test_beds_numbered_anew_in_each_block_lie_one_below_another() -> None:
    plants = [
        {"code": f"{plot}-{n}", "group": group, "block": plot[0], "plot": plot, "row": 1,
         "position": n, "guard": False, "value": float(n)}
        for plot, group in (("A1", "x"), ("A2", "y"), ("B1", "y"), ("B2", "x"))
        for n in (1, 2, 3)
    ]  # fmt: skip
    table = pd.DataFrame(plants)
    apart = table.assign(row=table["plot"].str[1].astype(int))
    assert [text for text in ("A, row 1", "B, row 2") if text in bed_map(apart, ["x", "y"], "n")]
    assert "B2, row 1" in bed_map(table, ["x", "y"], "n")
    # two plants at one place even within a plot: no map, rather than one that cannot be read
    assert bed_map(table.assign(position=1), ["x", "y"], "n") == ""


def test_the_map_names_groups_by_the_letters_that_tell_them_apart():
    assert short_names(["control", "compost"]) == {"control": "Con", "compost": "Com"}
    assert short_names(["plain", "grafted"]) == {"plain": "P", "grafted": "G"}
    assert short_names(["a", "A"]) == {"a": "A", "A": "B"}
    assert short_names([]) == {}
    long = ["seaweed, full rate", "seaweed, half rate", "water"]
    assert list(short_names(long).values()) == ["A", "B", "C"]


def test_long_names_and_many_events_leave_each_other_room():
    groups = [
        {"group": f"seaweed extract at {rate} rate", "n": 3, "mean": 2.0}
        | {"mean_low": 1.0, "mean_high": 3.0}
        for rate in ("full", "half", "quarter")
    ]
    table = pd.DataFrame({"group": [g["group"] for g in groups], "value": [1.0, 2.0, 3.0]})
    drawn = plots.every_plant(table, groups, "fruit")
    assert max(len(line) for line in re.findall(r">([^<>]*seaweed[^<>]*)</", drawn)[1:]) <= 46
    days = pd.date_range("2026-06-01", periods=12, freq="3D")
    events = pd.DataFrame({"at": days.strftime("%Y-%m-%dT08:00"), "kind": "storm"})
    surveys = pd.DataFrame(
        {"group": ["a"] * 2, "survey": ["2026-06-01", "2026-07-06"], "value": [1.0, 2.0]}
    )
    course = plots.course(surveys, ["a"], "fruit", events)
    assert re.search(r"rotate\(-90[^>]*>12</text>", course)


def test_dates_and_percentages_stay_on_one_line(counted):
    text = re.sub(r"<script.*", "", page(counted), flags=re.DOTALL)
    facts = re.search(r'<p class="facts">(.*?)</p>', text)[1]
    assert facts.count('<span class="date">2026-07-') == 2
    assert not re.search(r"\d %", re.sub(r"<svg.*?</svg>|<[^>]*>", "", text, flags=re.S))


def test_the_methods_call_the_counting_blind_only_where_it_was(counted):
    assert "neither group nor plant" not in page(counted)  # these sheets are not in the ledger
    with counted.ledger() as ledger:
        sheet = {"sheet": "s1", "blind": True, "photos": []}
        ledger.append("sheet", "s1", sheet, by="test")
    text = page(counted)
    assert "neither group nor plant" in text
    assert "none was covered" not in text  # no photo of this trial bears a tag
    with counted.ledger() as ledger:
        ledger.append("sheet", "s1", sheet | {"blind": False}, by="test")
        assert making(ledger).unblinded == 48
    text = page(counted)
    assert "neither group nor plant" not in text
    assert "could know which group was being counted" in text


def test_the_methods_say_on_how_many_photos_a_tag_may_have_shown(counted):
    with counted.ledger() as ledger:
        ledger.append("sheet", "s1", {"sheet": "s1", "blind": True, "photos": []}, by="test")
        taken = list(photos(ledger).values())
    card = [[0, 0], [9, 0], [9, 9], [0, 9]]
    for each in taken[2:]:
        tag = {"code": each.plant, "id": 0, "mm_per_px": 0.5, "card": card}
        add_photo(counted, each.plant, survey=each.survey, photo=each.photo, tag=tag)
    assert "On 2 of these photos no tag was read, so none was covered" in page(counted)


def test_figures_given_are_not_computed_again(counted, monkeypatch):
    with counted.ledger() as ledger:
        numbers = figures(counted, ledger, Choices(above=15))
    monkeypatch.setattr("counting.report.report.figures", None)
    path = make_report(counted, numbers=numbers)
    embedded = re.search(r'id="figures">(.*?)</script>', path.read_text("utf-8"), re.DOTALL)[1]
    assert json.loads(embedded)["choices"]["above"] == 15


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (9.86, 12.6, "9.9 to 12.6"),
        (13.0, 16.9, "13.0 to 16.9"),
        (8.0, 16.0, "8 to 16"),
        (0.318, 0.849, "0.318 to 0.849"),
        (-1.13, 0.966, "\N{MINUS SIGN}1.13 to 0.97"),
        (1234.5, 1600.2, "1234 to 1600"),
        (0.0, 0.0, "0 to 0"),
        (None, 2.0, ""),
    ],
)
def test_both_ends_of_an_interval_have_the_same_decimals(low, high, text):
    assert tables._interval(low, high) == text


def test_two_reviewers_of_the_same_photos_are_compared_on_the_page(counted):
    with counted.ledger() as ledger:
        photos = [entry.key for entry in ledger.standing("photo")][:12]
    for number, photo in enumerate(photos):
        confirm(counted, photo, 10 + number, reviewer="second reviewer", at="2026-07-02T09:00:00Z")
    text = page(counted)
    assert "counted the same 12 photos" in text


def test_the_share_seen_is_that_of_the_survey_asked_for(counted):
    with counted.ledger() as ledger:
        for number, code in enumerate(counted.plants["code"]):
            row = {"survey": "2026-07-15", "plant": code, "truss": None, "measure": "fruit"}
            row |= {"value": 20.0 + number % 5, "unit": "count", "source": "tally", "by": "hand"}
            row |= {"at": "2026-07-15T10:00:00+00:00", "note": ""}
            ledger.append("observation", f"2026-07-15|{code}||fruit|tally|hand", row, by="hand")
        by_hand = figures(counted, ledger, Choices(survey="2026-07-15", source="photo"))
        by_photo_alone = figures(counted, ledger, Choices(survey="2026-07-01", source="photo"))
    assert by_hand.calibration.comparison.survey == "2026-07-15"
    assert by_photo_alone.calibration.comparison is None


def test_the_methods_do_not_claim_millimetres_where_no_photo_had_a_scale(counted):
    text = page(counted)
    assert "no photo carried a scale, so their size was judged by eye" in text
    assert "Fruit of at least" not in text
    tag = {"code": "A1-1", "id": 0, "mm_per_px": 0.5}
    photo = add_photo(counted, "A1-1", survey="2026-07-15", tag=tag)
    assert photo
    text = page(counted)
    assert "Fruit of at least 10 mm were counted" in text
    assert "On 47 of 48 photos no tag gave the scale: size by eye there." in text
