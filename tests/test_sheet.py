"""Contact sheets as files: what is on them, what is not, in which order."""

from __future__ import annotations

import dataclasses
import io
import json
import re
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from drawn_tags import Scene
from drawn_tags import photo as tag_photo
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from sheet_trial import Drawn, draw_trial
from test_assign import a_frame
from trials import Beds, make_trial
from typer.testing import CliRunner

from counting.cli import app
from counting.cli.review import _tell_uncovered as tell_uncovered
from counting.errors import CountingError
from counting.photos.intake import take_in
from counting.photos.tags.reader import read_tags
from counting.plan.trial import Trial, load_trial
from counting.records.exclusions import leave_out, take_back
from counting.review.build import page, policy
from counting.review.frames import Frame, frames, ordered
from counting.review.prints import (
    LARGER_BYTES,
    LARGEST_BYTES,
    Wanted,
    most_bytes,
    prints,
    prints_of,
)
from counting.review.sheet import SheetOptions, make_sheet, make_sheets
from counting.review.sheet import _parts as parts_of

SIZE = (400, 300)


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    directory = tmp_path_factory.mktemp("drawn") / "trial"
    return draw_trial(directory, Drawn(plants=6, size=SIZE, flagged=(3, 8))).directory


@pytest.fixture
def trial(drawn: Path, tmp_path: Path) -> Trial:
    return load_trial(Path(shutil.copytree(drawn, tmp_path / "trial")))


def data_of(path: Path) -> dict[str, Any]:
    """Return the data that a sheet's page is given."""
    text = path.read_text(encoding="utf-8")
    found = re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.DOTALL)
    assert found
    return json.loads(found[1])


def test_a_sheet_holds_every_photo_with_its_candidates_and_is_in_the_ledger(trial: Trial) -> None:
    path = make_sheet(trial)
    data = data_of(path)
    assert path.parent == trial.directory / "sheets"
    assert len(data["photos"]) == 12
    with trial.ledger() as ledger:
        entry = ledger.get("sheet", data["sheet"])
        proposals = {e.key: e.hash for e in ledger.standing("proposal")}
    assert entry is not None
    assert entry.body["file"] == f"sheets/{path.name}"
    assert entry.body["seed"] == data["seed"] == trial.plan.seed
    shown = [(photo["photo"], photo["proposal"]) for photo in data["photos"]]
    assert [(row["photo"], row["proposal"]) for row in entry.body["photos"]] == shown
    assert dict(shown) == proposals
    assert path.read_text(encoding="utf-8").count('<script type="text/plain" id="photo-') == 12


def test_the_same_sheet_made_again_is_the_same_file_and_no_new_entry(trial: Trial) -> None:
    first = make_sheet(trial)
    content = first.read_bytes()
    with trial.ledger() as ledger:
        before = len(list(ledger.entries()))
    assert make_sheet(trial) == first
    assert first.read_bytes() == content
    with trial.ledger() as ledger:
        assert len(list(ledger.entries())) == before


def test_a_file_of_that_name_with_other_content_is_not_written_over(trial: Trial) -> None:
    path = make_sheet(trial)
    path.write_text("someone's own", encoding="utf-8")
    with pytest.raises(CountingError, match="--replace"):
        make_sheet(trial)
    assert path.read_text(encoding="utf-8") == "someone's own"
    make_sheet(trial, SheetOptions(replace=True))
    assert path.stat().st_size > 1000


def test_a_blind_sheet_shows_neither_plant_nor_group_nor_file(trial: Trial) -> None:
    text = make_sheet(trial).read_text(encoding="utf-8")
    title = trial.plan.title
    for word in ("grafted", "own-rooted", '"P1', ">P1", "photos/", "2026-07-01", "0003.jpg"):
        assert word not in text.replace(title, "")
    shown = make_sheet(trial, SheetOptions(blind=False)).read_text(encoding="utf-8")
    assert "P1 · own-rooted · 2026-07-01 · a" in shown


