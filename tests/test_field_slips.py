"""Small slips in the field end in a question or a plain mend, never in a number that is wrong."""

from __future__ import annotations

import json

import pytest
from commanded import counting
from trials import add_photo, confirm, draw_photo, make_trial

from counting.ledger.facts import photos, proposals


@pytest.fixture
def trial(tmp_path):
    return make_trial(tmp_path / "trial")


def taken_in(trial, tmp_path, *places, survey="2026-07-01", **more):
    """Take drawn photos in, each at ``PLANT/side``; return the command's outcome."""
    paths = []
    for number, place in enumerate(places):
        path = tmp_path / "in" / survey / f"{place}.jpg"
        if not path.exists():
            draw_photo(path, 3 + number, seed=hash(place + survey) % 1000)
        paths.append(path)
    return counting("take-in", trial.directory, *paths, "--workers", 1, *more.get("words", ()))


def fast(trial):
    """Propose by colour and blobs, which is quick and enough here."""
    done = counting("propose", trial.directory, "--stages", "colour,blobs", "--workers", 1)
    assert done.code == 0, done.err


def photo_at(trial, plant, side="path", survey="2026-07-01"):
    with trial.ledger() as ledger:
        found = [
            photo.photo
            for photo in photos(ledger).values()
            if (photo.plant, photo.side, photo.survey) == (plant, side, survey)
        ]
    return found[0]


# ---- the sheet


def test_a_sheet_proposes_first(trial, tmp_path):
    taken_in(trial, tmp_path, "A1-1/path")
    fast(trial)
    taken_in(trial, tmp_path, "A1-2/path", "A2-1/path")
    done = counting("sheet", trial.directory, "--json", "-")
    assert done.code == 0, done.err
    assert "Fruit were proposed on 2 photos first." in done.err
    with trial.ledger() as ledger:
        assert len(proposals(ledger)) == 3
        assert {p.made_with.stages for p in proposals(ledger).values()} == {("colour", "blobs")}


def test_a_sheet_is_refused_where_a_photo_cannot_be_looked_at(trial, tmp_path):
    taken_in(trial, tmp_path, "A1-1/path")
    fast(trial)
    add_photo(trial, "A1-2")  # its file is gone
    done = counting("sheet", trial.directory)
    assert done.code == 2
    assert "1 photos cannot be looked at, such as " in done.err
    assert "photos/2026-07-01/A1-2/path.jpg" in done.err
    assert not list((trial.directory / "sheets").glob("*"))


def test_the_sheet_of_the_second_survey_holds_its_photos(trial, tmp_path):
    taken_in(trial, tmp_path, "A1-1/path", "A1-2/path")
    fast(trial)
    for plant in ("A1-1", "A1-2"):
        confirm(trial, photo_at(trial, plant), 3)
    done = counting("sheet", trial.directory)
    assert done.code == 2
    assert "every photo is confirmed already; see them again with --all" in done.err
    taken_in(trial, tmp_path, "A1-1/path", survey="2026-07-08")
    fast(trial)
    shown = json.loads(counting("sheet", trial.directory, "--json", "-").out)
    assert [each["photos"] for each in shown] == [1]
    shown = json.loads(counting("sheet", trial.directory, "--all", "--json", "-").out)
    assert [each["photos"] for each in shown] == [3]


def test_the_other_side_of_an_open_photo_is_on_the_sheet_as_well(trial, tmp_path):
    taken_in(trial, tmp_path, "A1-1/path", "A1-1/wall")
    fast(trial)
    confirm(trial, photo_at(trial, "A1-1"), 3)
    shown = json.loads(counting("sheet", trial.directory, "--json", "-").out)
    assert shown[0]["photos"] == 2


# ---- sides


