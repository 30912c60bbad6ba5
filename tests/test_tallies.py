"""Hand counts from any spreadsheet's file: taken in whole or refused with every bad row named."""

from datetime import date
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from trials import SURVEY, make_trial
from typer.testing import CliRunner

from counting.cli import app
from counting.errors import TallyError
from counting.plan.field_sheet import FieldSheet, field_table, table_file
from counting.records.observations import observations
from counting.records.tallies import take_tallies
from counting.spreadsheet import iso_date, number, safe_cell, whole
from counting.tables import OBSERVATIONS


@pytest.fixture
def trial(tmp_path):
    return make_trial(tmp_path / "trial")


def sheet(tmp_path: Path, text: str, *, name: str = "tally.csv", encoding: str = "utf-8") -> Path:
    path = tmp_path / name
    path.write_text(text, encoding=encoding)
    return path


def taken(trial, path, **options):
    """Take one sheet in and return its values as (plant, truss, measure, value, note)."""
    rows = take_tallies(trial, [path], **options).rows
    return [
        (
            row["plant"],
            None if pd.isna(row["truss"]) else int(row["truss"]),
            row["measure"],
            None if pd.isna(row["value"]) else row["value"],
            row["note"],
        )
        for row in rows.to_dict("records")
    ]


def stored(trial):
    with trial.ledger() as ledger:
        return [entry.body for entry in ledger.standing("observation")]


# ---- forms


def test_a_wide_sheet_gives_a_value_for_each_measure(trial, tmp_path):
    path = sheet(tmp_path, f"survey,plant,by,fruit,height\n{SURVEY},A1-1,ann,12,1205.5\n")
    assert taken(trial, path) == [
        ("A1-1", None, "fruit", 12.0, ""),
        ("A1-1", None, "height", 1205.5, ""),
    ]
    assert list(take_tallies(trial, [path]).rows.columns) == list(OBSERVATIONS)


def test_a_long_sheet_gives_the_same(trial, tmp_path):
    path = sheet(
        tmp_path,
        "survey,plant,truss,measure,value,unit,source,by,at,note\n"
        f"{SURVEY},A1-1,,fruit,12,count,tally,ann,,\n{SURVEY},A1-1,,height,120.55,cm,,ann,,\n",
    )
    assert taken(trial, path) == [
        ("A1-1", None, "fruit", 12.0, ""),
        ("A1-1", None, "height", 1205.5, ""),
    ]


def test_a_row_for_each_truss(trial, tmp_path):
    path = sheet(tmp_path, f"survey,plant,truss,fruit\n{SURVEY},A1-1,1,5\n{SURVEY},A1-1,2,0\n")
    assert taken(trial, path) == [("A1-1", 1, "fruit", 5.0, ""), ("A1-1", 2, "fruit", 0.0, "")]


def test_columns_for_single_trusses(trial, tmp_path):
    text = f"survey,plant,fruit,fruit truss 1,fruit truss 2\n{SURVEY},A1-1,9,5,\n"
    assert taken(trial, sheet(tmp_path, text)) == [
        ("A1-1", None, "fruit", 9.0, ""),
        ("A1-1", 1, "fruit", 5.0, ""),
    ]


def test_trusses_that_bear_more_than_the_plant_are_refused(trial, tmp_path):
    text = f"survey,plant,fruit,fruit truss 1,fruit truss 2\n{SURVEY},A1-1,9,5,6\n"
    with pytest.raises(TallyError, match="line 2: the trusses bear 11 fruit, more than the 9"):
        take_tallies(trial, [sheet(tmp_path, text)])


def test_date_and_counter_can_be_said_for_the_whole_sheet(trial, tmp_path):
    path = sheet(tmp_path, "plant,fruit\nA1-1,12\n")
    take_tallies(trial, [path], survey=SURVEY, by="ann")
    assert [(body["survey"], body["by"]) for body in stored(trial)] == [(SURVEY, "ann")]


