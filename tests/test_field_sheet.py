"""The field sheet on paper and as a table that the tallies read back."""

import io
import re
import shutil
import subprocess
from datetime import date

import numpy as np
import pandas as pd
import pypdf
import pytest
from commanded import counting
from trials import Beds, make_trial

from counting.errors import PlanError
from counting.plan.field_sheet import (
    BANDS,
    FieldSheet,
    field_sheet_pdf,
    field_table,
    leaf_squares,
    table_file,
    walking_order,
    write_field_table,
)
from counting.records.tallies import take_tallies

DAY = date(2026, 7, 6)
FORMS = ("csv", "xlsx", "ods")


@pytest.fixture
def trial(tmp_path):
    return make_trial(tmp_path / "trial", Beds(blocks=3, plants_per_plot=2, guards_per_plot=1))


def text_of(data: bytes) -> list[str]:
    return [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(data)).pages]


def filled(table: pd.DataFrame) -> pd.DataFrame:
    """Write numbers into a table as a counter would."""
    table = table.copy()
    for index in table.index:
        table.loc[index, "fruit"] = str(10 + index)
        table.loc[index, "fruit truss 1"] = str(index)
        table.loc[index, "fruit truss 2"] = "0"
        table.loc[index, "height mm"] = f"{1200 + index}.5"
        table.loc[index, "disease %"] = "5"
        table.loc[index, "weather"] = "cloudy"
    table.loc[table.index[-1], ["fruit", "height mm", "disease %"]] = ""
    table.loc[table.index[-1], "note"] = "broken by wind"
    return table


def values(rows: pd.DataFrame, **want) -> list[float]:
    for name, value in want.items():
        rows = rows[rows[name].isna()] if value is None else rows[rows[name] == value]
    return rows["value"].tolist()


def taken_back(trial, path):
    """Take a filled table in and hold it against what was written."""
    rows = take_tallies(trial, [path]).rows
    counted = walking_order(trial.plants)
    last = len(counted) - 1
    whole = rows[rows["truss"].isna()]
    assert values(whole, measure="fruit")[:last] == [10.0 + index for index in range(last)]
    assert np.isnan(values(whole, measure="fruit")[last])
    assert values(whole, measure="height")[0] == 1200.5
    assert values(rows, measure="fruit", truss=1) == [float(index) for index in range(last + 1)]
    assert values(rows, measure="fruit", truss=2) == [0.0] * (last + 1)
    assert set(rows["survey"]) == {"2026-07-06"}
    assert set(rows["by"]) == {("Kim",)}
    missing = rows[rows["value"].isna()]
    assert set(missing["plant"]) == {counted["code"].iloc[last]}
    assert missing["note"].str.contains("broken by wind").all()
    assert rows["note"].str.contains("cloudy").all()


def test_every_counted_plant_stands_once_on_the_sheet_and_no_guard_does(trial):
    text = "\n".join(text_of(field_sheet_pdf(trial, FieldSheet())))
    for plant in trial.plants.itertuples():
        assert len(re.findall(rf"^{re.escape(plant.code)}$", text, re.MULTILINE)) == (
            0 if plant.guard else 1
        )


def test_the_sheet_has_room_for_all_that_is_recorded(trial):
    pages = text_of(field_sheet_pdf(trial, FieldSheet(survey=DAY, by="Kim")))
    words = " ".join(" ".join(pages).split())
    for said in ("Date", "2026-07-06", "Counter", "Kim", "Weather", "say why", "truss"):
        assert said in words
    for said in ("fruit", "flowers", "trusses", "leaves", "height", "disease", "picked"):
        assert said in words
    for percent in BANDS:
        assert f"{percent} %" in words
    assert "Fruit from 10 mm across count" in words


def test_the_groups_stand_on_no_sheet_and_in_no_table(tmp_path):
    trial = make_trial(tmp_path, groups=("quincunx", "zebrawood"))
    text = "".join(text_of(field_sheet_pdf(trial, FieldSheet())))
    text += table_file(field_table(trial, FieldSheet()), "csv").decode("utf-8")
    assert "quincunx" not in text
    assert "zebrawood" not in text


def test_plots_are_kept_on_one_page(tmp_path):
    trial = make_trial(tmp_path, Beds(blocks=5, plants_per_plot=5))
    codes = [
        re.findall(r"^[A-E][12]-\d$", page, re.MULTILINE)
        for page in text_of(field_sheet_pdf(trial, FieldSheet()))
    ]
    assert [len(page) for page in codes] == [10] * 5
    assert sum(codes, []) == walking_order(trial.plants)["code"].tolist()


def test_a_plot_longer_than_a_page_goes_on_to_the_next(tmp_path):
    trial = make_trial(tmp_path, Beds(blocks=1, plants_per_plot=30))
    pages = text_of(field_sheet_pdf(trial, FieldSheet()))
    found = [re.findall(r"^A[12]-\d+$", page, re.MULTILINE) for page in pages]
    assert sum(found, []) == walking_order(trial.plants)["code"].tolist()


