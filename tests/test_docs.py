"""The documentation keeps up with the code."""

import inspect
import re
from pathlib import Path

import pytest
import typer

from counting.cli import app
from counting.flags import Flag

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
COMMANDS = typer.main.get_command(app).commands


def test_every_command_stands_in_the_readme_and_no_other_does():
    told = set(re.findall(r"^\| `counting ([a-z-]+)", README, re.MULTILINE))
    assert told == set(COMMANDS)


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_has_help_with_an_example(name):
    assert f"counting {name}" in inspect.cleandoc(COMMANDS[name].help or "")


def test_every_option_of_a_command_in_the_readme_exists():
    for line in re.findall(r"^    (?:counting .*|    +--.*)$", README, re.MULTILINE):
        command = re.match(r"    counting ([a-z-]+)", line)
        if command:
            known = {option for p in COMMANDS[command[1]].params for option in p.opts}
        assert set(re.findall(r"(?<= )--[a-z-]+", line.split("#")[0])) <= known


def test_every_flag_has_a_sentence():
    for flag in Flag:
        assert flag.sentence.endswith(".")


def test_the_first_paragraph_of_the_readme_states_the_job():
    assert README.split("\n\n")[1].startswith("People who run small side-by-side trials")


def test_the_rooms_named_for_contributors_are_there():
    for room in re.findall(r"^\| `([a-z]+)` \|", DEVELOPERS, re.MULTILINE):
        if room not in {"trial", "photo", "proposal", "sheet", "confirmation", "observation"} | {
            "event",
            "glance",
            "tuning",
            "exclusion",
        }:
            assert (ROOT / "counting" / room).is_dir()


def test_each_question_of_a_newcomer_is_answered_with_one_file_that_is_there():
    part = DEVELOPERS.split("## Where is ...?")[1].split("\n## ")[0]
    rows = re.findall(r"^\| (?!question|---)(.+?) \| (.+?) \|$", part, re.MULTILINE)
    assert len(rows) >= 20
    for question, answer in rows:
        files = re.findall(r"`(counting/[^`]+)`", answer)
        assert len(files) == 1, question
        assert (ROOT / files[0]).is_file(), question