@pytest.mark.parametrize(
    ("heading", "cell", "value"),
    [("height cm", "112.5", 1125), ("height (mm)", "1200", 1200), ("height_m", "1.5", 1500),
     ("disease %", "12.5", 12.5), ("Disease", "12 %", 12)],
)  # fmt: skip
def test_units_in_the_heading(trial, tmp_path, heading, cell, value):
    path = sheet(tmp_path, f"survey,plant,{heading}\n{SURVEY},A1-1,{cell}\n")
    assert taken(trial, path)[0][3] == value


@pytest.mark.parametrize("form", ["csv", "xlsx", "ods"])
def test_the_field_sheet_filled_in_is_read_back(trial, tmp_path, form):
    table = field_table(trial, FieldSheet(survey=date(2026, 7, 1), by="ann"))
    table.loc[0, ["fruit", "fruit truss 1", "height mm", "disease %", "weather"]] = [
        "12", "7", "1200.5", "2", "still"
    ]  # fmt: skip
    table.loc[1, "note"] = "dead"
    path = tmp_path / f"field.{form}"
    path.write_bytes(table_file(table, form))
    first, second = table["plant"][:2]
    assert taken(trial, path) == [
        (first, None, "fruit", 12.0, "weather: still"),
        (first, 1, "fruit", 7.0, "weather: still"),
        (first, None, "height", 1200.5, "weather: still"),
        (first, None, "disease", 2.0, "weather: still"),
        (second, None, "fruit", None, "dead"),
        (second, None, "height", None, "dead"),
        (second, None, "disease", None, "dead"),
    ]


def test_workbook_dates_and_whole_numbers_are_read_as_typed(trial, tmp_path):
    book = openpyxl.Workbook()
    for row in (
        ["survey", "plant", "truss", "fruit"],
        [date(2026, 7, 1), "A1-1", 2.0, 12.0],
        [None, None, None, None],
        ["2026-07-01", "A1-2", None, 7],
    ):
        book.active.append(row)
    book.save(tmp_path / "tally.xlsx")
    assert [(row[0], row[1], row[3]) for row in taken(trial, tmp_path / "tally.xlsx")] == [
        ("A1-1", 2, 12.0),
        ("A1-2", None, 7.0),
    ]


# ---- decimal marks and separators


def test_semicolons_with_decimal_commas_and_a_byte_order_mark(trial, tmp_path):
    text = f"survey;plant;fruit;height\r\n{SURVEY};A1-1;7;1200,5\r\n"
    path = sheet(tmp_path, text, encoding="utf-8-sig")
    assert [row[3] for row in taken(trial, path)] == [7.0, 1200.5]


def test_a_table_in_the_letters_of_older_spreadsheets_says_how_to_save_it(trial, tmp_path):
    path = sheet(tmp_path, f"survey;plant;fruit;note\n{SURVEY};A1-1;3;schön\n", encoding="cp1252")
    with pytest.raises(TallyError, match="save it as 'CSV UTF-8', or as XLSX"):
        take_tallies(trial, [path])


def test_tabs_between_cells(trial, tmp_path):
    path = sheet(tmp_path, f"survey\tplant\tfruit\n{SURVEY}\tA1-1\t7\n", name="tally.tsv")
    assert [row[3] for row in taken(trial, path)] == [7.0]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (f'survey,plant,height\n{SURVEY},A1-1,"1,200"\n', "two ways"),
        (f"survey;plant;height\n{SURVEY};A1-1;1.200\n", "two ways"),
        (f"survey;plant;height\n{SURVEY};A1-1;1.200,5\n", "two ways"),
        (f"survey,plant,height\n{SURVEY},A1-1,1200,5\n", "more cells than there are headings"),
    ],
)
def test_a_number_that_can_be_read_in_two_ways_is_refused(trial, tmp_path, text, said):
    with pytest.raises(TallyError, match=said):
        take_tallies(trial, [sheet(tmp_path, text)])
    assert stored(trial) == []


