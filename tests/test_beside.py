"""A photo that shows several tagged plants serves those that have none of their own."""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from commanded import counting
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from trials import SURVEY, Beds, drawn, make_trial

from counting.files import sha256_file
from counting.finding.propose import propose
from counting.ledger.facts import (
    Answer,
    Judged,
    Mark,
    Photo,
    left_out,
    photos,
    proposals,
    standing_answers,
)
from counting.ledger.facts.beside import each_fruit_once
from counting.photos.gather import Batch
from counting.photos.intake import take_in
from counting.photos.places.moving import Place, move
from counting.plan.trial import Trial
from counting.records.observations import observations
from counting.report.counts import making
from counting.report.keeping.audit import audit, check_photos
from counting.report.keeping.back_up import back_up
from counting.review.found import still_to_do
from counting.review.frames import frames
from counting.review.sheet import SheetOptions, sheet_data
from counting.settings import Settings

ROW = ["A1-1", "A1-2", "A1-3", "A1-4"]


@pytest.fixture
def trial(tmp_path: Path) -> Trial:
    """Two rows of two plots of four plants; tags 0 to 3 hang on the first plot's."""
    return make_trial(tmp_path / "trial", Beds(plants_per_plot=4))


def of_tags(path: Path, numbers: dict[int, int], *, seed: int = 0) -> Path:
    """Draw a photo with tags whose middles stand so many px from the left."""
    image = np.asarray(drawn(8, seed=seed, size=(1200, 900))).copy()
    book = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    for number, at in numbers.items():
        image[560:680, at - 60 : at + 60] = 255
        image[584:656, at - 36 : at + 36] = cv2.aruco.generateImageMarker(book, number, 72)[
            ..., None
        ]
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(image).save(path, quality=95)
    return path


def inbox(tmp_path: Path, name: str, numbers: dict[int, int], seed: int = 0) -> Path:
    return of_tags(tmp_path / "camera" / name, numbers, seed=seed)


def standing(trial: Trial) -> dict[str, list[str]]:
    """Return the plants with the files that count for them."""
    with trial.ledger() as ledger:
        out = left_out(ledger)
        found: dict[str, list[str]] = {}
        for photo in photos(ledger).values():
            if not out.photo(photo.photo):
                found.setdefault(photo.plant, []).append(photo.file.rsplit("/", 1)[-1])
    return found


THREE = {0: 200, 1: 600, 2: 1000}


def test_plants_without_a_photo_count_on_the_neighbours_until_they_have_one(trial, tmp_path):
    one = inbox(tmp_path, "IMG_1.jpg", THREE)
    result = take_in(trial, [one], batch=Batch(survey=SURVEY))
    assert len(result.taken) == 1
    assert standing(trial) == {name: ["IMG_1.jpg"] for name in ("A1-2", "A1-1", "A1-3")}
    (said,) = [each for each in result.remarks if "neighbour" in each]
    assert "2 plants count on a neighbour's" in said
    assert "A1-1 in photos/" in said
    assert "taken of A1-2" in said
    assert list((trial.directory / "photos").rglob("*.jpg")) == [
        trial.directory / "photos" / SURVEY / "A1-2" / "IMG_1.jpg"
    ]
    # its own photo takes the place without being asked, and comes back if that goes
    result = take_in(trial, [inbox(tmp_path, "IMG_2.jpg", {0: 600}, 1)], batch=Batch(survey=SURVEY))
    assert result.refused == []
    assert standing(trial)["A1-1"] == ["IMG_2.jpg"]
    assert standing(trial)["A1-3"] == ["IMG_1.jpg"]
    move(trial, ["IMG_2.jpg"], Place(plant="A2-1"), reason="wrong tag", by="Ana")
    assert standing(trial)["A1-1"] == ["IMG_1.jpg"]
    assert take_in(trial, [one], batch=Batch(survey=SURVEY)).again == 1


