"""Loose photos looked at from the command line."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from drawn import plant
from PIL import Image as Pillow
from typer.testing import CliRunner

from counting.cli import app
from counting.files import sha256_file
from counting.finding.look import look, to_json
from counting.settings import Settings

FAST = ["--stages", "colour,blobs"]


@pytest.fixture
def photo(tmp_path: Path) -> Path:
    path = tmp_path / "plant.jpg"
    Pillow.fromarray(plant(np.random.default_rng(2))[0]).save(path, quality=92)
    return path


def run(*arguments: str | Path) -> tuple[int, str, str]:
    done = CliRunner().invoke(app, ["look", *map(str, arguments)])
    return done.exit_code, done.stdout, done.stderr


def test_the_count_and_its_interval_are_printed(photo: Path) -> None:
    code, out, _ = run(photo, *FAST)
    assert code == 0
    assert "90 % interval" in out
    assert "plant.jpg" in out.replace("\n", "")


def test_json_has_the_keys_that_outside_checks_read(photo: Path, tmp_path: Path) -> None:
    before = sha256_file(photo)
    code, _, _ = run(photo, *FAST, "--json", tmp_path / "look.json")
    assert code == 0
    (one,) = json.loads((tmp_path / "look.json").read_text())
    wanted = "photo width height count count_low count_high flags mm_per_px candidates"
    assert set(wanted.split()) <= set(one)
    keys = "x y width height diameter_px diameter_mm colour red_share confidence stages truss"
    assert set(keys.split()) <= set(one["candidates"][0])
    assert one["mm_per_px"] is None
    assert one["candidates"][0]["diameter_mm"] is None
    assert sha256_file(photo) == before


def test_json_on_stdout_is_nothing_but_json(photo: Path) -> None:
    code, out, _ = run(photo, *FAST, "--json", "-")
    assert code == 0
    assert json.loads(out)[0]["width"] == 800


def test_pictures_are_written_under_the_photos_names(photo: Path, tmp_path: Path) -> None:
    twin = tmp_path / "other" / "plant.png"
    twin.parent.mkdir()
    Pillow.open(photo).save(twin)
    code, _, _ = run(photo, twin, *FAST, "--picture", tmp_path / "seen")
    assert code == 0
    assert sorted(p.name for p in (tmp_path / "seen").iterdir()) == ["plant-2.jpg", "plant.jpg"]


def test_nothing_is_written_over_without_replace(photo: Path, tmp_path: Path) -> None:
    target = tmp_path / "look.json"
    target.write_text("mine")
    done = CliRunner().invoke(app, ["look", str(photo), *FAST, "--json", str(target)])
    assert done.exit_code != 0
    assert target.read_text() == "mine"
    assert run(photo, *FAST, "--json", target, "--replace")[0] == 0


def test_one_bad_photo_does_not_stop_the_others_and_is_listed_at_the_end(
    photo: Path, tmp_path: Path
) -> None:
    bad = tmp_path / "bad.jpg"
    bad.write_bytes(photo.read_bytes()[:5000])
    code, out, err = run(bad, photo, tmp_path, *FAST)
    assert code == 1
    assert "plant.jpg" in out.replace("\n", "")
    assert "cut short" in err
    assert "is a folder" in err


def test_only_bad_photos_write_nothing_and_say_so(tmp_path: Path) -> None:
    bad = tmp_path / "bad.jpg"
    bad.write_bytes(b"")
    code, out, err = run(
        bad, *FAST, "--json", tmp_path / "look.json", "--picture", tmp_path / "seen"
    )
    assert code == 2
    assert out == ""
    assert "empty" in err
    assert sorted(p.name for p in tmp_path.iterdir()) == ["bad.jpg"]


def test_an_unknown_stage_is_named_with_the_ones_there_are(photo: Path) -> None:
    done = CliRunner().invoke(app, ["look", str(photo), "--stages", "colour,nose"])
    assert "nose" in str(done.exception)
    assert "colour,blobs,scorer" in str(done.exception)


def test_looks_as_json_hold_no_nan(photo: Path) -> None:
    looked, refused = look([photo], Settings.with_stages("colour,blobs"))
    assert refused == []
    json.dumps(to_json(looked), allow_nan=False)
