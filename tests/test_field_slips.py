"""Small slips in the field end in a question or a plain mend, never in a number that is wrong."""

from __future__ import annotations

import json
import re
import shlex

import pytest
from commanded import counting
from trials import Beds, add_photo, confirm, draw_photo, make_trial, marks

from counting.ledger.facts import photos, proposals
from counting.report.history import history


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


def added(trial, photo, count):
    """Confirm a photo on which nothing was proposed: every fruit was added by a person."""
    found = [{**mark, "candidate": None, "state": "added"} for mark in marks(count)]
    confirm(trial, photo, count, proposal="", marks=found)


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


def test_the_live_sheet_and_sheets_for_volunteers_propose_first_too(trial, tmp_path, monkeypatch):
    taken_in(trial, tmp_path, "A1-1/path")
    fast(trial)
    taken_in(trial, tmp_path, "A1-2/path")
    served = []
    monkeypatch.setattr("counting.review.live.serve", lambda *told, **_: served.append(told))
    done = counting("review", trial.directory)
    assert done.code == 0, done.err
    assert "Fruit were proposed on 1 photo first." in done.err
    assert len(served) == 1
    taken_in(trial, tmp_path, "A2-1/path")
    done = counting("assign", trial.directory, "--reviewers", 2)
    assert "Fruit were proposed on 1 photo first." in done.err
    with trial.ledger() as ledger:
        assert len(proposals(ledger)) == 3


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
    assert done.code == 2
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
    assert "In the trial already, and not counted twice: 2 photos." in again.err
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
    assert "The photos were taken on 2 days: 2026-07-06 (IMG_1.jpg); 2026-07-07 (IMG_2.jpg)." in (
        done.err
    )
    assert "They became 2 surveys. One survey? Take them in again with --survey 2026-07-06" in (
        done.err
    )
    again = counting("take-in", trial.directory, folder, "--survey", "from-camera", "--workers", 1)
    assert "days" not in again.err


@pytest.mark.parametrize(
    ("words", "typed", "surveys"),
    [
        (("--survey", "2026-07-06"), "1\n", {"A1-1": "2026-07-06", "A1-2": "2026-07-07"}),
        (("--survey", "2026-07-06"), "2\n", {"A1-1": "2026-07-06", "A1-2": "2026-07-06"}),
        ((), "9\n1\n", {"A1-1": "2026-07-06", "A1-2": "2026-07-07"}),
        ((), "2\n", {"A1-1": "2026-07-06", "A1-2": "2026-07-06"}),
        ((), "3\n", {}),
    ],
)
def test_at_a_keyboard_a_person_is_asked_before_days_are_mixed(
    trial, tmp_path, words, typed, surveys
):
    folder = tmp_path / "in"
    dated(folder / "A1-1" / "IMG_1.jpg", "2026-07-06")
    dated(folder / "A1-2" / "IMG_2.jpg", "2026-07-07")
    done = counting(
        "take-in", trial.directory, folder, *words, "--workers", 1, typed=typed, keyboard=True
    )
    assert done.code == (0 if surveys else 2), done.err
    said = " 1  2 days, 2 surveys: each photo to the camera's day"
    assert said in done.err.replace("\n", " ")
    assert "all to survey 2026-07-06 (the camera's clock is wrong" in done.err
    assert "again with" not in done.err  # who was asked is not told once more
    if not surveys:
        assert "nothing was taken in" in done.err
    with trial.ledger() as ledger:
        assert {p.plant: p.survey for p in photos(ledger).values()} == surveys


def test_a_survey_of_another_day_than_all_its_photos_offers_their_day(trial, tmp_path):
    folder = tmp_path / "in"
    dated(folder / "A1-1" / "IMG_1.jpg", "2026-07-07")
    words = ("take-in", trial.directory, folder, "--survey", "2026-07-06", "--workers", 1)
    done = counting(*words, typed="1\n", keyboard=True)
    assert "  1  survey 2026-07-07, the camera's day" in done.err
    with trial.ledger() as ledger:
        assert {photo.survey for photo in photos(ledger).values()} == {"2026-07-07"}
    done = counting(*words, "--replace")
    assert "Is 2026-07-07 meant? Take them in again with --survey from-camera --replace." in (
        done.err
    )


def test_surveys_that_folders_name_are_not_asked_about(trial, tmp_path):
    folder = tmp_path / "in"
    for number, day in enumerate(("2026-07-06", "2026-07-07")):
        dated(folder / day / "A1-1" / f"IMG_{number}.jpg", day)
    done = counting("take-in", trial.directory, folder, "--workers", 1, keyboard=True)
    assert done.code == 0, done.err
    assert "days" not in done.err


