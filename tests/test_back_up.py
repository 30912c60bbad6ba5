"""Keeping a trial safe: whole, checked, and what is lost is told."""

import json
import os
import random
import shutil
import zipfile
from pathlib import Path

import pytest
from killing import lives
from trials import SURVEY, Beds, draw_photo, make_trial
from tries import tries
from typer.testing import CliRunner

from counting.cli import app
from counting.errors import CountingError
from counting.ledger import Ledger, verify
from counting.photos.gather import Batch
from counting.photos.intake import take_in
from counting.report.keeping.audit import audit
from counting.report.keeping.back_up import back_up
from counting.report.keeping.checkpoints import Outside
from counting.report.keeping.restore import restore

PHOTOS = 4
KILLS = tries(10, 40)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A trial with photos, a remark of its own and an empty file."""
    folder = tmp_path_factory.mktemp("kept")
    trial = make_trial(folder / "trial", Beds(plants_per_plot=1))
    for number, plant in enumerate(trial.plants["code"][:PHOTOS]):
        draw_photo(folder / "camera" / plant / "path.jpg", seed=number)
    take_in(trial, [folder / "camera"], batch=Batch(survey=SURVEY))
    (trial.directory / "remarks ü.txt").write_text("cold nights", encoding="utf-8")
    (trial.directory / "empty.txt").touch()
    return trial.directory


@pytest.fixture
def folder(made, tmp_path):
    return Path(shutil.copytree(made, tmp_path / "trial"))


def contents(folder: Path) -> dict[str, bytes]:
    listed = [path for path in folder.rglob("*") if path.is_file()]
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in listed}


def test_a_restored_trial_is_the_trial_byte_for_byte(folder, tmp_path):
    before = contents(folder)
    kept = back_up(folder, tmp_path / "kept.zip")
    assert (kept.left_out, kept.lost) == ((), ())
    assert contents(folder) == before
    back = restore(kept.file, tmp_path / "back")
    assert back.lost == ()
    assert contents(tmp_path / "back") == before
    assert (back.files, back.entries) == (len(before), PHOTOS)
    found = verify(tmp_path / "back")
    assert (found.faults, found.remarks) == ((), ())


def test_a_back_up_is_a_checkpoint_that_a_changed_trial_does_not_hold(folder, tmp_path):
    kept = back_up(folder, tmp_path / "kept.zip")
    outside = Outside(files=(kept.file,))
    assert audit(folder, proposals="none", outside=outside).faults == ()
    for name in ("ledger.sqlite", "ledger.seal"):
        (folder / name).unlink()
    with Ledger(folder, create=True) as ledger:
        ledger.append("event", "another beginning", {}, by="test")
    (fault,) = audit(folder, proposals="none", outside=outside).faults
    assert fault.item == str(kept.file)
    assert "the ledger has 1" in fault.sentence


def test_a_ledger_in_use_is_kept_as_of_one_moment(folder, tmp_path):
    with Ledger(folder) as ledger:
        ledger.append("event", "one", {}, by="test")
        kept = back_up(folder, tmp_path / "kept.zip")
        ledger.append("event", "two", {}, by="test")
    back = restore(kept.file, tmp_path / "back")
    assert (back.lost, back.entries) == ((), PHOTOS + 1)
    found = verify(tmp_path / "back")
    assert (found.entries, found.faults, found.remarks) == (PHOTOS + 1, (), ())


def test_what_cannot_be_kept_and_what_is_lost_already_is_named(folder, tmp_path):
    first, second = sorted((folder / "photos").rglob("*.jpg"))[:2]
    first.unlink()
    second.write_bytes(second.read_bytes() + b"\0")
    (folder / "link").symlink_to("/etc/passwd")
    os.mkfifo(folder / "pipe")
    (folder / os.fsdecode(b"no\xffutf8")).touch()
    kept = back_up(folder, tmp_path / "kept.zip")
    assert sorted(refusal.reason for refusal in kept.left_out) == [
        "a link, pipe or device; only plain files are kept",
        "a link, pipe or device; only plain files are kept",
        "its name is not UTF-8; rename it",
    ]
    assert [(lost.item, lost.reason) for lost in kept.lost] == [
        (first.relative_to(folder).as_posix(), "the ledger names it, but it is not there"),
        (second.relative_to(folder).as_posix(), "changed since it was taken in"),
    ]


def test_a_back_up_in_the_trials_own_folder_does_not_hold_itself_or_an_earlier_one(folder):
    first = back_up(folder, folder / "one.zip")
    second = back_up(folder, folder / "two.zip")
    third = back_up(folder, folder / "two.zip", replace=True)
    assert first.files == second.files == third.files
    with pytest.raises(CountingError, match="--replace"):
        back_up(folder, folder / "two.zip")


def test_every_damaged_file_of_a_back_up_is_named_and_the_others_come_back(folder, tmp_path):
    before = contents(folder)
    kept = back_up(folder, tmp_path / "kept.zip")
    data = bytearray(kept.file.read_bytes())
    photo = next(content for name, content in before.items() if name.endswith(".jpg"))
    at = bytes(data).index(photo[100:200]) + 50
    data[at] ^= 0xFF
    kept.file.write_bytes(data)
    back = restore(kept.file, tmp_path / "back")
    (lost,) = back.lost
    assert lost.reason == "damaged in the back-up"
    restored = contents(tmp_path / "back")
    assert restored == {name: part for name, part in before.items() if name != lost.item}


def test_no_damage_gives_a_traceback_or_a_file_that_is_not_as_it_was(folder, tmp_path):
    before = contents(folder)
    good = back_up(folder, tmp_path / "kept.zip").file.read_bytes()
    rng = random.Random(20260601)
    for number in range(60):
        data = bytearray(good)
        for _ in range(rng.randrange(1, 4)):
            data[rng.randrange(len(data))] ^= rng.randrange(1, 256)
        data = data[: rng.randrange(len(data))] if number % 5 == 0 else data
        (tmp_path / "spoilt.zip").write_bytes(data)
        target = tmp_path / f"back{number}"
        try:
            back = restore(tmp_path / "spoilt.zip", target)
        except CountingError as error:
            assert "\n" not in str(error)  # noqa: PT017
            assert not target.exists()
            continue
        restored = contents(target)
        assert restored.items() <= before.items()
        assert {lost.item for lost in back.lost} == before.keys() - restored.keys()


@pytest.mark.parametrize(
    "name", ["../out.txt", "/tmp/out.txt", "photos/../../out.txt", "a\\b", "", ".", "x\0y"]
)
def test_a_name_that_leads_out_of_the_folder_is_not_written(folder, tmp_path, name):
    kept = back_up(folder, tmp_path / "kept.zip")
    changed = tmp_path / "changed.zip"
    with zipfile.ZipFile(kept.file) as packed, zipfile.ZipFile(changed, "w") as out:
        told = json.loads(packed.read("back-up.json"))
        told["files"].append({**told["files"][0], "name": name})
        out.writestr("back-up.json", json.dumps(told))
        for each in packed.namelist():
            if each != "back-up.json":
                out.writestr(each, packed.read(each))
        if name:
            out.writestr(zipfile.ZipInfo(name), packed.read(told["files"][0]["name"]))
    back = restore(changed, tmp_path / "deep" / "back")
    assert [lost.item for lost in back.lost] == [name]
    assert not (tmp_path / "deep" / "out.txt").exists()
    assert not (tmp_path / "out.txt").exists()


def test_a_list_that_promises_little_does_not_unpack_a_mountain(folder, tmp_path):
    kept = back_up(folder, tmp_path / "kept.zip")
    changed = tmp_path / "changed.zip"
    with zipfile.ZipFile(kept.file) as packed, zipfile.ZipFile(changed, "w", 8) as out:
        told = json.loads(packed.read("back-up.json"))
        told["files"] = [{"name": "big", "size": 10, "sha256": "0" * 64, "modified": 0}]
        out.writestr("back-up.json", json.dumps(told))
        out.writestr("big", bytes(300_000_000))
    back = restore(changed, tmp_path / "back")
    assert back.lost[0].reason == "damaged in the back-up"
    assert contents(tmp_path / "back") == {}


def test_nothing_is_restored_over_what_is_there_and_no_other_file_is_taken_for_a_back_up(
    folder, tmp_path
):
    kept = back_up(folder, tmp_path / "kept.zip")
    with pytest.raises(CountingError, match="exists already"):
        restore(kept.file, folder)
    (tmp_path / "new").mkdir()
    assert restore(kept.file, tmp_path / "new").lost == ()
    with pytest.raises(CountingError, match="not a back-up"):
        restore(folder / "trial.toml", tmp_path / "x")
    with pytest.raises(CountingError, match="not found"):
        restore(folder / "nothing.zip", tmp_path / "x")
    with pytest.raises(CountingError, match="no trial in it"):
        back_up(tmp_path, tmp_path / "x.zip")


def test_the_commands_leave_with_1_when_something_is_lost(folder, tmp_path):
    def run(*arguments):
        return CliRunner().invoke(app, list(map(str, arguments)))

    kept = tmp_path / "kept.zip"
    done = run("back-up", folder, kept)
    assert (done.exit_code, done.stdout.strip()) == (0, str(kept))
    assert run("restore", kept, tmp_path / "back").exit_code == 0
    next((folder / "photos").rglob("*.jpg")).unlink()
    done = run("back-up", folder, kept, "--replace")
    assert done.exit_code == 1
    assert "the ledger names it, but it is not there" in done.stderr


@pytest.mark.slow
def test_a_back_up_killed_at_any_moment_leaves_the_earlier_one_or_a_whole_new_one(made, tmp_path):
    template = tmp_path / "template"
    shutil.copytree(made, template / "trial")
    back_up(template / "trial", template / "kept.zip")
    with Ledger(template / "trial") as ledger:
        ledger.append("event", "later", {}, by="test")
    counts = set()

    def check(trial: Path, told: set[str]) -> None:
        back = restore(trial.parent / "kept.zip", trial.parent / "back")
        assert back.lost == ()
        counts.add(back.entries)
        shutil.rmtree(trial.parent / "back")

    def finished(trial: Path) -> None:
        assert sorted(path.name for path in trial.parent.iterdir()) == ["kept.zip", "trial"]

    assert lives("back-up", template, KILLS, check, finished, seed=20260601) >= KILLS
    assert counts == {PHOTOS, PHOTOS + 1}