@pytest.mark.parametrize(
    ("text", "comma", "value"),
    [("12", False, 12), ("12.5", False, 12.5), ("12,5", True, 12.5), ("1200.5", True, 1200.5),
     ("1.234", False, 1.234), ("-3", False, -3), ("0", True, 0), ("12345", True, 12345)],
)  # fmt: skip
def test_numbers_as_people_write_them(text, comma, value):
    assert number(text, decimal_comma=comma) == value


NO_NUMBERS = ("", "twelve", "1e5", "nan", "inf", "١٢", "1 200", "0x10", "1_000", "--3", "9" * 40)


@pytest.mark.parametrize("text", NO_NUMBERS)
def test_what_is_no_number_is_refused(text):
    with pytest.raises(ValueError, match="not a number|two ways"):
        number(text)


# ---- missing values


def test_a_missing_value_keeps_its_reason_and_is_no_zero(trial, tmp_path):
    path = sheet(tmp_path, f"survey,plant,fruit,note\n{SURVEY},A1-1,,broken\n{SURVEY},A1-2,3,\n")
    assert taken(trial, path) == [
        ("A1-1", None, "fruit", None, "broken"),
        ("A1-2", None, "fruit", 3.0, ""),
    ]
    with trial.ledger() as ledger:
        table = observations(trial, ledger)
    row = table[table["plant"] == "A1-1"].iloc[0]
    assert pd.isna(row["value"])
    assert row["note"] == "broken"


def test_an_empty_cell_without_a_reason_records_nothing(trial, tmp_path):
    path = sheet(tmp_path, f"survey,plant,fruit,height\n{SURVEY},A1-1,3,\n{SURVEY},A1-2,4,900\n")
    assert [(row[0], row[2]) for row in taken(trial, path)] == [
        ("A1-1", "fruit"), ("A1-2", "fruit"), ("A1-2", "height")
    ]  # fmt: skip


def test_a_long_row_without_value_and_reason_is_refused(trial, tmp_path):
    path = sheet(tmp_path, f"survey,plant,measure,value,note\n{SURVEY},A1-1,fruit,,\n")
    with pytest.raises(TallyError, match="neither a value nor"):
        take_tallies(trial, [path])


# ---- bad rows


BAD = {
    "-1": "less than nothing",
    "2.5": "not a whole number",
    "many": "not a number",
    "1e3": "not a number",
}


@pytest.mark.parametrize("cell", BAD)
def test_a_count_that_cannot_be_is_refused(trial, tmp_path, cell):
    path = sheet(tmp_path, f"survey,plant,fruit\n{SURVEY},A1-1,{cell}\n")
    with pytest.raises(TallyError, match=f"line 2: fruit.*{BAD[cell]}"):
        take_tallies(trial, [path])
    assert stored(trial) == []


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("1 of July,A1-1,,3", "is not a date; write year-month-day"),
        ("2026-06-31,A1-1,,3", "no day of the calendar"),
        (",A1-1,,3", "no survey date"),
        (f"{SURVEY},Z1-1,,3", "plant 'Z1-1' is not in the plan"),
        (f"{SURVEY},,,3", "plant .none. is not in the plan"),
        (f"{SURVEY},A1-1,0,3", "counted from the base"),
        (f"{SURVEY},A1-1,one,3", "not a number"),
    ],
)
def test_a_row_that_fits_nothing_is_named(trial, tmp_path, row, said):
    path = sheet(tmp_path, f"survey,plant,truss,fruit\n{row}\n")
    with pytest.raises(TallyError, match=rf"tally.csv, line 2: .*{said}"):
        take_tallies(trial, [path])


def test_all_bad_rows_are_named_at_once_and_nothing_is_written(trial, tmp_path):
    good = f"{SURVEY},A1-1,3\n"
    path = sheet(tmp_path, f"survey,plant,fruit\n{good}{SURVEY},A9-9,3\n{good}nodate,A1-2,-4\n")
    with pytest.raises(TallyError) as caught:
        take_tallies(trial, [path])
    text = str(caught.value)
    assert "2 rows cannot be used; nothing was written" in text
    assert "line 3" in text
    assert "line 5" in text
    assert stored(trial) == []


