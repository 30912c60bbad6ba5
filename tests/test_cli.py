"""The command line: exit codes, clean stdout, one line for an error."""

import json
import subprocess
import sys

import pytest
import typer
from commanded import counting
from trials import add_photo, confirm, draw_photo, make_trial

from counting.cli import app
from counting.cli.base import Exit

COMMANDS = typer.main.get_command(app).commands
ON_A_TRIAL = sorted(
    set(COMMANDS)
    - {
        "look",
        "start",
        "plants-needed",
        "compare",
        "accuracy",
        "demo",
        "audit",
        "open",
        "restore",
        "pool",
    }
)
MORE = {
    "amend": ["--reason", "the days were set by mistake"],
    "back-up": ["kept.zip"],
    "assign": ["--reviewers", "2"],
    "confirm": ["corrections.json"],
    "move": ["photo.jpg", "--to", "A1-1"],
    "rename": ["A1-1", "A1-9"],
    "take-in": ["photo.jpg"],
    "tally": ["tally.csv"],
}


@pytest.mark.parametrize("name", [*ON_A_TRIAL, "compare", "audit"])
def test_a_folder_that_is_no_trial_is_refused_in_one_line_with_the_mend(name, tmp_path):
    done = counting(name, tmp_path, *MORE.get(name, []))
    assert done.code == Exit.NOTHING_DONE
    assert done.out == ""
    assert len(done.err.strip().splitlines()) == 1
    assert "counting start" in done.err
    assert list(tmp_path.iterdir()) == []


def test_results_on_stdout_are_json_and_nothing_else(tmp_path):
    photo = draw_photo(tmp_path / "a.jpg")
    # in a process of its own, since a library may write past Python
    words = ["look", str(photo), "--stages", "colour,blobs", "--json", "-"]
    command = [sys.executable, "-m", "counting", *words]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == Exit.DONE
    assert json.loads(done.stdout)[0]["photo"].endswith("a.jpg")


def test_one_bad_photo_among_good_ones_is_listed_and_the_rest_goes_on(tmp_path):
    draw_photo(tmp_path / "a.jpg")
    (tmp_path / "b.jpg").write_text("no photo")
    done = counting("look", tmp_path / "a.jpg", tmp_path / "b.jpg", "--stages", "colour,blobs")
    assert done.code == Exit.SOME_REFUSED
    assert "b.jpg" in done.err
    assert "Traceback" not in done.err


def test_only_bad_photos_is_nothing_done(tmp_path):
    (tmp_path / "b.jpg").write_text("no photo")
    done = counting("look", tmp_path / "b.jpg", "--json", tmp_path / "out.json")
    assert done.code == Exit.NOTHING_DONE
    assert not (tmp_path / "out.json").exists()


def test_a_comparison_of_a_trial_can_be_piped(tmp_path):
    trial = make_trial(tmp_path / "trial")
    for number, code in enumerate(trial.plants["code"]):
        confirm(trial, add_photo(trial, code), 5 + number)
    done = counting("compare", trial.directory, "--json", "-")
    assert done.code == Exit.DONE
    assert json.loads(done.out)["measure"] == "fruit"


def test_a_file_is_not_written_over_without_leave(tmp_path):
    photo = draw_photo(tmp_path / "a.jpg")
    out = tmp_path / "out.json"
    out.write_text("mine")
    done = counting("look", photo, "--stages", "colour,blobs", "--json", out)
    assert done.code == Exit.NOTHING_DONE
    assert "--replace" in done.err
    assert out.read_text() == "mine"


def test_the_version_is_printed():
    done = counting("--version")
    assert done.code == Exit.DONE
    assert done.out.strip()


@pytest.mark.parametrize(
    "words",
    [
        *(["compare"], ["report"], ["agree"], ["calibrate"], ["diary"], ["audit"], ["harvest"]),
        *(["sheet"], ["propose"], ["learn"], ["assign", "--reviewers", "2"]),
        ["move", "photo.jpg", "--to", "A1-1"],
    ],
    ids=lambda words: words[0],
)
def test_a_command_that_writes_nothing_makes_no_ledger(words, tmp_path):
    trial = make_trial(tmp_path / "trial")
    before = sorted(trial.directory.iterdir())
    counting(words[0], trial.directory, *words[1:])
    assert sorted(trial.directory.iterdir()) == before
