"""Small files that would eat the machine, and things that only look like photos."""

import io
import json
import os
import re
import resource
import subprocess
import sys

import pandas as pd
import pytest
from at_work import endless, hungry, where
from hostile import BAD_PHOTOS, BAD_WORKBOOKS, PHOTO_FILES, big_png, ods, xlsx
from trials import SURVEY, draw_photo, make_trial

from counting import spreadsheet, workbook
from counting.errors import CountingError, PhotoError
from counting.photos.gather import Batch
from counting.photos.image import load_image
from counting.photos.intake import take_in
from counting.photos.workers import Job, on_cores
from counting.spreadsheet import read_sheet

MOST_KB = 600_000
"""A process at most, Python and its libraries with it."""
LONGEST_S = 30
"""Of processor time."""
READ = """
import json, resource, sys
from pathlib import Path
from counting.errors import CountingError
from counting.spreadsheet import read_sheet
try:
    read_sheet(Path(sys.argv[1]))
    said = ""
except CountingError as error:
    said = str(error)
used = resource.getrusage(resource.RUSAGE_CHILDREN)
json.dump({"said": said, "kb": used.ru_maxrss, "seconds": used.ru_utime}, sys.stdout)
"""


def sheet_of(tmp_path, ending, data):
    path = tmp_path / f"tally.{ending}"
    path.write_bytes(data)
    return path


@pytest.mark.parametrize("name", list(BAD_WORKBOOKS))
def test_a_workbook_that_stands_for_too_much_is_refused_before_it_is_unpacked(tmp_path, name):
    ending, made, said = BAD_WORKBOOKS[name]
    data = made()
    assert len(data) < 2_000_000
    # read from a process that is small itself: a child's peak begins with that of its parent
    done = subprocess.run(
        [sys.executable, "-c", READ, str(sheet_of(tmp_path, ending, data))],
        capture_output=True,
        text=True,
        check=True,
        timeout=4 * LONGEST_S,
    )
    told = json.loads(done.stdout)
    assert re.search(said, told["said"])
    assert told["seconds"] < LONGEST_S
    assert told["kb"] < MOST_KB


def test_a_cell_far_out_costs_no_memory_and_its_line_is_told(tmp_path):
    rows = '<row r="1"><c r="A1" t="inlineStr"><is><t>plant</t></is></c></row>'
    far = '<row r="1048576"><c r="A1048576" t="inlineStr"><is><t>B1</t></is></c></row>'
    sheet = read_sheet(sheet_of(tmp_path, "xlsx", xlsx(rows + far, "XFD1048576")))
    assert [(row.line, row.get("plant")) for row in sheet.rows] == [(1_048_576, "B1")]


def test_empty_rows_and_columns_without_end_are_read_as_nothing(tmp_path):
    # LibreOffice fills a sheet up to its last row and column so
    cell = '<table:table-cell office:value-type="string"><text:p>{}</text:p></table:table-cell>'
    rest = '<table:table-cell table:number-columns-repeated="16382"/>'
    rows = "".join(f"<table:table-row>{cell.format(text)}{rest}</table:table-row>" for text in "ab")
    rest = f'<table:table-row table:number-rows-repeated="1048574">{rest}</table:table-row>'
    sheet = read_sheet(sheet_of(tmp_path, "ods", ods(rows + rest)))
    assert (sheet.columns, [row.cells for row in sheet.rows]) == (("a",), [{"a": "b"}])


def test_every_kind_of_ods_cell_is_read_as_a_person_would_type_it(tmp_path):
    def cell(kind, more, shown):
        return (
            f'<table:table-cell office:value-type="{kind}" {more}><text:p>{shown}</text:p>'
            "</table:table-cell>"
        )

    cells = [
        cell("float", 'office:value="12"', "12,0"),
        cell("float", 'office:value="1.5"', "1,5"),
        cell("percentage", 'office:value="0.5"', "50 %"),
        cell("date", 'office:date-value="2026-07-01"', "1.7.26"),
        cell("date", 'office:date-value="2026-07-01T07:30:00"', "1.7.26 7:30"),
        cell("time", 'office:time-value="PT07H30M00S"', "7:30"),
        cell("boolean", 'office:boolean-value="true"', "WAHR"),
        '<table:table-cell office:value-type="string"><office:annotation><text:p>aside</text:p>'
        '</office:annotation><text:p>two<text:s text:c="2"/>words</text:p><text:p>more</text:p>'
        "</table:table-cell>",
    ]
    told = workbook.told(
        io.BytesIO(ods(f"<table:table-row>{''.join(cells)}</table:table-row>")), "ods"
    )
    assert told["rows"] == [
        (1, ["12", "1.5", "50%", "2026-07-01", "2026-07-01T07:30", "07:30:00", "true",
             "two  words\nmore"])
    ]  # fmt: skip