def test_plants_without_a_photo_are_listed(trial, tmp_path):
    done = taken_in(trial, tmp_path, "A1-1/path", "A1-2/path")
    assert "6 plants have no photo of 2026-07-01 yet: A2-1, A2-2, B1-1" in done.err


# ---- moved and renamed


def counts(trial, tmp_path, name):
    """Return plant and survey to the photo count, as the export has them."""
    import csv

    folder = tmp_path / name
    assert counting("export", trial.directory, "--out", folder).code == 0
    with (folder / "observations.csv").open(encoding="utf-8-sig", newline="") as stream:
        return {
            (row["plant"], row["source"]): row["value"]
            for row in csv.DictReader(stream)
            if row["measure"] == "fruit"
        }


def test_a_photo_is_moved_to_its_plant_after_it_was_confirmed(trial, tmp_path):
    taken_in(trial, tmp_path, "A1-1/path", "B1-1/path")
    added(trial, photo_at(trial, "A1-1"), 7)
    done = counting(
        "move", trial.directory, "photos/2026-07-01/A1-1/path.jpg", "--to", "a1/2",
        "--reason", "wrong tag", "--by", "Kim",
    )  # fmt: skip
    assert done.code == 0, done.err
    assert "A1-1, 2026-07-01, side path -> A1-2, 2026-07-01, side path" in done.err
    found = counts(trial, tmp_path, "out")
    assert float(found["A1-2", "photo"]) == 7
    assert ("A1-1", "photo") not in found
    told = [str(step) for step in history(trial, "A1-2")[0]]
    assert any("bound by person: wrong tag" in step for step in told)
    told = [str(step) for step in history(trial, "A1-1")[0]]
    assert any("moved photos/2026-07-01/A1-1/path.jpg to plant A1-2" in step for step in told)


def test_a_photo_is_not_moved_to_a_place_that_is_taken(trial, tmp_path):
    taken_in(trial, tmp_path, "A1-1/path", "A1-2/path")
    name = "photos/2026-07-01/A1-1/path.jpg"
    done = counting("move", trial.directory, name, "--to", "A1-2")
    assert done.code == 2
    assert "one photo at a place; move the other one too" in done.err
    done = counting("move", trial.directory, "--swap", "A1-1", "--swap", "A1-2")
    assert done.code == 0, done.err
    with trial.ledger() as ledger:
        assert {p.file.split("/")[2]: p.plant for p in photos(ledger).values()} == {
            "A1-1": "A1-2", "A1-2": "A1-1"
        }  # fmt: skip


def test_photos_are_moved_by_a_list(trial, tmp_path):
    taken_in(trial, tmp_path, "A1-1/one", "A1-2/two")
    listed = tmp_path / "photos.csv"
    listed.write_text("file,plant,side\none.jpg,B1-1,path\ntwo.jpg,B1 2,wall\n", encoding="utf-8")
    done = counting("move", trial.directory, "--list", listed)
    assert done.code == 0, done.err
    with trial.ledger() as ledger:
        assert {(p.plant, p.side) for p in photos(ledger).values()} == {
            ("B1-1", "path"), ("B1-2", "wall")
        }  # fmt: skip
    done = counting("move", trial.directory, "three.jpg", "--to", "A1-1")
    assert "no photo of this trial" in done.err
    done = counting("move", trial.directory, "one.jpg", "--to", "B1-22")
    assert "did you mean B1-2?" in done.err


def test_a_plant_renamed_in_the_plan_alone_is_refused_with_the_mend(trial, tmp_path):
    taken_in(trial, tmp_path, "A1-1/path")
    added(trial, photo_at(trial, "A1-1"), 7)
    path = tmp_path / "tally.csv"
    path.write_text("survey,plant,fruit\n2026-07-01,A1-1,9\n", encoding="utf-8")
    assert counting("tally", trial.directory, path).code == 0
    plants = trial.directory / "plants.csv"
    kept = plants.read_text(encoding="utf-8")
    plants.write_text(kept.replace("A1-1,", "A1-9,"), encoding="utf-8")
    done = counting("report", trial.directory)
    assert done.code == 2
    assert "no plant A1-1, of which there are 1 photos and 1 tallies" in done.err
    assert f"counting rename {trial.directory} A1-1 NEW" in done.err
    done = counting("rename", trial.directory, "A1-1", "A1-9")
    assert done.code == 0, done.err
    assert "A1-1 is A1-9 now, with 1 photo, 1 tally and 0 events." in done.err
    found = counts(trial, tmp_path, "out")
    assert (float(found["A1-9", "photo"]), float(found["A1-9", "tally"])) == (7, 9)
    assert "plan: well" in counting("audit", trial.directory).out