def test_plants_with_a_flagged_photo_come_first_and_photos_of_a_plant_stay_together(
    trial: Trial,
) -> None:
    photos = data_of(make_sheet(trial))["photos"]
    assert [bool(photo["flags"]) for photo in photos] == [True, False, True, False] + [False] * 8
    assert [photo["set"] for photo in photos] == [n // 2 for n in range(12)]


def test_the_order_comes_from_the_seed_alone(trial: Trial) -> None:
    def order(seed: int) -> list[str]:
        return [
            photo["photo"]
            for photo in data_of(make_sheet(trial, SheetOptions(seed=seed)))["photos"]
        ]

    assert order(1) == order(1)
    assert order(1) != order(2)
    assert sorted(order(1)) == sorted(order(2))


@settings(max_examples=50, deadline=None)
@given(st.lists(st.integers(1, 3), min_size=1, max_size=20), st.integers(0, 9), st.randoms())
def test_the_order_does_not_depend_on_the_order_of_intake(sides, seed, random):
    listed = [a_frame(plant, side) for plant, n in enumerate(sides) for side in range(n)]
    mixed = list(listed)
    random.shuffle(mixed)
    assert ordered(listed, seed) == ordered(mixed, seed)
    assert sorted(ordered(listed, seed), key=_key) == sorted(listed, key=_key)


def _key(frame: Frame) -> str:
    return frame.photo


def test_a_sheet_of_flagged_photos_holds_only_those(trial: Trial) -> None:
    (made,) = make_sheets(trial, SheetOptions(flagged=True))
    assert (made.photos, made.flagged) == (2, 2)


def test_parts_of_a_number_of_photos_never_part_a_plant(trial: Trial) -> None:
    made = make_sheets(trial, SheetOptions(per_file=5))
    assert [each.photos for each in made] == [4, 4, 4]
    assert len({each.sheet for each in made}) == 3
    assert [each.photos for each in make_sheets(trial, SheetOptions(per_file=1))] == [2] * 6


def test_without_a_number_a_file_holds_fifty_photos_or_eight_megabytes(trial: Trial) -> None:
    one = next(frame for frame in frames(trial) if frame.candidates)
    many = [
        dataclasses.replace(one, photo=f"{n:064x}", plant=str(n // 2), candidates=())
        for n in range(120)
    ]
    assert [len(part) for part in parts_of(many, None)] == [50, 50, 20]
    tiny = tuple(dataclasses.replace(each, width=6.0, height=6.0) for each in one.candidates)
    larger = [dataclasses.replace(each, candidates=tiny) for each in many]
    assert most_bytes(larger[0]) == LARGER_BYTES > most_bytes(one) == LARGEST_BYTES
    sizes = [len(part) for part in parts_of(larger, None)]
    assert sum(sizes) == 120
    assert max(sizes) * LARGER_BYTES * 4 / 3 <= 8e6
    made = make_sheets(trial, SheetOptions(per_file=4))
    assert [data_of(each.path)["part"] for each in made] == ["1 of 3", "2 of 3", "3 of 3"]


def test_guard_plants_and_what_was_excluded_are_left_out(trial: Trial) -> None:
    everything = frames(trial)
    with trial.ledger() as ledger:
        ledger.append("exclusion", everything[0].photo, {"reason": "test"}, by="test")
        ledger.append("exclusion", "P3|2026-07-01", {"reason": "test"}, by="test")
    plants = trial.directory / "plants.csv"
    text = plants.read_text(encoding="utf-8")
    guard = re.sub(r"(\n\"?P6\"?,.*?,,,)false", r"\1true", text)
    assert guard != text
    plants.write_text(guard, encoding="utf-8")
    left = frames(load_trial(trial.directory))
    assert everything[0].photo not in {frame.photo for frame in left}
    assert {frame.plant for frame in left} == {"P1", "P2", "P4", "P5"}


def test_a_plant_left_out_of_all_surveys_is_on_no_sheet_until_it_is_taken_back(
    trial: Trial,
) -> None:
    leave_out(trial, "P3", "broken", by="test")
    assert "P3" not in {frame.plant for frame in frames(trial)}
    take_back(trial, "P3", by="test")
    assert "P3" in {frame.plant for frame in frames(trial)}


def test_a_trial_without_photos_says_what_to_do(trial: Trial) -> None:
    (trial.directory / "ledger.sqlite").unlink()
    with pytest.raises(CountingError, match="counting take-in"):
        make_sheet(trial)


def test_a_survey_nobody_made_is_named(trial: Trial) -> None:
    with pytest.raises(CountingError, match="expected one of 2026-07-01"):
        make_sheet(trial, SheetOptions(survey="1999-01-01"))


def test_photos_without_candidates_can_be_counted_by_hand(trial: Trial) -> None:
    photo = frames(trial)[0]
    with trial.ledger() as ledger:
        body = ledger.get("photo", photo.photo).body
        path = trial.directory / "photos/new.jpg"
        Image.new("RGB", (64, 48), (9, 90, 9)).save(path)
        ledger.append(
            "photo", "ab" * 32, {**body, "photo": "ab" * 32, "file": "photos/new.jpg"}, by="test"
        )
    data = data_of(make_sheet(trial, SheetOptions(photos=("ab" * 32,))))
    assert data["photos"][0]["proposal"] == ""
    assert data["photos"][0]["candidates"] == []


def test_prints_stay_small_and_large_enough_to_count(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    noise = rng.integers(0, 256, (1500, 2000, 3), dtype=np.uint8)
    smooth = np.full((1500, 2000, 3), 90, dtype=np.uint8)
    for name, picture, least in (("noise", noise, 320), ("smooth", smooth, 1600)):
        path = tmp_path / f"{name}.png"
        Image.fromarray(picture).save(path)
        made = prints(path)
        assert len(made.review) + len(made.grid) <= LARGEST_BYTES
        assert max(Image.open(io.BytesIO(made.review)).size) >= least
        assert max(Image.open(io.BytesIO(made.grid)).size) == 280
        assert not Image.open(io.BytesIO(made.review)).getexif()


def test_small_or_many_fruit_get_a_larger_print_and_the_strip_shows_their_part(
    tmp_path: Path,
) -> None:
    rng = np.random.default_rng(5)
    leaf = rng.integers(40, 90, (1500, 2000, 3), dtype=np.uint8)
    leaf[900:1300, 1500:1900] = (200, 30, 20)  # all fruit of the photo
    path = tmp_path / "row.png"
    Image.fromarray(leaf).save(path)
    usual, larger = (
        prints(path, wanted=Wanted(most, (1200.0, 700.0, 2000.0, 1300.0)))
        for most in (LARGEST_BYTES, LARGER_BYTES)
    )
    sides = [max(Image.open(io.BytesIO(made.review)).size) for made in (usual, larger)]
    assert sides[0] < sides[1]
    assert len(larger.review) + len(larger.grid) <= LARGER_BYTES
    strip = np.asarray(Image.open(io.BytesIO(larger.grid)).convert("RGB"), np.int64)
    red = (strip[..., 0] - strip[..., 1] > 80).mean()
    assert red == pytest.approx(400 * 400 / (800 * 600), rel=0.05)  # 5 % of the whole photo


def test_the_card_with_the_plants_code_is_covered_on_a_blind_sheet_only(tmp_path: Path) -> None:
    path = tmp_path / "white.png"
    Image.new("RGB", (400, 300), "white").save(path)
    card = [(100.0, 100.0), (300.0, 100.0), (300.0, 200.0), (100.0, 200.0)]

    def centre(covered: list[tuple[float, float]]) -> int:
        made = prints(path, covered)
        return int(np.asarray(Image.open(io.BytesIO(made.review)).convert("L"))[150, 200])

    assert centre([]) > 240
    assert abs(centre(card) - 118) < 8


def test_every_tag_in_a_photo_is_covered_on_a_blind_sheet(tmp_path: Path) -> None:
    trial, frame = trial_with_a_neighbours_tag(tmp_path)
    assert "several tags" in frame.flags

    def read(data: bytes) -> set[int]:
        rgb = np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))
        return {reading.id for reading in read_tags(rgb, known={0, 1})}

    assert read(prints_of(trial, frame, blind=False).review) == {0, 1}
    assert read(prints_of(trial, frame, blind=True).review) == set()


def trial_with_a_neighbours_tag(folder: Path) -> tuple[Trial, Frame]:
    """Return a trial of two tagged plants with one photo that shows both tags, 0 and 1."""
    trial = make_trial(folder / "trial", Beds(blocks=1, plants_per_plot=1))
    both = tag_photo(Scene(tag=0, metres=1.0, width=1600, height=1200), 1)
    other = tag_photo(Scene(tag=1, metres=1.3, across=-0.3, width=1600, height=1200), 1)
    both[:, :520] = other[:, :520]
    path = folder / "2026-07-01" / "a.jpg"
    path.parent.mkdir(parents=True)
    Image.fromarray(both).save(path, quality=92)
    assert len(take_in(trial, [path]).taken) == 1
    return trial, frames(trial)[0]


def test_photos_without_a_read_tag_are_named_where_the_others_are_covered(
    trial: Trial, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tagged, frame = trial_with_a_neighbours_tag(tmp_path / "tagged")
    assert frame.card
    assert make_sheets(tagged)[0].uncovered == ()
    (made,) = make_sheets(trial)
    assert len(made.uncovered) == made.photos
    (open_one,) = make_sheets(trial, SheetOptions(blind=False))
    assert open_one.uncovered == ()
    tell_uncovered(list(made.uncovered), made.photos)  # a trial without tags has none to show
    assert capsys.readouterr().err == ""
    tell_uncovered(["photos/a.jpg"], 3)
    told = capsys.readouterr().err
    assert "On 1 of 3 photos no tag was read" in told
    assert "photos/a.jpg" in told


def test_no_text_can_leave_the_data_or_the_title() -> None:
    hostile = "</script><script>alert(1)</script><!--\u2028"
    text = "".join(page({"title": hostile, "photos": []}))
    assert text.count("<script") == 2
    assert "alert(1)</script>" not in text
    assert json.loads(text.split('id="data">')[1].split("</script>")[0])["title"] == hostile


def test_the_policy_allows_one_script_one_style_and_nothing_from_outside() -> None:
    from_disk, live = policy("a{}", "b()"), policy("a{}", "b()", live=True)
    assert from_disk.startswith("default-src 'none'; script-src 'sha256-")
    assert "connect-src 'none'" in from_disk
    assert "unsafe" not in from_disk + live
    assert "http" not in from_disk + live
    assert "connect-src 'self'" in live


def test_the_command_prints_the_path_and_refuses_a_folder_that_is_no_trial(
    trial: Trial, tmp_path: Path
) -> None:
    runner = CliRunner()
    done = runner.invoke(app, ["sheet", str(trial.directory), "--per-file", "6", "--json", "-"])
    assert done.exit_code == 0
    assert [each["photos"] for each in json.loads(done.stdout)] == [6, 6]
    done = runner.invoke(app, ["sheet", str(trial.directory), "--flagged"])
    assert Path(done.stdout.strip()).is_file()
    with pytest.raises(CountingError):
        runner.invoke(app, ["sheet", str(tmp_path)], catch_exceptions=False)
