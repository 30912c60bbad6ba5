"""The exported tables."""

import io
import json

import pandas as pd
import pytest
from trials import add_photo, confirm, make_trial

from counting.errors import CountingError
from counting.files import sha256_file
from counting.records.exclusions import leave_out
from counting.records.observations import observations
from counting.report.export import export


@pytest.fixture
def counted(tmp_path):
    trial = make_trial(tmp_path / "trial")
    for number, code in enumerate(trial.plants["code"]):
        confirm(trial, add_photo(trial, code), 5 + number, reviewer="Somebody Real")
    return trial


def test_the_observations_come_back_from_csv_as_they_were(counted):
    written = export(counted)
    back = pd.read_csv(written.folder / "observations.csv", keep_default_na=False)
    with counted.ledger() as ledger:
        table = observations(counted, ledger)
    assert back["value"].tolist() == table["value"].tolist()
    assert back["plant"].tolist() == table["plant"].tolist()


def test_the_workbook_holds_every_table(counted):
    written = export(counted)
    sheets = pd.read_excel(written.folder / "tables.xlsx", sheet_name=None)
    assert {name: len(sheet) for name, sheet in sheets.items()} == written.rows


def test_the_package_describes_the_files_that_lie_beside_it(counted):
    # Data Package and Table Schema, specs.frictionlessdata.io
    written = export(counted)
    package = json.loads((written.folder / "datapackage.json").read_text(encoding="utf-8"))
    for resource in package["resources"]:
        path = written.folder / resource["path"]
        assert resource["hash"] == f"sha256:{sha256_file(path)}"
        header = path.read_text(encoding="utf-8").splitlines()[0].split(",")
        assert header == [field["name"] for field in resource["schema"]["fields"]]


def test_an_anonymous_export_holds_no_names_but_tells_people_apart(counted):
    photo = add_photo(counted, "A1-1", side="wall")
    confirm(counted, photo, 3, reviewer="Another One")
    written = export(counted, anonymous=True)
    for path in written.files:
        content = path.read_bytes()
        if path.suffix == ".xlsx":
            tables = pd.read_excel(io.BytesIO(content), sheet_name=None)
            content = "".join(table.to_csv() for table in tables.values()).encode()
        assert b"Somebody" not in content
        assert b"Another" not in content
    marks = pd.read_csv(written.folder / "marks.csv")
    assert set(marks["reviewer"]) == {"person 1", "person 2"}


def test_text_that_a_spreadsheet_would_run_is_written_as_text(tmp_path):
    trial = make_trial(tmp_path / "trial", groups=("=1+1", "@plain"))
    written = export(trial)
    groups = pd.read_csv(written.folder / "plants.csv")["group"]
    assert not groups.str.match(r"[=+\-@]").any()


def test_an_export_is_not_written_over_without_leave(counted):
    export(counted)
    with pytest.raises(CountingError, match="--replace"):
        export(counted)


def test_a_trial_without_photos_exports_empty_tables_with_all_columns(tmp_path):
    written = export(make_trial(tmp_path / "trial"))
    assert written.rows["candidates"] == 0
    header = (written.folder / "candidates.csv").read_text(encoding="utf-8")
    assert header.startswith("photo,candidate,x,y,width,height")


def test_the_package_tells_what_a_reader_needs_to_analyse_it_again(counted):
    leave_out(counted, "A1-1", "broken by the wind", by="test")
    photo = add_photo(counted, "A1-2", side="wall")
    confirm(counted, photo, 0, answer="cannot tell", seconds=7.5)
    written = export(counted)
    package = json.loads((written.folder / "datapackage.json").read_text(encoding="utf-8"))
    fields = [field for each in package["resources"] for field in each["schema"]["fields"]]
    assert all(field["description"] for field in fields)
    assert {field["unit"] for field in fields if field["name"] == "seconds"} == {"s"}
    keys = {each["name"]: each["schema"].get("primaryKey") for each in package["resources"]}
    assert keys["answers"] == ["photo", "reviewer"]
    trial = package["trial"]
    assert trial["allotted_to"] == "plot"
    assert trial["rule"]["smallest_fruit_mm"] == 10
    assert set(trial["treatments"]) == {"own-rooted", "grafted"}
    assert trial["seed_of_the_lots"] == 20260601
    assert "counted once" in trial["sides"]
    out = pd.read_csv(written.folder / "exclusions.csv")
    assert out["reason"].tolist() == ["broken by the wind"]
    answers = pd.read_csv(written.folder / "answers.csv").set_index("photo")
    assert answers.loc[photo, "answer"] == "cannot tell"
    assert answers.loc[photo, "seconds"] == 7.5
    assert package["checkpoint"]["last"]