def test_a_plant_is_renamed_in_the_plan_as_well(trial, tmp_path):
    taken_in(trial, tmp_path, "A1-1/path")
    done = counting("rename", trial.directory, "A1-1", "A1-9")
    assert done.code == 0, done.err
    assert "plants.csv was changed. Its tag shows the old code" in done.err
    assert "A1-9," in (trial.directory / "plants.csv").read_text(encoding="utf-8")
    done = counting("rename", trial.directory, "A1-2", "A1-9")
    assert done.code == 2
    assert "both A1-2 and A1-9 are there" in done.err


def tagged(path, code, number, mark=None, **save):
    """Write a photo of a tag before leaves of noise."""
    import cv2
    import numpy as np
    from PIL import Image

    from counting.plan.tags import tag_picture

    card = np.asarray(tag_picture(code, number, mark=mark))
    photo = np.random.default_rng(number).integers(60, 120, (500, 640), dtype=np.uint8)
    photo[50:450, 60:580] = cv2.resize(card, (520, 400), interpolation=cv2.INTER_AREA)
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(np.stack([photo] * 3, axis=-1)).save(path, **save)


def test_swapped_tags_are_suspected_said_and_mended_as_the_line_says(tmp_path):
    from PIL import Image

    trial = make_trial(tmp_path / "trial", Beds(blocks=1, plants_per_plot=5))
    numbers = dict(zip(trial.plants["code"], trial.plants["tag"], strict=True))
    for minute, code in enumerate(["A1-1", "A1-2", "A1-4", "A1-3", "A1-5"]):
        exif = Image.Exif()
        exif[0x0132] = f"2026:07:01 09:{minute:02}:00"
        tagged(tmp_path / "in" / f"IMG_{minute}.jpg", code, int(numbers[code]), exif=exif)
    done = counting("take-in", trial.directory, tmp_path / "in", "--workers", 1)
    assert done.code == 0, done.err
    (line,) = [line for line in done.err.splitlines() if "the other way round" in line]
    assert line.startswith("A1-4 and A1-3 came the other way round than they stand: do their tags")
    moved = counting(*shlex.split(line.partition("If so: counting ")[2]))
    assert moved.code == 0, moved.err
    with trial.ledger() as ledger:
        at = {photo.file.split("/")[-1]: photo for photo in photos(ledger).values()}
    assert {name: photo.plant for name, photo in at.items()} == {
        "IMG_0.jpg": "A1-1", "IMG_1.jpg": "A1-2", "IMG_2.jpg": "A1-3", "IMG_3.jpg": "A1-4",
        "IMG_4.jpg": "A1-5",
    }  # fmt: skip
    assert "tags swapped" in at["IMG_2.jpg"].bound_by


def test_swapped_tags_are_suspected_only_where_all_else_is_in_order():
    from counting.photos.places.remarks import _swapped

    assert _swapped([1, 2, 4, 3, 5]) == [2]
    assert _swapped([2, 1, 3, 4]) == [0]
    assert _swapped([1, 2, 3, 4]) == []
    assert _swapped([3, 1, 4, 2]) == []  # walked anyhow


def test_a_foreign_tag_is_refused_by_name(tmp_path):
    from counting.plan.mark import TrialMark

    trial = make_trial(tmp_path / "trial")
    ours = TrialMark.of(trial.plan)
    theirs = TrialMark(ours.code ^ 0x2A5, 2025)
    for name, mark in (("own", ours), ("old", None), ("foreign", theirs)):
        tagged(tmp_path / name / f"{name}.png", "A1-1", 0, mark)
    words = ("--survey", "2026-07-01", "--workers", 1)
    done = counting("take-in", trial.directory, tmp_path / "foreign", *words)
    assert done.code == 2
    assert f"its tag is of trial {theirs}, not of this one, {ours}; take it in there" in done.err
    for name in ("own", "old"):
        done = counting("take-in", trial.directory, tmp_path / name, *words, "--side", name)
        assert done.code == 0, done.err
        assert "of 1 plant." in done.err


# ---- unfinished work