def test_a_second_sheet_with_a_bad_row_keeps_the_first_out_too(trial, tmp_path):
    good = sheet(tmp_path, f"survey,plant,fruit\n{SURVEY},A1-1,3\n", name="good.csv")
    bad = sheet(tmp_path, f"survey,plant,fruit\n{SURVEY},A1-1,x\n", name="bad.csv")
    with pytest.raises(TallyError, match=r"good.csv.*bad.csv"):
        take_tallies(trial, [good, bad])
    assert stored(trial) == []


def test_a_value_that_stands_twice_and_differs_is_refused(trial, tmp_path):
    path = sheet(tmp_path, f"survey,plant,by,fruit\n{SURVEY},A1-1,ann,3\n{SURVEY},A1-1,ann,4\n")
    with pytest.raises(TallyError, match=r"is 4 here and 3 in tally.csv, line 2"):
        take_tallies(trial, [path])


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "empty"),
        ("\n\n", "empty"),
        ("survey,plant,hight\n", r"unknown column 'hight' \(is 'height' meant\?\)"),
        ("survey,plant\n", "no measure among the columns"),
        ("survey,fruit\n", "no column plant"),
        ("plant,fruit\n", "no column survey"),
        ("survey,plant,value\n", "no column measure"),
        ("survey,plant,fruit,Fruit\n", "stands twice"),
        ("survey,plant,,fruit\n2026-07-01,A1-1,x,3\n", "column 3 has no heading"),
        ('survey,plant,fruit\n2026-07-01,"A1-1,3\n', "quotation marks"),
        ("survey,plant,height %\n", "unknown column"),
    ],
)
def test_a_sheet_that_is_none_says_what_is_wrong(trial, tmp_path, text, said):
    with pytest.raises(TallyError, match=said):
        take_tallies(trial, [sheet(tmp_path, text)])


@pytest.mark.parametrize("name", ["tally.xlsx", "tally.ods"])
def test_a_broken_workbook_is_refused(trial, tmp_path, name):
    path = tmp_path / name
    for content in (b"", b"no workbook", b"PK\x03\x04" + b"\0" * 40):
        path.write_bytes(content)
        with pytest.raises(TallyError, match="not a workbook that can be read"):
            take_tallies(trial, [path])


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("tally.csv", b"survey,plant,fruit\n2026-07-01,A1-1,\xff\xfe\n", "UTF-8"),
        ("tally.csv", b"survey\0", "not a text file"),
        ("tally.pdf", b"%PDF", "CSV, XLSX or ODS"),
    ],
)
def test_a_file_of_another_kind_is_refused(trial, tmp_path, name, content, said):
    (tmp_path / name).write_bytes(content)
    with pytest.raises(TallyError, match=said):
        take_tallies(trial, [tmp_path / name])


def test_a_missing_file_is_named(trial, tmp_path):
    with pytest.raises(TallyError, match=r"none.csv: not found"):
        take_tallies(trial, [tmp_path / "none.csv"])


def test_columns_of_the_plan_must_agree_with_it(trial, tmp_path):
    path = sheet(tmp_path, f"survey,plant,group,fruit\n{SURVEY},A1-1,own-rooted,3\n")
    assert len(taken(trial, path)) == 1
    path = sheet(tmp_path, f"survey,plant,group,fruit\n{SURVEY},A1-1,grafted,3\n")
    with pytest.raises(TallyError, match="group 'grafted', but the plan says 'own-rooted'"):
        take_tallies(trial, [path])


def test_photo_counts_do_not_enter_as_tallies(trial, tmp_path):
    path = sheet(tmp_path, f"survey,plant,measure,value,source\n{SURVEY},A1-1,fruit,3,photo\n")
    with pytest.raises(TallyError, match="only hand tallies enter here"):
        take_tallies(trial, [path])


# ---- again and corrected


