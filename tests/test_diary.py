"""The diary: dated events, dilutions in both readings, cautions beside an application."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from trials import make_trial
from typer.testing import CliRunner

from counting.cli import app
from counting.errors import TallyError
from counting.records.diary import (
    CAUTIONS,
    KINDS,
    as_lines,
    events,
    read_events,
    strike,
    write_events,
)
from counting.records.dilution import dilution_of, read_dilution
from counting.tables import EVENTS

SPRAY = {"at": "2026-07-01 07:30", "kind": "application", "product": "soap solution"}


@pytest.fixture
def trial(tmp_path):
    return make_trial(tmp_path / "trial")


def table(trial):
    with trial.ledger() as ledger:
        return events(ledger)


def write(trial, **row):
    return write_events(trial, [{"at": "2026-07-01", "kind": "other", **row}])


# ---- dilutions: 1 part in 101 and 1 part in 100 (own arithmetic: 1000/101 and 1000/100 ml)


@pytest.mark.parametrize(
    ("text", "ml", "to_water"),
    [
        ("1 : 100", 9.90, 10.0),
        ("1:100", 9.90, 10.0),
        ("1 + 100", 9.90, 10.0),
        ("1 to 100", 9.90, 10.0),
        ("1 in 100", 10.0, 10.10),
        ("2 in 100", 20.0, 20.41),
        ("1 : 1", 500.0, 1000.0),
        ("0,5 : 10", 47.62, 50.0),
    ],
)
def test_a_dilution_in_ml_per_litre(text, ml, to_water):
    mix = read_dilution(text)
    assert mix.ml_per_litre == pytest.approx(ml, abs=0.005)
    assert mix.ml_to_a_litre_of_water == pytest.approx(to_water, abs=0.005)


def test_both_readings_are_told():
    assert read_dilution("1 : 100").sentence == (
        "1 : 100 (1 in 101): 9.90 ml per litre of mix, or 10.00 ml to each litre of water. "
        "1 in 100 would be 10.00 ml per litre of mix."
    )
    assert read_dilution("1 in 100").sentence == (
        "1 in 100 (1 : 99): 10.00 ml per litre of mix, or 10.10 ml to each litre of water. "
        "1 : 100 would be 9.90 ml per litre of mix."
    )


@pytest.mark.parametrize(
    "text", ["0 : 100", "1 : 0", "1 in 1", "2 in 1", "0:0", "1 in 0", "1 : 99999999"]
)
def test_a_part_of_nothing_is_refused(text):
    with pytest.raises(ValueError, match="must be above 0"):
        read_dilution(text)


@pytest.mark.parametrize("text", ["", "1 %", "a capful", "1:100:1", "-1 : 100", "1 / 100"])
def test_what_is_no_dilution_is_refused(text):
    with pytest.raises(ValueError, match="write 1 : 100"):
        read_dilution(text)


@given(st.floats(0.01, 1000), st.floats(0.01, 1000))
def test_the_two_doses_agree(product, water):
    mix = dilution_of(product, water)
    assert 0 < mix.ml_per_litre < 1000
    assert mix.ml_per_litre < mix.ml_to_a_litre_of_water
    litre_of_mix = mix.ml_per_litre + mix.ml_per_litre * water / product
    assert litre_of_mix == pytest.approx(1000)
    assert mix.upside_down == (product > water)


# ---- writing


def test_an_event_is_written_and_listed(trial):
    write(trial, kind="Storm damage", scope="a", note="two trusses broken", by="ann")
    (row,) = table(trial).to_dict("records")
    assert list(table(trial).columns) == list(EVENTS)
    assert (row["kind"], row["scope"], row["at"], row["by"]) == (
        "storm damage", "A", "2026-07-01", "ann"
    )  # fmt: skip


def test_an_application_shows_its_dose_and_the_cautions(trial):
    written = write_events(trial, [{**SPRAY, "dilution": "1 : 100", "amount_litre": "2"}])
    assert written.cautions == CAUTIONS
    assert written.remarks == (read_dilution("1 : 100").sentence,)
    (row,) = table(trial).to_dict("records")
    assert (row["product_parts"], row["water_parts"]) == (1, 100)
    assert row["ml_per_litre"] == pytest.approx(9.901, abs=0.001)


def test_the_cautions_name_what_they_must():
    text = " ".join(CAUTIONS).lower()
    for word in ("label", "harvest", "protective clothing", "licensed", "apart", "no advice"):
        assert word in text


def test_other_events_need_no_cautions(trial):
    assert write(trial, kind="picking").cautions == ()


def test_parts_and_words_of_a_dilution_are_the_same(trial):
    write_events(trial, [{**SPRAY, "product_parts": "1", "water_parts": "99"}])
    write_events(trial, [{**SPRAY, "dilution": "1 in 100"}])
    assert table(trial)["ml_per_litre"].tolist() == [10.0, 10.0]


def test_more_product_than_water_is_asked_about(trial):
    written = write_events(trial, [{**SPRAY, "dilution": "100 : 1"}])
    assert any("wrong way round" in remark for remark in written.remarks)


def test_a_spray_without_its_hour_is_asked_about(trial):
    written = write_events(trial, [{**SPRAY, "at": "2026-07-01"}])
    assert any("hour" in remark for remark in written.remarks)


def test_the_same_event_twice_is_one(trial):
    assert write(trial, note="frost on the leaves").added == 1
    assert write(trial, note="frost on the leaves").added == 0
    assert len(table(trial)) == 1


def test_an_event_is_corrected_by_its_id_and_struck_with_a_reason(trial):
    first = write(trial, note="wrong").events["event"].iloc[0]
    write(trial, note="right", event=first)
    assert table(trial)["note"].tolist() == ["right"]
    strike(trial, first, "never happened", by="ann")
    assert table(trial).empty
    with trial.ledger() as ledger:
        assert len(list(ledger.entries("event"))) == 3
    with pytest.raises(TallyError, match="no event"):
        strike(trial, first, "again", by="ann")


def test_the_diary_is_in_order_of_time(trial):
    for at in ("2026-07-03", "2026-07-01T12:00", "2026-07-01"):
        write(trial, at=at)
    assert table(trial)["at"].tolist() == ["2026-07-01", "2026-07-01T12:00", "2026-07-03"]


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ({"kind": ""}, "no kind; any word will do, such as application, pruning"),
        ({"at": ""}, "no date and time"),
        ({"at": "01.07.2026"}, "write 2026-07-01"),
        ({"at": "2026-02-30"}, "no date and time"),
        ({"scope": "Z9"}, "no group, block, plot or plant"),
        ({"kind": "application"}, "without a product"),
        ({"dilution": "0 : 100"}, "must be above 0"),
        ({"product_parts": "0", "water_parts": "100"}, "must be above 0"),
        ({"product_parts": "1"}, "go together"),
        ({"amount_litre": "-2"}, "must be above 0"),
        ({"amount_litre": "two"}, "not a number"),
        ({"dilution": "1:100", "product_parts": "1", "water_parts": "9"}, "give either"),
        ({"dilution": "1:100", "ml_per_litre": "50"}, "does not fit the dilution"),
        ({"note": "x" * 3000}, "longer than"),
    ],
)
def test_an_event_that_cannot_be_is_refused_and_nothing_written(trial, row, said):
    with pytest.raises(TallyError, match=said):
        write(trial, **row)
    assert table(trial).empty


def test_a_dose_may_be_rounded_or_in_the_other_reading(trial):
    write_events(trial, [{**SPRAY, "dilution": "1 : 100", "ml_per_litre": "10"}])
    assert len(table(trial)) == 1


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_is_taken(trial, kind):
    assert write(trial, kind=kind, product="water").added == 1


# ---- sheets


def test_a_sheet_of_events_is_taken_in_whole(trial, tmp_path):
    path = tmp_path / "diary.csv"
    path.write_text(
        "at;kind;scope;product;product_parts;water_parts;amount_litre\n"
        "2026-07-01 07:30;application;A1;soap;1;100;2,5\n2026-07-02;picking;;;;;\n",
        encoding="utf-8-sig",
    )
    assert read_events(trial, path).added == 2
    assert table(trial)["amount_litre"].iloc[0] == 2.5
    assert read_events(trial, path).added == 0


def test_every_bad_line_of_a_sheet_is_named_and_nothing_written(trial, tmp_path):
    path = tmp_path / "diary.csv"
    path.write_text(
        "at,kind\n2026-07-01,picking\n2026-07-99,picking\n2026-13-01,dance\n", encoding="utf-8"
    )
    with pytest.raises(TallyError) as caught:
        read_events(trial, path)
    assert "line 3" in str(caught.value)
    assert "line 4" in str(caught.value)
    assert table(trial).empty


@pytest.mark.parametrize(
    ("text", "said"), [("at,kind,colour\n", "unknown column colour"), ("at\n", "no column kind")]
)
def test_a_sheet_of_other_columns_is_refused(trial, tmp_path, text, said):
    (tmp_path / "diary.csv").write_text(text, encoding="utf-8")
    with pytest.raises(TallyError, match=said):
        read_events(trial, tmp_path / "diary.csv")


# ---- the command


def run(*arguments):
    return CliRunner().invoke(app, ["diary", *map(str, arguments)])


def test_the_command_writes_tells_and_lists(trial):
    result = run(
        trial.directory, "--kind", "application", "--at", "2026-07-01 07:30", "--product", "soap",
        "--product-parts", "1", "--water-parts", "100", "--by", "ann",
    )  # fmt: skip
    assert result.exit_code == 0
    assert "9.90 ml per litre of mix" in result.stderr
    assert "This record is no advice" in result.stderr
    listed = run(trial.directory).stdout
    assert "2026-07-01 07:30, application, whole trial, soap, by ann" in listed
    assert "9.90 ml per litre" in listed
    told = json.loads(run(trial.directory, "--json", "-").stdout)
    assert told[0]["product"] == "soap"


def test_an_empty_diary_says_so(trial):
    assert run(trial.directory).stdout == "The diary is empty.\n"
    assert as_lines(table(trial)) == ["The diary is empty."]