@pytest.mark.parametrize("ending", ["xlsx", "ods"])
def test_both_kinds_of_workbook_are_read_as_another_library_wrote_them(tmp_path, ending):
    # written by openpyxl and odfpy
    table = pd.DataFrame({"plant": ["A1", None], "fruit": [3, 4.5], "note": ["x & <y>", "é"]})
    path = tmp_path / f"tally.{ending}"
    engine = {"xlsx": "openpyxl", "ods": "odf"}[ending]
    table.to_excel(path, index=False, engine=engine)
    found = [dict(row.cells) for row in read_sheet(path).rows]
    assert found == [
        {"plant": "A1", "fruit": "3", "note": "x & <y>"},
        {"plant": "", "fruit": "4.5", "note": "é"},
    ]


def test_a_workbook_that_takes_too_long_is_given_up(tmp_path, monkeypatch):
    monkeypatch.setattr(spreadsheet, "_LONGEST_S", 0.01)
    with pytest.raises(CountingError, match=r"takes longer than 0\.01 s"):
        read_sheet(sheet_of(tmp_path, "xlsx", xlsx("")))


def test_a_table_of_too_many_cells_is_refused_as_csv_too(tmp_path):
    path = tmp_path / "tally.csv"
    path.write_bytes(b"plant,fruit\n" + b"," * 3_000_000)
    with pytest.raises(CountingError, match="far too many cells"):
        read_sheet(path)


@pytest.mark.parametrize("name", list(BAD_PHOTOS))
def test_a_photo_that_would_fill_the_memory_is_refused_before_it_is_decoded(tmp_path, name):
    made, said = BAD_PHOTOS[name]
    path = tmp_path / "photo.jpg"
    path.write_bytes(made())
    assert path.stat().st_size < 500_000
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for long_side in (None, 768):
        with pytest.raises(PhotoError, match=said):
            load_image(path, long_side=long_side)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 100_000


@pytest.mark.parametrize("name", list(PHOTO_FILES))
def test_what_only_has_a_photos_name_is_one_refusal_among_good_ones(tmp_path, name):
    trial = make_trial(tmp_path / "trial")
    camera = tmp_path / "camera"
    good = draw_photo(camera / "A1-1" / "path.jpg")
    bad = camera / "A1-2" / "path.jpg"
    bad.parent.mkdir()
    PHOTO_FILES[name](bad)
    result = take_in(trial, [good, bad], batch=Batch(survey=SURVEY))
    assert len(result.taken) == 1
    assert [refusal.item for refusal in result.refused] == [str(bad)]
    again = take_in(trial, [camera], batch=Batch(survey=SURVEY))
    assert again.again == 1
    assert len(again.refused) == (name != "a folder")


def test_one_photo_that_takes_much_memory_is_never_worked_on_in_this_process(tmp_path):
    (tmp_path / "heavy.png").write_bytes(big_png(5_100))
    draw_photo(tmp_path / "plain.jpg")
    jobs = [Job(name, tmp_path / name) for name in ("heavy.png", "plain.jpg", "none.jpg")]
    done = {job.key: process for job, process in on_cores(where, jobs)}
    assert done["plain.jpg"] == done["none.jpg"] == os.getpid()
    assert done["heavy.png"] != os.getpid()


@pytest.mark.slow
def test_a_photo_whose_work_takes_all_memory_is_refused_and_the_others_go_on(tmp_path):
    jobs = [Job(name, tmp_path / name) for name in "ab"]
    said = [outcome.reason for _, outcome in on_cores(hungry, jobs, 2)]
    assert all("far more memory" in reason for reason in said)


@pytest.mark.slow
def test_a_photo_whose_work_never_ends_is_given_up(tmp_path):
    jobs = [Job(name, tmp_path / name) for name in "ab"]
    said = [outcome.reason for _, outcome in on_cores(endless, jobs, 2)]
    assert all("too long at work" in reason for reason in said)
