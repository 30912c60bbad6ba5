"""Spreadsheets as people write them are understood, asked about, and remembered."""

import json
import os
import pty
import subprocess
import sys
from datetime import date

import openpyxl
import pandas as pd
import pytest
from commanded import counting
from trials import make_trial

from counting.plan.field_sheet import FieldSheet, field_sheet_pdf, field_table
from counting.records.sheets.told import TOLD_NAME
from counting.records.sheets.vocabulary import Vocabulary

SURVEY = ("--survey", "2026-07-06")


@pytest.fixture
def trial(tmp_path):
    return make_trial(tmp_path / "trial")


def book(path, *pages):
    """Write a workbook of pages, each a name and rows."""
    made = openpyxl.Workbook()
    made.remove(made.active)
    for name, rows in pages:
        page = made.create_sheet(name)
        for row in rows:
            page.append(row)
    made.save(path)
    return path


def written(tmp_path, text, name="mine.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def kept(trial):
    """Return what the ledger holds: plant and measure to value and note."""
    with trial.ledger() as ledger:
        bodies = [entry.body for entry in ledger.standing("observation")]
    return {(b["plant"], b["measure"]): (b["value"], b["note"], b["survey"]) for b in bodies}


MINE = [
    ["Tunnel trial, counted on 6 July 2026 by the two of us"],
    [],
    ["Plant no.", "Number of fruits", "Ht (cm)", "Remarks"],
    ["A1/1", 12, "98,5", ""],
    ["a1 2", "dead", "", ""],
    [],
    ["A2-1", 7, 110, "wet"],
    ["A2 2", "-", 112, ""],
    ["B1-1", 3, "1,05 m", ""],
    ["Total", 22, None, None],
]


def test_a_sheet_with_titles_own_words_commas_and_a_total_is_taken_in(trial, tmp_path):
    path = book(tmp_path / "mine.xlsx", ("July", MINE))
    done = counting("tally", trial.directory, path, *SURVEY)
    assert done.code == 0, done.err
    assert "read 'Plant no.' as plant, 'Number of fruits' as fruit, 'Ht (cm)' as height cm" in (
        done.err
    )
    assert "line 10 passed over, a total: Total 22" in done.err
    found = kept(trial)
    assert found["A1-1", "fruit"][0] == 12
    assert found["A1-1", "height"][0] == 985
    assert found["A1-2", "fruit"][:2] == (None, "dead")
    assert found["B1-1", "height"][0] == 1050
    assert ("A2-2", "fruit") not in found  # nobody looked: no zero
    assert found["A2-2", "height"][0] == 1120


def test_a_date_in_the_title_is_offered_not_taken(trial, tmp_path):
    path = book(tmp_path / "mine.xlsx", ("July", MINE))
    done = counting("tally", trial.directory, path)
    assert done.code == 2
    assert "no column survey" in done.err
    assert "Line 1 says 2026-07-06; if that is the survey, pass --survey 2026-07-06." in done.err
    assert kept(trial) == {}


def test_the_preview_shows_the_reading_and_writes_nothing(trial, tmp_path):
    path = book(tmp_path / "mine.xlsx", ("July", MINE))
    done = counting("tally", trial.directory, path, *SURVEY, "--preview")
    assert done.code == 0
    assert "headings in line 3, 5 rows" in done.out
    assert "Number of fruits  fruit      its heading  12, dead, 7" in done.out
    assert "Nothing was written: this was a preview." in done.err
    assert kept(trial) == {}
    told = json.loads(
        counting("tally", trial.directory, path, *SURVEY, "--preview", "--json", "-").out
    )
    assert [column["read_as"] for column in told[0]["columns"]] == [
        "plant", "fruit", "height cm", "note"
    ]  # fmt: skip


def test_other_pages_that_look_like_tallies_are_named(trial, tmp_path):
    rows = [["plant", "fruit"], ["A1-1", 3]]
    pages = ("Notes", [["to do"]]), ("July", MINE), ("August", rows), ("Costs", [["item", "sum"]])
    path = book(tmp_path / "year.xlsx", *pages)
    done = counting("tally", trial.directory, path, *SURVEY)
    assert done.code == 0, done.err
    said = "page 'July' was read. 'August' looks like a tally too and was not read; take it in with"
    assert said in done.err
    done = counting("tally", trial.directory, path, "--page", "august", "--survey", "2026-08-03")
    assert done.code == 0, done.err
    assert kept(trial)["A1-1", "fruit"][0] in {3, 12}
    done = counting("tally", trial.directory, path, "--page", "May", *SURVEY)
    assert "no page 'May'; expected one of Notes, July, August, Costs" in done.err


@pytest.mark.parametrize("form", ["xlsx", "ods"])
def test_pages_are_read_from_either_kind_of_workbook(trial, tmp_path, form):
    path = tmp_path / f"two.{form}"
    with pd.ExcelWriter(path, engine="odf" if form == "ods" else "openpyxl") as writer:
        pd.DataFrame({"x": ["nothing"]}).to_excel(writer, sheet_name="First", index=False)
        pd.DataFrame({"plant": ["A1-1"], "fruit": [4]}).to_excel(
            writer, sheet_name="Second", index=False
        )
    assert counting("tally", trial.directory, path, *SURVEY).code == 0
    assert kept(trial)["A1-1", "fruit"][0] == 4


def test_a_share_shown_as_percent_is_percent(trial, tmp_path):
    path = book(tmp_path / "d.xlsx", ("July", [["plant", "disease"], ["A1-1", 0.25]]))
    made = openpyxl.load_workbook(path)
    made["July"]["B2"].number_format = "0%"
    made.save(path)
    assert counting("tally", trial.directory, path, *SURVEY).code == 0
    assert kept(trial)["A1-1", "disease"][0] == 25


# ---- dates


def test_the_order_of_dates_is_asked_once_and_remembered(trial, tmp_path):
    first = written(tmp_path, "date,plant,fruit\n06/07/2026,A1-1,12\n", "a.csv")
    done = counting("tally", trial.directory, first)
    assert done.code == 2
    assert "06/07/2026 may be 6 July or 7 June 2026; pass --dates day-first or" in done.err
    done = counting("tally", trial.directory, first, "--dates", "day-first")
    assert done.code == 0, done.err
    assert "dates were read day first" in done.err
    assert f"remembered in {TOLD_NAME}" in done.err
    second = written(tmp_path, "date,plant,fruit\n03/08/2026,A1-2,5\n", "b.csv")
    done = counting("tally", trial.directory, second)
    assert done.code == 0, done.err
    assert {place[2] for place in kept(trial).values()} == {"2026-07-06", "2026-08-03"}


@pytest.mark.parametrize(
    ("day", "other", "read"),
    [("13/07/2026", "06/07/2026", "2026-07-06"), ("07/13/2026", "07/06/2026", "2026-07-06")],
)
def test_one_clear_date_tells_the_order_of_all(trial, tmp_path, day, other, read):
    text = f"date,plant,fruit\n{day},A1-1,12\n{other},A1-2,3\n"
    assert counting("tally", trial.directory, written(tmp_path, text)).code == 0
    assert kept(trial)["A1-2", "fruit"][2] == read


@pytest.mark.parametrize("text", ["6.7.2026", "6 July 2026", "2026-07-06 00:00", "Jul 6, 2026"])
def test_dates_with_one_reading_are_taken(trial, tmp_path, text):
    path = written(tmp_path, f'date,plant,fruit\n"{text}",A1-1,12\n')
    assert counting("tally", trial.directory, path).code == 0
    assert kept(trial)["A1-1", "fruit"][2] == "2026-07-06"


# ---- columns


def test_an_unknown_column_is_asked_about_and_remembered(trial, tmp_path):
    path = written(tmp_path, "survey,plant,Toms\n2026-07-06,A1-1,12\n")
    done = counting("tally", trial.directory, path)
    assert done.code == 2
    assert "unknown column 'toms'" in done.err
    assert '--column "toms=fruit" (or ignore)' in done.err
    assert counting("tally", trial.directory, path, "--column", "Toms=fruit").code == 0
    again = written(tmp_path, "survey,plant,TOMS\n2026-07-06,A1-2,3\n", "again.csv")
    assert counting("tally", trial.directory, again).code == 0
    assert kept(trial)["A1-2", "fruit"][0] == 3
    done = counting("tally", trial.directory, path, "--column", "Toms=happiness")
    assert "'happiness' is nothing that is recorded" in done.err


def test_a_column_can_be_passed_over(trial, tmp_path):
    path = written(tmp_path, "survey,plant,fruit,my score\n2026-07-06,A1-1,12,good\n")
    assert counting("tally", trial.directory, path, "--column", "my score=ignore").code == 0


def test_plants_are_found_by_their_codes_where_no_heading_says_so(trial, tmp_path):
    path = written(tmp_path, "date,Vine,fruit\n2026-07-06,A1-1,12\n2026-07-06,B1/2,4\n")
    done = counting("tally", trial.directory, path)
    assert done.code == 0, done.err
    assert kept(trial)["B1-2", "fruit"][0] == 4


def test_at_the_keyboard_it_asks(trial, tmp_path):
    path = written(tmp_path, "date,plant,Toms\n06/07/2026,A1-1,12\n")
    mine, theirs = pty.openpty()
    os.write(mine, b"hm\nfruit\n1\n")
    command = [sys.executable, "-m", "counting", "tally", str(trial.directory), str(path)]
    done = subprocess.run(command, stdin=theirs, capture_output=True, text=True, check=False)
    os.close(mine)
    os.close(theirs)
    assert done.returncode == 0, done.stderr
    assert "what is the column 'Toms' (12)?" in done.stderr
    assert "is 06/07/2026 (1) 6 July or (2) 7 June?" in done.stderr
    assert kept(trial)["A1-1", "fruit"] == (12, "", "2026-07-06")


# ---- doubtful cells


def test_all_that_is_unclear_stands_in_one_table_with_the_mend(trial, tmp_path):
    text = (
        "survey,plant,fruit,height mm,note\n"
        "2026-07-06,A1-1,12?,120.5,\n"
        "2026-07-06,A1-11,x7,1200,\n"
        "2026-07-06,A2-1,5,1300,\n"
    )
    done = counting("tally", trial.directory, written(tmp_path, text))
    assert done.code == 2
    lines = done.err.splitlines()
    assert "rows cannot be used; nothing was written; mend and take it in again" in lines[0]
    assert lines[1].split() == ["where", "plant", "column", "cell", "what", "to", "mend"]
    assert any("line 2" in line and "12?" in line and "not a number" in line for line in lines)
    assert any("120.5 mm (12.05 cm) is hard to believe of tomato; is it cm?" in i for i in lines)
    assert any("'A1-11' is not in the plan; did you mean A1-1?" in line for line in lines)
    assert any("line 3" in line and "x7" in line for line in lines)
    assert kept(trial) == {}


def test_a_height_that_is_right_is_confirmed_by_its_unit(trial, tmp_path):
    text = "survey,plant,fruit,height mm\n2026-07-06,A1-1,1,120.5 mm\n2026-07-06,A1-2,1,120.5 cm\n"
    assert counting("tally", trial.directory, written(tmp_path, text)).code == 0
    found = kept(trial)
    assert (found["A1-1", "height"][0], found["A1-2", "height"][0]) == (120.5, 1205)


def test_a_whole_column_in_another_unit_is_asked_about_once(trial, tmp_path):
    codes = trial.plants["code"][:4]
    rows = "".join(f"2026-07-06,{code},{98 + n}\n" for n, code in enumerate(codes))
    path = written(tmp_path, f"survey,plant,height\n{rows}")
    done = counting("tally", trial.directory, path)
    assert done.code == 2
    assert len(done.err.strip().splitlines()) == 1
    assert "4 of 4 are hard to believe, such as 98; in another unit?" in done.err
    assert '--column "height=height cm"' in done.err
    assert counting("tally", trial.directory, path, "--column", "height=height cm").code == 0
    assert kept(trial)["A1-1", "height"][0] == 980
    assert counting("tally", trial.directory, path, "--as-written").code == 0


@pytest.mark.parametrize("word", ["dead", "Broken", "not found", "missing", "eaten"])
def test_a_reason_in_the_cell_is_a_missing_value_with_its_reason(trial, tmp_path, word):
    path = written(tmp_path, f"survey,plant,fruit\n2026-07-06,A1-1,{word}\n")
    assert counting("tally", trial.directory, path).code == 0
    assert kept(trial)["A1-1", "fruit"][:2] == (None, word.lower())


def test_sums_below_without_a_word_are_passed_over_and_a_lost_code_is_not(trial, tmp_path):
    text = "survey,plant,fruit\n2026-07-06,A1-1,12\n2026-07-06,A1-2,3\n,,15\n"
    done = counting("tally", trial.directory, written(tmp_path, text))
    assert done.code == 0, done.err
    assert "line 4 passed over, a total" in done.err
    text = "survey,plant,fruit\n2026-07-06,A1-1,12\n2026-07-06,A1-2,3\n2026-07-06,,8\n"
    done = counting("tally", trial.directory, written(tmp_path, text, "lost.csv"))
    assert done.code == 2
    assert "plant (none) is not in the plan; write its code" in done.err


def test_date_and_plant_written_once_hold_for_the_lines_below(trial, tmp_path):
    text = "survey,plant,truss,fruit\n2026-07-06,A1-1,1,5\n,,2,4\n,A1-2,1,3\n"
    done = counting("tally", trial.directory, written(tmp_path, text))
    assert done.code == 0, done.err
    assert "3 empty cells took the date or plant of the line above" in done.err


# ---- the same words everywhere


def test_paper_table_and_help_use_the_same_words(trial):
    from pypdf import PdfReader

    sheet = FieldSheet(date(2026, 7, 6), "Kim")
    table = list(field_table(trial, sheet).columns)
    import io

    paper = PdfReader(io.BytesIO(field_sheet_pdf(trial, sheet))).pages[0].extract_text()
    flat = " ".join(paper.split())
    words = Vocabulary(trial)
    told = " ".join(counting("tally", "--help").out.split())
    for name in table:
        assert words.means(name), name
        if name not in {"survey", "by", "at", "weather"}:
            assert all(part in flat for part in name.split()), name
        if "truss " not in name or name.endswith(" 1"):
            assert name in told, name


def test_saying_the_same_again_is_no_more_work(trial, tmp_path):
    path = written(tmp_path, "survey,plant,fruit\n2026-07-06,A1-1,12\n")
    assert "Took in 1 value of 1 plant." in counting("tally", trial.directory, path).err
    again = counting("tally", trial.directory, path).err
    assert "Nothing new: the ledger held 1 value already." in again
    assert "Took in" not in again
