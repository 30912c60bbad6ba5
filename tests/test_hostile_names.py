"""Names, remarks and numbers made to do harm: shown, compared, refused or asked about."""

import json
import os
import unicodedata
from pathlib import Path

import pandas as pd
import pytest
from hostile import NAMES
from hypothesis import given, settings
from hypothesis import strategies as st
from trials import SURVEY, Beds, add_photo, confirm, draw_photo, make_trial, marks
from typer.testing import CliRunner

from counting.accuracy.labels import read_labels
from counting.cli import app
from counting.errors import CorrectionsError, LabelsError, PlanError, TallyError
from counting.files import strict_json
from counting.photos.gather import Batch
from counting.photos.intake import take_in
from counting.plan.map import map_picture
from counting.records.diary import read_events, write_events
from counting.records.exclusions import leave_out
from counting.records.tallies import take_tallies
from counting.report.export import export
from counting.report.report import make_report
from counting.review.document import parse
from counting.spreadsheet import read_sheet, safe_cell, typed_cell
from counting.text import one_line, plain_name, shown


def run(*arguments):
    return CliRunner().invoke(app, list(map(str, arguments)))


def tally(folder: Path, text: str, name: str = "tally.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture
def trial(tmp_path):
    return make_trial(tmp_path / "trial")


# ---- shown and compared


@given(st.text())
@settings(max_examples=300)
def test_no_text_shown_holds_a_letter_that_a_terminal_obeys(text):
    for letter in shown(text).replace("\n", "").replace("\t", ""):
        assert unicodedata.category(letter) not in {"Cc", "Cf", "Cs", "Zl", "Zp"}
    assert "\n" not in one_line(text)


@given(st.dictionaries(st.text(), st.text() | st.integers()))
@settings(max_examples=200)
def test_json_that_is_shown_is_the_same_json(value):
    assert json.loads(shown(json.dumps(value, ensure_ascii=False))) == value


def test_plain_text_is_shown_as_it_is():
    text = "A1-1 é ü 漢字 ＝ 100 % “quoted” – dash\n\ttab"
    assert shown(text) == text


def test_names_that_look_alike_are_one():
    alike = [
        "Anna é",
        " Anna\u00a0é ",
        "Anna e\u0301",
        "An\u200bna é",
        "\u202eAnna é\u2069",
        "Anna\té",
    ]
    assert {plain_name(name) for name in alike} == {"Anna é"}


@pytest.mark.parametrize("name", ["\x1b[31mred", "ding\x07", "half \ud800", "c1 \x9b"])
def test_a_name_with_a_control_character_is_refused_and_the_message_shows_it(name):
    with pytest.raises(ValueError, match=r"control character \\u[0-9a-f]{4}; take it out"):
        plain_name(name)


# ---- every door


@pytest.mark.parametrize("name", list(NAMES))
def test_a_hostile_name_in_a_tally_is_one_refusal_or_a_plain_name(trial, tmp_path, name):
    text = NAMES[name]
    quoted = '"' + text.replace('"', '""') + '"'
    sheet = tally(tmp_path, f"survey,plant,by,fruit\n{SURVEY},A1-1,{quoted},3\n")
    try:
        taken = take_tallies(trial, [sheet])
    except TallyError as error:
        assert "control character" in str(error)  # noqa: PT017
        assert shown(str(error)) == str(error)  # noqa: PT017
    else:
        ((by,),) = taken.rows["by"]
        assert shown(by) == by


def test_one_counter_with_and_without_an_invisible_letter_counts_once(trial, tmp_path):
    for number, by in enumerate(("ann", "an\u200bn", "ann\u2060")):
        sheet = tally(tmp_path, f"survey,plant,by,fruit\n{SURVEY},A1-1,{by},{number}\n")
        take_tallies(trial, [sheet])
    with trial.ledger() as ledger:
        assert len(list(ledger.standing("observation"))) == 1


def test_a_control_character_in_a_note_is_one_refusal_that_names_the_line(trial, tmp_path):
    text = f"survey,plant,by,fruit,note\n{SURVEY},A1-1,ann,3,\n{SURVEY},A1-2,ann,3,bell \x07\n"
    with pytest.raises(TallyError, match=r"line 3.*note holds the control character \\u0007"):
        take_tallies(trial, [tally(tmp_path, text)])
    with pytest.raises(TallyError, match=r"note holds the control character \\u001b"):
        write_events(trial, [{"at": SURVEY, "kind": "frost", "note": "\x1b]0;title\x07"}])
    with pytest.raises(TallyError, match="control character"):
        leave_out(trial, "A1-1", "bell \x07", by="ann")


def test_an_older_entry_with_control_characters_is_exported_listed_and_reported(trial):
    body = {"truss": None, "measure": "fruit", "value": 3.0, "unit": "count", "survey": SURVEY}
    body |= {
        "plant": "A1-1",
        "by": "a\x07nn",
        "at": "",
        "note": "\x1b[31mred\x0b",
        "source": "tally",
    }
    event = {"event": "e1", "at": SURVEY, "kind": "frost", "scope": "", "product": "\x1b[2J"}
    event |= {"weather": "", "by": "", "note": "\x00\x07", "product_parts": None}
    event |= dict.fromkeys(("water_parts", "ml_per_litre", "amount_litre"))
    with trial.ledger() as ledger:
        ledger.append("observation", f"{SURVEY}|A1-1||fruit|tally|ann", body, by="test")
        ledger.append("event", "e1", event, by="test")
    written = export(trial)
    for path in written.files:
        if path.suffix == ".csv":
            assert "\x1b" not in path.read_text(encoding="utf-8")
    listed = run("diary", trial.directory)
    assert listed.exit_code == 0
    assert "\x1b" not in listed.output
    assert "\\u001b[2J" in listed.output
    make_report(trial)
    assert "\x1b" not in (trial.directory / "report.html").read_text(encoding="utf-8")


def test_a_reviewer_is_the_same_with_letters_that_nobody_sees(trial):
    def document(reviewer):
        answer = {"photo": "a" * 64, "proposal": "b" * 64, "at": "2026-07-01T18:00:00+00:00"}
        answer |= {"answer": "counted", "count": 1, "seconds": 1.0, "clicks": 1, "marks": marks(1)}
        head = {"format": "counting corrections", "version": 1, "trial": "t", "sheet": "s1"}
        head |= {"reviewer": reviewer, "saved_at": "2026-07-01T18:00:00+00:00"}
        return json.dumps({**head, "photos": [answer]}).encode()

    names = ("Zoe\u0308", "Zoë", "Z\u200boë", "\u202eZoë\u202c")
    assert {parse(document(name), "x").reviewer for name in names} == {"Zoë"}
    for name in ("\x1b[1mann", "a|b", "a\nb", "\u200b"):
        with pytest.raises(CorrectionsError):
            parse(document(name), "x")


def test_a_time_of_year_one_is_refused_and_does_not_overflow(trial):
    text = '{"format": "counting corrections", "version": 1, "trial": "t", "sheet": "s", '
    text += '"reviewer": "a", "saved_at": "0001-01-01T00:00:00+14:00", "photos": []}'
    with pytest.raises(CorrectionsError, match="before any sheet"):
        parse(text.encode(), "x")
    with pytest.raises(TallyError, match="the year 1: is a year from 1900"):
        write_events(trial, [{"at": "0001-01-01 00:00+14:00", "kind": "frost"}])


def test_the_year_9999_and_ten_to_the_29_fruit_are_asked_about(trial, tmp_path):
    text = f"survey,plant,by,fruit\n{SURVEY},A1-1,ann,1{'0' * 28}\n"
    with pytest.raises(TallyError, match="fruit is 10{28} on one plant: is that meant"):
        take_tallies(trial, [tally(tmp_path, text)])
    text = "survey,plant,by,fruit\n9999-07-01,A1-1,ann,3\n"
    with pytest.raises(TallyError, match="the year 9999: is a year from 1900"):
        take_tallies(trial, [tally(tmp_path, text)])
    with pytest.raises(TallyError, match="the year 9999"):
        write_events(trial, [{"at": "9999-12-31", "kind": "frost"}])


def test_a_plan_with_a_control_character_names_the_line(tmp_path):
    trial = make_trial(tmp_path / "trial")
    path = trial.directory / "plants.csv"
    text = path.read_text(encoding="utf-8").replace("A1-2,", "A1\x07-2,", 1)
    path.write_text(text, encoding="utf-8")
    from counting.plan.trial import load_trial

    with pytest.raises(PlanError, match=r"line 3: code holds the control character \\u0007"):
        load_trial(trial.directory)


@pytest.mark.parametrize("name", [r"$\frac{$", "$x^2$", "50 % & <b>", "#hash_", "é\u0301"])
def test_a_group_called_like_mathematics_is_drawn_as_it_is_written(tmp_path, name):
    trial = make_trial(tmp_path / "trial", groups=("own-rooted", name))
    for number, code in enumerate(trial.plants["code"]):
        confirm(trial, add_photo(trial, code), 5 + number)
    make_report(trial)
    page = (trial.directory / "report.html").read_text(encoding="utf-8")
    assert "<svg" in page
    for form in ("svg", "png"):
        assert map_picture(trial, form=form)


# ---- files with names of any bytes


def test_a_photo_whose_name_is_not_utf8_is_taken_in_or_refused_and_never_stops_the_others(tmp_path):
    trial = make_trial(tmp_path / "trial", Beds())
    camera = tmp_path / "camera" / "A1-1"
    draw_photo(camera / "good.jpg", seed=1)
    odd = camera.parent / "A1-2" / os.fsdecode(b"fr\xfcit.jpg")
    odd.parent.mkdir()
    os.link(draw_photo(tmp_path / "other.jpg", seed=2), odd)
    done = take_in(trial, [camera.parent], batch=Batch(survey=SURVEY))
    assert len(done.taken) + len(done.refused) == 2
    assert "A1-1" in set(done.taken["plant"])
    inside = trial.directory / "photos" / SURVEY / "A2-1" / os.fsdecode(b"\xff.jpg")
    inside.parent.mkdir(parents=True)
    os.link(draw_photo(tmp_path / "third.jpg", seed=3), inside)
    done = take_in(trial, [inside], batch=Batch(survey=SURVEY))
    assert "not UTF-8" in done.refused[0].reason
    result = run("take-in", trial.directory, inside, "--survey", SURVEY)
    assert result.exit_code == 2
    assert "\\udcff" in result.stderr
    looked = run("look", odd, "--json", "-")
    assert looked.exit_code == 0
    assert json.loads(looked.stdout)[0]["photo"].endswith("it.jpg")


def test_a_missing_photo_with_escapes_in_its_name_is_told_without_them(tmp_path):
    trial = make_trial(tmp_path / "trial")
    result = run("take-in", trial.directory, tmp_path / "no\x1b[31m\nsuch.jpg", "--survey", SURVEY)
    assert result.exit_code == 2
    assert "\x1b" not in result.output + result.stderr
    assert "no\\u001b[31m\\nsuch.jpg" in result.stderr


# ---- spreadsheets and JSON


@given(st.text(alphabet="'=+-@\t\r\n \uff1d\uff0b\uff0d\uff20ab1.5", max_size=8))
@settings(max_examples=500)
def test_every_text_comes_back_from_a_cell_and_none_is_a_formula(text):
    cell = safe_cell(text)
    assert typed_cell(cell) == text or not text.startswith("'") and typed_cell(text) != text
    first = unicodedata.normalize("NFKC", cell.strip()[:1])
    if first in set("=@") or (first in set("+-") and not cell.strip()[1:2].isdigit()):
        pytest.fail(cell)


def test_what_was_exported_is_the_same_when_it_is_taken_in_again(tmp_path):
    trial = make_trial(tmp_path / "trial")
    notes = ["=1+1", "＝cmd", "'quoted", "'=both", "-5", "- dash", "@at", 'two, "three"']
    counters = ("ann", "+ben", "=eve", "'=fay")
    rows = [
        {"survey": SURVEY, "plant": code, "by": by, "fruit": "3", "note": note}
        for code, by, note in zip(trial.plants["code"], counters * 2, notes, strict=True)
    ]
    table = pd.DataFrame(rows)
    table[["by", "note"]] = table[["by", "note"]].map(safe_cell)
    table.to_csv(tmp_path / "tally.csv", index=False)
    take_tallies(trial, [tmp_path / "tally.csv"])
    events = [{"at": SURVEY, "kind": "other", "note": note, "by": "@ann"} for note in notes]
    write_events(trial, events)
    with trial.ledger() as ledger:
        before = [(e.kind, e.key, e.body) for e in ledger.entries()]
    assert {body["note"] for kind, _, body in before if kind == "event"} == set(notes)
    folder = export(trial).folder
    again = take_tallies(trial, [folder / "observations.csv"])
    assert (again.added, again.again) == (0, len(rows))
    assert read_events(trial, folder / "diary.csv").added == 0
    sheets = pd.read_excel(folder / "tables.xlsx", sheet_name=None, dtype=str)
    sheets["observations"].to_excel(tmp_path / "again.xlsx", index=False)
    assert take_tallies(trial, [tmp_path / "again.xlsx"]).added == 0
    with trial.ledger() as ledger:
        assert [(e.kind, e.key, e.body) for e in ledger.entries()] == before


def test_a_key_that_stands_twice_is_refused(tmp_path):
    with pytest.raises(ValueError, match="the key 'a' stands twice"):
        strict_json('{"b": [{"a": 1, "c": 2, "a": 3}]}')
    with pytest.raises(CorrectionsError, match="'reviewer' stands twice"):
        parse(b'{"format": "counting corrections", "reviewer": "a", "reviewer": "b"}', "x")
    labels = tmp_path / "labels.json"
    labels.write_text('{"images": [], "annotations": [], "annotations": [], "categories": []}')
    with pytest.raises(LabelsError, match="'annotations' stands twice"):
        read_labels(tmp_path, labels)


def test_a_workbook_with_a_formula_is_read_by_its_value_and_text_stays_text(tmp_path):
    sheet = tmp_path / "tally.csv"
    sheet.write_text("plant,note\nA1,'=1+1\n", encoding="utf-8")
    assert read_sheet(sheet).rows[0].get("note") == "=1+1"