def test_two_sides_are_never_added_while_one_is_not_named(trial, tmp_path):
    taken_in(trial, tmp_path, "A1-1/IMG_1", "A1-2/IMG_2")
    fast(trial)
    done = taken_in(trial, tmp_path, "A1-1/IMG_9")
    assert done.code == 1
    assert "say which side each of the two shows" in done.err
    done = taken_in(trial, tmp_path, "A1-1/IMG_9", words=("--side", "wall"))
    assert done.code == 0, done.err
    assert "Which side? photos/2026-07-01/A1-1/IMG_1.jpg and another photo show the same" in (
        done.err
    )
    confirm(trial, photo_at(trial, "A1-1", ""), 13)
    confirm(trial, photo_at(trial, "A1-1", "wall"), 16)
    confirm(trial, photo_at(trial, "A1-2", ""), 5)
    counting("export", trial.directory, "--out", tmp_path / "out")
    rows = (tmp_path / "out" / "observations.csv").read_text(encoding="utf-8").splitlines()
    (row,) = [row for row in rows if ",A1-1," in row and ",fruit," in row]
    assert "29" not in row
    assert "the side of IMG_1.jpg is not named" in row
    moved = counting("move", trial.directory, "photos/2026-07-01/A1-1/IMG_1.jpg", "--side", "path")
    assert moved.code == 0, moved.err
    counting("export", trial.directory, "--out", tmp_path / "out", "--replace")
    rows = (tmp_path / "out" / "observations.csv").read_text(encoding="utf-8").splitlines()
    assert any(",A1-1," in row and ",fruit,29.0," in row.replace(",29,", ",29.0,") for row in rows)


def test_of_two_photos_of_one_side_in_a_batch_the_better_counts(trial, tmp_path):
    from PIL import Image, ImageFilter

    sharp = draw_photo(tmp_path / "in" / "2026-07-01" / "A1-1" / "IMG_1.jpg", 5)
    blurred = sharp.with_name("IMG_2.jpg")
    with Image.open(sharp) as image:
        image.filter(ImageFilter.GaussianBlur(5)).save(blurred)
    folder = tmp_path / "in"
    done = counting("take-in", trial.directory, folder, "--workers", 1, "--json", "-")
    assert done.code == 0, done.err
    said = "1 kept as further views, not counted, since a better photo shows the same: IMG_2.jpg"
    assert f"{said} beside IMG_1.jpg." in done.err
    assert len(json.loads(done.out)["taken"]) == 2
    again = counting("take-in", trial.directory, folder, "--workers", 1)
    assert again.code == 0, again.err
    assert "2 were in the trial already" in again.err
    fast(trial)
    shown = json.loads(counting("sheet", trial.directory, "--json", "-").out)
    assert shown[0]["photos"] == 1


# ---- days


def dated(path, day, fruit=3):
    from PIL import Image

    exif = Image.Exif()
    exif[0x0132] = f"{day.replace('-', ':')} 09:00:00"
    return draw_photo(path, fruit, seed=abs(hash(path.as_posix())) % 999, exif=exif)


def test_photos_of_another_day_than_the_survey_are_named_in_one_line(trial, tmp_path):
    folder = tmp_path / "in"
    for number, (plant, day) in enumerate(
        [("A1-1", "2026-07-06"), ("A1-2", "2026-07-06"), ("A2-1", "2026-07-07")]
    ):
        dated(folder / plant / f"IMG_{number}.jpg", day)
    words = ("--workers", 1)
    done = counting("take-in", trial.directory, folder, "--survey", "2026-07-06", *words)
    lines = [line for line in done.err.splitlines() if "another day than survey" in line]
    assert len(lines) == 1
    assert "1 on 2026-07-07 (IMG_2.jpg)" in lines[0]
    assert "2 days: 2 surveys? Take them in again with --survey from-camera --replace." in lines[0]
    again = ("--survey", "from-camera", "--replace")
    done = counting("take-in", trial.directory, folder, *again, *words)
    assert done.code == 0, done.err
    with trial.ledger() as ledger:
        assert {p.plant: p.survey for p in photos(ledger).values()} == {
            "A1-1": "2026-07-06", "A1-2": "2026-07-06", "A2-1": "2026-07-07"
        }  # fmt: skip


def test_a_batch_that_became_two_surveys_is_told(trial, tmp_path):
    folder = tmp_path / "in"
    dated(folder / "A1-1" / "IMG_1.jpg", "2026-07-06")
    dated(folder / "A1-2" / "IMG_2.jpg", "2026-07-07")
    done = counting("take-in", trial.directory, folder, "--workers", 1)
    assert "2 days became 2 surveys: 2026-07-06 (1), 2026-07-07 (1). One survey?" in done.err


def test_plants_without_a_photo_are_listed(trial, tmp_path):
    done = taken_in(trial, tmp_path, "A1-1/path", "A1-2/path")
    assert "6 plants have no photo of 2026-07-01 yet: A2-1, A2-2, B1-1" in done.err