def test_no_headline_while_photos_wait_for_an_answer(tmp_path):
    trial = make_trial(tmp_path / "trial", Beds(blocks=5, plants_per_plot=2))
    for number, plant in enumerate(trial.plants["code"]):
        photo = add_photo(trial, plant)
        if number < 12:
            group = trial.plants["group"][number]
            confirm(trial, photo, 5 if group == "grafted" else 20)
    done = counting("compare", trial.directory, "--json", "-")
    told = json.loads(done.out)
    assert told["sentence"].startswith("Unfinished: 12 of 20 plants counted, 4 of own-rooted and")
    assert told["complete"] is False
    assert sum(each["plants"] for each in told["missing"]) == 8
    assert told["comparisons"][0]["headline"]["verdict"] == "unfinished"
    sentence = told["sentence"]
    assert counting("report", trial.directory).code == 0
    page = (trial.directory / "report.html").read_text(encoding="utf-8")
    figures = json.loads(re.search(r'id="figures">(.*?)</script>', page, re.DOTALL)[1])["main"]
    assert (figures["complete"], figures["missing"]) == (False, told["missing"])
    assert figures["comparisons"][0]["headline"]["verdict"] == "unfinished"
    large, grey = (
        re.search(f'<p class="{kind}">(.*?)</p>', page)[1].replace("\N{NO-BREAK SPACE}", " ")
        for kind in ("sentence", "sentence second so-far")
    )
    assert large.startswith("Unfinished: 12 of 20 plants counted, 4 of own-rooted and")
    assert "fewer" not in large  # the estimate stands below, in grey
    assert grey.startswith("So far ")
    assert sentence == f"{large} {grey}"
    for plant in trial.plants["code"][12:]:
        words = ("--reason", "broken by wind", "--survey", "2026-07-01")
        assert counting("leave-out", trial.directory, plant, *words).code == 0
    told = json.loads(counting("compare", trial.directory, "--json", "-").out)
    assert told["complete"] is True
    assert "Unfinished" not in told["sentence"]


# ---- what next, and forgiving names


def test_confirm_without_files_offers_those_at_hand(trial, tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path))
    done = counting("confirm", trial.directory)
    assert done.code == 2
    assert "no corrections of this trial in" in done.err
    folder = tmp_path / "Downloads"
    folder.mkdir()
    of_this, other = trial.plan.id, "another"
    # a phone passes the same content on as text
    for name, whose in (
        ("corrections_a.json", of_this),
        ("corrections_b.json", other),
        ("corrections_c.txt", of_this),
        ("corrections_d.html", of_this),
    ):
        text = json.dumps({"format": "counting corrections", "trial": whose})
        (folder / name).write_text(text, encoding="utf-8")
    done = counting("confirm", trial.directory)
    assert done.code == 2
    assert str(folder / "corrections_a.json") in done.err
    assert str(folder / "corrections_c.txt") in done.err
    assert "corrections_b.json" not in done.err
    assert "corrections_d.html" not in done.err
    assert f"to take them in: counting confirm {trial.directory} " in done.err


@pytest.fixture
def answered(tmp_path):
    """A trial whose sheet came back: Ana answered its four photos, one of them "retake"."""
    from sheet_trial import Drawn, draw_trial
    from test_corrections import a_document

    trial = draw_trial(tmp_path / "trial", Drawn(plants=5, sides=("a",), size=(160, 120)))
    assert counting("sheet", trial.directory).code == 0
    document = a_document(trial)
    document["photos"] = document["photos"][:4]
    document["photos"][0] |= {"answer": "retake", "count": 0, "marks": []}
    return trial, document


def test_confirm_takes_what_lies_in_the_trial_and_in_downloads_and_says_what_waits(
    answered, tmp_path, monkeypatch
):
    trial, document = answered
    monkeypatch.setenv("HOME", str(tmp_path))
    (tmp_path / "Downloads").mkdir()
    halves = document["photos"][:2], document["photos"][2:]
    places = trial.directory / "sheets", tmp_path / "Downloads"
    for folder, half in zip(places, halves, strict=True):
        text = json.dumps({**document, "photos": half})
        (folder / "corrections_1_Ana.json").write_text(text, encoding="utf-8")
    declined = counting("confirm", trial.directory, typed="n\n", keyboard=True)
    assert declined.code == 2
    assert "nothing was taken in" in declined.err
    done = counting("confirm", trial.directory, typed="y\n", keyboard=True)
    assert done.code == 0, done.err
    assert [str(folder / "corrections_1_Ana.json") in done.err for folder in places] == [True] * 2
    assert "4 answers taken in from Ana." in done.err
    with trial.ledger() as ledger:
        at = {photo.photo: photo.plant for photo in photos(ledger).values()}
    again = at[document["photos"][0]["photo"]]
    (left,) = set(at.values()) - {at[each["photo"]] for each in document["photos"]}
    assert f"To photograph again (2026-07-01): {again}." in done.err
    assert f"Not answered yet (2026-07-01): {left}." in done.err


