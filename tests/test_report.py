"""The report's page and its plots."""

import json
import re

import numpy as np
import pandas as pd
import pytest
from trials import Beds, add_photo, confirm, make_trial, marks

from counting.analysis.calibrate import calibrate
from counting.errors import CountingError
from counting.records.exclusions import leave_out
from counting.records.observations import observations
from counting.report import plots
from counting.report.counts import making
from counting.report.figures import Choices, figures, observations_hash
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
    assert plots.course(nothing, ["plain"], "fruit", empty(EVENTS)).startswith("<svg")


def test_a_plot_is_the_same_each_time_it_is_drawn():
    table = pd.DataFrame({"group": ["a"] * 5, "value": [1.0, 1.0, 2.0, 3.0, 3.0]})
    groups = [{"group": "a", "n": 5, "mean": 2.0, "mean_low": 1.0, "mean_high": 3.0}]
    assert plots.every_plant(table, groups, "x") == plots.every_plant(table, groups, "x")


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