def test_the_same_sheet_again_adds_nothing(trial, tmp_path):
    path = sheet(tmp_path, f"survey,plant,fruit\n{SURVEY},A1-1,3\n{SURVEY},A1-2,4\n")
    assert take_tallies(trial, [path]).added == 2
    again = take_tallies(trial, [path])
    assert (again.added, again.again, again.corrected) == (0, 2, 0)


def test_a_corrected_value_stands_and_the_earlier_one_is_kept(trial, tmp_path):
    take_tallies(trial, [sheet(tmp_path, f"survey,plant,fruit\n{SURVEY},A1-1,3\n")])
    result = take_tallies(trial, [sheet(tmp_path, f"survey,plant,fruit\n{SURVEY},A1-1,5\n")])
    assert (result.added, result.corrected) == (1, 1)
    with trial.ledger() as ledger:
        assert [entry.body["value"] for entry in ledger.entries("observation")] == [3.0, 5.0]
        assert observations(trial, ledger)["value"].tolist() == [5.0]


values = st.lists(
    st.tuples(
        st.sampled_from(["A1-1", "A1-2", "A2-1", "B1-1"]),
        st.none() | st.integers(1, 9),
        st.integers(0, 500),
    ),
    unique_by=lambda row: row[:2],
    max_size=12,
)


@settings(max_examples=20, deadline=None)
@given(rows=values, delimiter=st.sampled_from([",", ";", "\t"]), mark=st.booleans())
def test_what_is_written_down_is_what_comes_out(tmp_path_factory, rows, delimiter, mark):
    folder = tmp_path_factory.mktemp("round")
    trial = make_trial(folder / "trial")
    lines = [["survey", "plant", "truss", "fruit"]]
    lines += [
        [SURVEY, code, "" if truss is None else str(truss), str(n)] for code, truss, n in rows
    ]
    text = "\n".join(delimiter.join(line) for line in lines)
    path = sheet(folder, text, encoding="utf-8-sig" if mark else "utf-8")
    assert sorted(taken(trial, path), key=repr) == sorted(
        ((code, truss, "fruit", float(n), "") for code, truss, n in rows), key=repr
    )


# ---- cells that a spreadsheet would run


@pytest.mark.parametrize(
    "text",
    ["=1+1", "+SUM(A1)", "-cmd", "@name", "\t=1", "\r=1", " =1", "＝1+1", "＋1", "－1", "＠S"],
)
def test_a_cell_that_begins_like_a_formula_is_written_as_text(text):
    assert safe_cell(text) == f"'{text}"


@pytest.mark.parametrize("text", ["", "12", "-3", "+4.5", "-0,5", "A1-1", "a=b", "2026-07-01"])
def test_other_cells_are_left_alone(text):
    assert safe_cell(text) == text


# ---- reading dates and sheets


@given(st.dates(date(1900, 1, 1), date(date.today().year + 1, 12, 31)))
def test_every_day_written_in_iso_is_read(day):
    assert iso_date(day.isoformat()) == day.isoformat()


@given(st.text(max_size=12))
def test_any_text_is_a_date_or_is_refused_with_a_reason(text):
    try:
        assert date.fromisoformat(iso_date(text)).isoformat() == text
    except ValueError as error:
        assert "date" in str(error) or "calendar" in str(error)  # noqa: PT017


@given(st.text(max_size=12))
def test_any_text_is_a_whole_number_or_is_refused_with_a_reason(text):
    try:
        assert isinstance(whole(text), int)
    except ValueError as error:
        assert "number" in str(error) or "two ways" in str(error)  # noqa: PT017


# ---- the command


def test_the_command_leaves_with_2_and_one_message_for_a_bad_sheet(trial, tmp_path):
    path = sheet(tmp_path, f"survey,plant,fruit\n{SURVEY},A1-1,-2\n")
    result = CliRunner().invoke(app, ["tally", str(trial.directory), str(path)])
    assert isinstance(result.exception, TallyError)
    path = sheet(tmp_path, f"survey,plant,fruit\n{SURVEY},A1-1,2\n")
    assert CliRunner().invoke(app, ["tally", str(trial.directory), str(path)]).exit_code == 0