def test_a_plant_cut_off_or_of_another_row_or_side_is_no_view(trial, tmp_path):
    cut = inbox(tmp_path, "path.jpg", {0: 130, 1: 600})  # its half of 235 px leaves the photo
    result = take_in(trial, [cut], batch=Batch(survey=SURVEY))
    assert standing(trial) == {"A1-2": ["path.jpg"]}
    assert any("too little of them in a neighbour's" in each for each in result.remarks)
    # tag 8 hangs in the row behind
    take_in(trial, [inbox(tmp_path, "b/path.jpg", {2: 500, 8: 1000})], batch=Batch(survey=SURVEY))
    assert standing(trial) == {"A1-2": ["path.jpg"], "A1-3": ["path.jpg"]}
    # most plants have no photo from the wall: a third side view would count one plant's twice
    take_in(trial, [inbox(tmp_path, "c/wall.jpg", {2: 600, 3: 1000})], batch=Batch(survey=SURVEY))
    assert "A1-4" not in standing(trial)


def test_a_person_can_let_a_photo_count_for_a_further_plant(trial, tmp_path):
    take_in(trial, [inbox(tmp_path, "path.jpg", {0: 130, 1: 600})], batch=Batch(survey=SURVEY))
    said = counting("move", trial.directory, "path.jpg", "--also", "A1-1", "--by", "Ana")
    assert said.code == 0
    assert "counts for A1-1 too" in said.err
    assert standing(trial) == {"A1-2": ["path.jpg"], "A1-1": ["path.jpg"]}
    refused = counting("move", trial.directory, "path.jpg", "--also", "A1-4", "--by", "Ana")
    assert refused.code == 2
    assert "no tag of A1-4 was read in it" in refused.err


def confirmed(trial: Trial, plant: str, at: list[tuple[float, float]]) -> None:
    """Let a person count a plant's fruit at these places."""
    with trial.ledger() as ledger:
        (photo,) = [each for each in photos(ledger).values() if each.plant == plant]
        proposal = proposals(ledger)[photo.photo]
        marks = tuple(
            Mark(number, None, x, y, 40.0, 40.0, "added") for number, (x, y) in enumerate(at)
        )
        answer = Answer(
            photo.photo, "Ana", proposal.entry, "2026-07-02T10:00:00+00:00", "counted",
            len(marks), marks,
        )  # fmt: skip
        ledger.add([answer], by="Ana")


def test_a_fruit_claimed_for_two_plants_of_a_photo_counts_for_one(trial, tmp_path):
    take_in(trial, [inbox(tmp_path, "IMG_1.jpg", THREE)], batch=Batch(survey=SURVEY))
    propose(trial, Settings.with_stages("blobs"), workers=1)
    confirmed(trial, "A1-1", [(100, 100), (390, 100)])
    confirmed(trial, "A1-2", [(395, 104), (600, 100), (700, 100)])
    with trial.ledger() as ledger:
        table = observations(trial, ledger)
        taken_away = {each.photo.plant: each.claimed for each in standing_answers(ledger)}
        told = making(ledger)
    counts = dict(zip(table["plant"], table["value"], strict=True))
    assert (counts["A1-1"], counts["A1-2"]) == (1, 3)
    assert taken_away == {"A1-1": 1, "A1-2": 0, "A1-3": 0}
    assert any("Taken for two plants of one photo" in each for each in still_to_do(trial))
    assert (told.photos, told.proposed, told.confirmed) == (1, 1, 1)