def test_there_and_back_turns_every_other_row(trial):
    straight = walking_order(trial.plants)
    turned = walking_order(trial.plants, there_and_back=True)
    rows = [part["code"].tolist() for _, part in straight.groupby("row", sort=False)]
    assert turned["code"].tolist() == rows[0] + rows[1][::-1] + rows[2]


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("trusses", [0, 6, 10])
def test_nothing_is_printed_off_the_page(trial, paper, trusses):
    data = field_sheet_pdf(trial, FieldSheet(trusses=trusses, paper=paper))
    for page in pypdf.PdfReader(io.BytesIO(data)).pages:
        wide, high = (float(side) for side in page.mediabox[2:])
        content = page.get_contents().get_data().decode("latin-1")
        for x, y, width, height in re.findall(r"(\S+) (\S+) (\S+) (\S+) re", content):
            assert 0 < float(x) < float(x) + float(width) < wide
            assert 0 < float(y) < float(y) + float(height) < high
        for x, y in re.findall(r"(\S+) (\S+) [ml]\b", content):
            assert 0 < float(x) < wide
            assert 0 < float(y) < high


@pytest.mark.parametrize("percent", [0, *BANDS, 100])
def test_a_standard_leaf_is_diseased_to_the_percent_it_says(percent):
    leaf, diseased = leaf_squares(percent)
    assert not (diseased & ~leaf).any()
    assert 100 * diseased.sum() / leaf.sum() == pytest.approx(percent, abs=0.05)


def test_a_main_measure_of_ones_own_gets_its_column(trial):
    plan = trial.plan.model_copy(update={"main_measure": "vigour"})
    own = type(trial)(trial.directory, plan, trial.plants)
    assert "vigour" in field_table(own, FieldSheet()).columns
    assert "vigour" in "".join(text_of(field_sheet_pdf(own, FieldSheet())))


@pytest.mark.parametrize("form", FORMS)
def test_the_table_is_taken_back_as_it_was_filled_in(trial, tmp_path, form):
    table = filled(field_table(trial, FieldSheet(survey=DAY, by="Kim")))
    path = tmp_path / f"tally.{form}"
    path.write_bytes(table_file(table, form))
    taken_back(trial, path)


@pytest.mark.parametrize("form", FORMS)
def test_an_empty_table_adds_nothing(trial, tmp_path, form):
    write_field_table(trial, FieldSheet(survey=DAY), tmp_path / f"tally.{form}")
    assert take_tallies(trial, [tmp_path / f"tally.{form}"]).rows.empty


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice is not installed")
@pytest.mark.parametrize(("start", "saved"), [("xlsx", "ods"), ("ods", "xlsx"), ("csv", "xlsx")])
def test_a_table_saved_by_libreoffice_is_taken_back(trial, tmp_path, start, saved):
    table = filled(field_table(trial, FieldSheet(survey=DAY, by="Kim")))
    (tmp_path / f"tally.{start}").write_bytes(table_file(table, start))
    out = tmp_path / "saved"
    command = ["soffice", f"-env:UserInstallation=file://{tmp_path}/profile", "--headless"]
    if start == "csv":
        command += ["--infilter=CSV:44,34,76,1"]  # comma, quotes, UTF-8, from line 1
    command += ["--convert-to", saved, "--outdir", str(out), str(tmp_path / f"tally.{start}")]
    subprocess.run(command, check=True, capture_output=True, timeout=180)
    taken_back(trial, out / f"tally.{saved}")


def test_the_command_writes_sheet_and_table(trial, tmp_path):
    out, table = tmp_path / "sheet.pdf", tmp_path / "tally.xlsx"
    words = ["--out", out, "--table", table, "--survey", "2026-07-06", "--trusses", "2"]
    assert counting("field-sheet", trial.directory, *words).code == 0
    assert out.read_bytes().startswith(b"%PDF")
    read = pd.read_excel(table, dtype=str)
    assert read["survey"].unique().tolist() == ["2026-07-06"]
    assert "fruit truss 2" in read.columns
    assert "fruit truss 3" not in read.columns


def test_another_ending_and_too_many_trusses_are_refused(trial, tmp_path):
    with pytest.raises(PlanError, match=r"\.csv, \.xlsx or \.ods"):
        write_field_table(trial, FieldSheet(), tmp_path / "tally.doc")
    with pytest.raises(PlanError, match="0 to 10"):
        field_sheet_pdf(trial, FieldSheet(trusses=11))


def test_the_sheet_for_a_pick_is_read_back_as_what_was_picked_and_what_is_left(tmp_path):
    trial = make_trial(tmp_path / "trial")
    sheet = FieldSheet(date(2026, 7, 8), "A", harvest=True)
    filled = field_table(trial, sheet)
    filled["picked fruit"] = "3"
    filled["picked weight g"] = "240"
    filled["green fruit"] = "12"
    path = tmp_path / "pick.csv"
    path.write_bytes(table_file(filled, "csv"))
    taken = take_tallies(trial, [path]).rows
    assert set(taken["measure"]) == {"picked_fruit", "picked_weight", "green_fruit"}
    assert field_sheet_pdf(trial, sheet).startswith(b"%PDF")