def test_report_and_confirm_name_whom_to_photograph_again_and_whose_photo_was_left_out(
    trial, tmp_path
):
    from PIL import Image, ImageFilter

    sharp = draw_photo(tmp_path / "in" / "2026-07-01" / "A1-1" / "IMG_1.jpg", 5)
    with Image.open(sharp) as image:
        image.filter(ImageFilter.GaussianBlur(5)).save(sharp.with_name("IMG_2.jpg"))
    for number, code in enumerate(trial.plants["code"][1:6]):
        draw_photo(tmp_path / "in" / "2026-07-01" / code / "IMG_3.jpg", 3, seed=number)
    assert counting("take-in", trial.directory, tmp_path / "in", "--workers", 1).code == 0
    for code in trial.plants["code"][:3]:
        added(trial, photo_at(trial, code, ""), 5)
    again = photo_at(trial, trial.plants["code"][3], "")
    confirm(trial, again, 0, proposal="", answer="retake", marks=[])
    unsure = photo_at(trial, trial.plants["code"][4], "")
    confirm(trial, unsure, 0, proposal="", answer="cannot tell", marks=[])
    said = [
        "To photograph again (2026-07-01): A2-2.",
        "Cannot be counted; photograph again, or leave out with the reason (2026-07-01): B1-1.",
        "No photo yet (2026-07-01): B2-1, B2-2.",
        "Not answered yet (2026-07-01): B1-2.",
        "Photos left out, another counts in their place (2026-07-01): A1-1 (1).",
    ]
    done = counting("report", trial.directory)
    assert done.code == 0, done.err
    page = (trial.directory / "report.html").read_text(encoding="utf-8")
    page = re.sub("<span[^>]*>|</span>", "", page)
    listed = page.partition("<h3>Still to do</h3>")[2].partition("</ul>")[0]
    assert re.findall("<li>(.*?)</li>", listed) == said
    assert "A1-1, photo IMG_2.jpg" in page
    listed = counting("leave-out", trial.directory).out
    assert "A1-1, photo IMG_2.jpg, 2026-07-01, a further view: IMG_1.jpg shows the same" in listed


@pytest.mark.parametrize("written", ["a1-2", "A1/2", "A1 2", "a1.02", "A12"])
def test_plants_are_found_however_they_are_written(trial, written):
    done = counting("leave-out", trial.directory, written, "--reason", "broken by wind")
    assert done.code == 0, done.err
    assert "A1-2" in counting("leave-out", trial.directory).out


def test_a_name_that_is_none_is_asked_about(trial):
    done = counting("leave-out", trial.directory, "B1-22", "--reason", "broken")
    assert done.code == 2
    assert "plant 'B1-22' is not in the plan; did you mean B1-2?" in done.err


@pytest.mark.parametrize("kind", ["mulching", "planting", "visit of the school class"])
def test_the_diary_takes_any_word_as_a_kind(trial, kind):
    words = ("--kind", kind, "--at", "2026-07-01", "--scope", "a1/2")
    done = counting("diary", trial.directory, *words)
    assert done.code == 0, done.err
    listed = counting("diary", trial.directory).out
    assert kind in listed
    assert "A1-2" in listed
    assert "mulching, watering" in " ".join(counting("diary", "--help").out.split())


# ---- words

CHECKERS = re.compile(
    r"Input should|validation error|Extra inputs|type=|Field required|invalid literal"
    r"|could not convert|NoneType|\bTrue\b|\bFalse\b|\bdict\b|\btuple\b|_type|_parsing"
)
"""Words of the checker, or of Python, that no grower should have to read."""


@pytest.mark.parametrize("value", ['"x"', "-1", "true", "[1]", "{}", "2026-07-01", "nan"])
def test_what_is_wrong_with_a_plan_is_said_in_words_of_the_trade(trial, value):
    from counting.errors import CountingError
    from counting.plan.trial import load_trial

    path = trial.directory / "trial.toml"
    good = path.read_text(encoding="utf-8")
    entries = re.findall(r"^(\w+) =", good.partition("[[groups]]")[0], re.MULTILINE)
    entries += ["surveys", "first_treatment", "smallest_difference", "rule", "layout", "no_entry"]
    said = []
    for name in entries:
        lines = [line for line in good.splitlines() if not line.startswith(f"{name} =")]
        path.write_text(f"{name} = {value}\n" + "\n".join(lines) + "\n", encoding="utf-8")
        try:
            load_trial(trial.directory)
        except CountingError as error:
            said.append(str(error))
    assert len(said) > 5
    assert not [text for text in said if CHECKERS.search(text)]