@given(
    st.lists(st.lists(st.integers(0, 7), unique=True, max_size=6), min_size=2, max_size=4),
    st.randoms(use_true_random=False),
)
def test_however_views_claim_fruit_each_counts_once_and_for_somebody(claims, order):
    judged = []
    for number, claimed in enumerate(claims):
        name = str(number)
        photo = Photo(name, "p.jpg", 900, 600, view_of="0" if number else "", plant=name)
        marks = tuple(
            Mark(k, None, 100.0 * fruit, 50.0 + number, 40.0, 40.0, "confirmed")
            for k, fruit in enumerate(claimed)
        )
        answer = Answer(name, "Ana", "", "2026-07-02T10:00:00+00:00", "counted", len(marks), marks)
        judged.append(Judged(photo, answer))
    order.shuffle(judged)
    told = each_fruit_once(judged)
    assert [each.photo for each in told] == [each.photo for each in judged]
    counted = [round(mark.x) for each in told if each.answer for mark in each.answer.fruit]
    assert sorted(counted) == sorted({100 * fruit for claimed in claims for fruit in claimed})
    assert all(each.answer and each.answer.count == len(each.answer.fruit) for each in told)
    # the plant that the photo was taken of keeps all that a person gave it
    assert next(each.claimed for each in told if not each.photo.view_of) == 0


def test_zones_of_one_photo_share_their_border_and_no_candidate_is_two_plants(trial, tmp_path):
    take_in(trial, [inbox(tmp_path, "IMG_1.jpg", THREE)], batch=Batch(survey=SURVEY))
    propose(trial, Settings.with_stages("colour"), workers=1)
    with trial.ledger() as ledger:
        of = {each.plant: proposals(ledger)[each.photo] for each in photos(ledger).values()}
    one, two, three = (of[name] for name in ROW[:3])
    for left, right in ((one, two), (two, three)):
        assert left.zone is not None
        assert right.zone is not None
        assert left.zone[1] == pytest.approx(right.zone[0], abs=3.0)
    # the same candidates, found three times
    assert [each.box for each in one.candidates] == [each.box for each in two.candidates]
    shares = np.array([[each.own_share or 0.0 for each in made.candidates] for made in of.values()])
    assert len(shares.T) >= 4
    assert (shares.sum(axis=0) < 1.03).all()
    assert (shares.max(axis=0) > 0.5).sum() >= 4


def test_a_view_is_audited_backed_up_and_exported_as_the_file_it_is(trial, tmp_path):
    take_in(trial, [inbox(tmp_path, "IMG_1.jpg", THREE)], batch=Batch(survey=SURVEY))
    propose(trial, Settings.with_stages("blobs"), workers=1)
    confirmed(trial, "A1-1", [(100, 100)])
    with trial.ledger() as ledger:
        checked = check_photos(trial, ledger)
        files = {each.sha256 for each in photos(ledger).values()}
    assert checked.faults == ()
    assert files == {sha256_file(next((trial.directory / "photos").rglob("*.jpg")))}
    faults = [
        fault for check in audit(trial.directory, proposals="all").checks for fault in check.faults
    ]
    assert faults == []
    back_up(trial.directory, tmp_path / "safe.zip")
    assert counting("export", trial.directory, "--out", tmp_path / "out").code == 0
    lines = (tmp_path / "out" / "photos.csv").read_text("utf-8").splitlines()
    assert sum(next(iter(files)) in line for line in lines) == 3
    assert lines[0].endswith("view_of")


def test_a_blind_sheet_shows_a_view_without_naming_a_plant(trial, tmp_path):
    take_in(trial, [inbox(tmp_path, "IMG_1.jpg", THREE)], batch=Batch(survey=SURVEY))
    propose(trial, Settings.with_stages("blobs"), workers=1)
    listed = frames(trial)
    data = sheet_data(trial, SheetOptions(), listed)
    text = json.dumps(data["photos"])
    assert not [name for name in ROW if name in text]
    assert len({photo["photo"] for photo in data["photos"]}) == 3
    assert sum("taken of another" in photo["flags"] for photo in data["photos"]) == 2
    assert all(photo["doubtful"] for photo in data["photos"] if photo["zone"] is None)
    # each is a set of its own: no fruit is offered as the same in both
    assert len({photo["set"] for photo in data["photos"]}) == 3
