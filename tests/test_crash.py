"""Killed at any moment, or with no space left: the ledger opens with every confirmed count."""

import json
import os
import random
import resource
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import pytest
from trials import add_photo, make_trial, marks

from counting.errors import LedgerError
from counting.ledger import Ledger, verify
from counting.plan.trial import Trial
from counting.records.observations import observations
from counting.records.tallies import take_tallies
from counting.review.corrections import take_document
from counting.review.document import Document, parse

pytestmark = pytest.mark.slow

KILLS = 200


def write_on(trial: Trial, corrections: dict, done: int, start: int) -> None:
    """Propose, confirm and tally without end; tell every batch that was said to be written."""
    number = start
    while True:
        number += 1
        with trial.ledger() as ledger:
            bodies = [{"photo": photo, "version": str(number)} for photo in corrections["others"]]
            facts = [("proposal", body["photo"], body) for body in bodies]
            ledger.append_many(facts, by="test")
        os.write(done, f"proposal {number}\n".encode())
        document = corrections_of(corrections["file"], f"r{number}")
        take_document(trial, document, "corrections", check_files=False)
        os.write(done, f"confirmation r{number}\n".encode())
        sheet = trial.directory / "tally.csv"
        rows = [f"2026-07-01,{code},t{number},{number % 50}" for code in trial.plants["code"]]
        sheet.write_text("survey,plant,by,fruit\n" + "\n".join(rows) + "\n", encoding="utf-8")
        take_tallies(trial, [sheet])
        os.write(done, f"tally t{number}\n".encode())


def corrections_of(file: dict, reviewer: str) -> Document:
    return parse(json.dumps({**file, "reviewer": reviewer}).encode(), "corrections")


def put_on_a_sheet(trial: Trial, plants: list[str]) -> dict:
    """Put drawn-up photos of some plants on a sheet; return corrections for all of them."""
    photos = [add_photo(trial, plant) for plant in plants]
    with trial.ledger() as ledger:
        for photo in photos:
            ledger.append("proposal", photo, {"photo": photo, "candidates": []}, by="test")
        hashes = {entry.key: entry.hash for entry in ledger.standing("proposal")}
        shown = [{"photo": photo, "proposal": hashes[photo]} for photo in photos]
        ledger.append("sheet", "s1", {"sheet": "s1", "photos": shown}, by="test")
    added = [{**mark, "candidate": None, "state": "added"} for mark in marks(3)]
    answer = {
        "at": "2026-07-01T18:00:00+00:00",
        "answer": "counted",
        "count": 3,
        "seconds": 2.0,
        "clicks": 3,
        "marks": added,
    }
    return {
        "format": "counting corrections",
        "version": 1,
        "trial": trial.plan.id,
        "sheet": "s1",
        "saved_at": "2026-07-01T18:30:00+00:00",
        "photos": [{"photo": photo, "proposal": hashes[photo], **answer} for photo in photos],
    }


def run_until_killed(
    trial: Trial, corrections: dict, moment: tuple[int, float], start: int
) -> list[str]:
    """Let a child write, kill it so many facts and seconds later, and return what it told."""
    facts, seconds = moment
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        try:
            write_on(trial, corrections, writing, start)
        finally:
            os._exit(1)
    os.close(writing)
    with os.fdopen(reading, "r", encoding="utf-8") as told:
        lines = [told.readline() for _ in range(facts)]
        time.sleep(seconds)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        return [line.strip() for line in [*lines, *told] if line.endswith("\n")]


def test_killed_at_200_moments_the_ledger_opens_with_every_count(tmp_path):
    trial = make_trial(tmp_path / "trial")
    corrections = {
        "file": put_on_a_sheet(trial, list(trial.plants["code"][:6])),
        "others": [add_photo(trial, plant) for plant in trial.plants["code"][6:]],
    }
    rng = random.Random(20260601)
    told: set[str] = set()
    for kill in range(KILLS):
        moment = (rng.randrange(4), rng.uniform(0.0, 0.05))
        told |= set(run_until_killed(trial, corrections, moment, kill * 1000))
        with trial.ledger() as ledger:
            assert ledger.pragma("quick_check") == [("ok",)], kill
        if kill % 25 == 0:
            assert verify(trial.directory).faults == (), kill
    assert {line.split()[0] for line in told} == {"proposal", "confirmation", "tally"}
    with trial.ledger() as ledger:
        confirmed = Counter(entry.body["reviewer"] for entry in ledger.standing("confirmation"))
        tallied = Counter(entry.body["by"] for entry in ledger.standing("observation"))
        proposed = Counter(
            entry.body["version"] for entry in ledger.entries("proposal") if "version" in entry.body
        )
        table = observations(trial, ledger)
    # what was said to be written is there, and every batch wholly or not at all
    assert {line.split()[1] for line in told if line.startswith("confirmation")} <= set(confirmed)
    assert {line.split()[1] for line in told if line.startswith("tally")} <= set(tallied)
    assert set(confirmed.values()) == {6}
    assert set(tallied.values()) == {8}
    assert {line.split()[1] for line in told if line.startswith("proposal")} <= set(proposed)
    assert set(proposed.values()) == {2}
    assert (table["source"] == "photo").sum() == 6
    with trial.ledger() as ledger:
        ledger.append("event", "afterwards", {}, by="test")
    found = verify(trial.directory)
    assert (found.faults, found.remarks) == ((), ())


def fill(trial: Path) -> None:
    """Write until the disk refuses; say how many batches were accepted."""
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    accepted = 0
    try:
        for number in range(1000):
            with Ledger(trial, create=True) as ledger:
                ledger.append_many(
                    [("event", f"{number}-{part}", {"text": "x" * 2000}) for part in range(5)],
                    by="test",
                )
            accepted += 1
    except LedgerError as error:
        sys.stdout.write(f"{accepted}\n{error}\n")


def check_full(trial: Path, output: str) -> None:
    accepted, message = output.splitlines()
    assert "nothing was written" in message or "cannot be used" in message
    with Ledger(trial) as ledger:
        keys = {entry.key for entry in ledger.entries("event")}
    assert {f"{number}-{part}" for number in range(int(accepted)) for part in range(5)} <= keys
    assert len(keys) % 5 == 0
    assert verify(trial).faults == ()
    with Ledger(trial) as ledger:
        assert ledger.append("event", "afterwards", {}, by="test")
    assert verify(trial).faults == ()


def run_fill(trial: Path, **options) -> str:
    code = f"from pathlib import Path; from test_crash import fill; fill(Path({str(trial)!r}))"
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        timeout=120,
        cwd=Path(__file__).parent,
        **options,
    )
    assert "Traceback" not in done.stderr
    return done.stdout


@pytest.mark.parametrize("limit", [60_000, 150_000, 600_000])
def test_a_file_that_cannot_grow_keeps_what_was_written(tmp_path, limit):
    trial = make_trial(tmp_path / "trial")

    def narrow():
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    check_full(trial.directory, run_fill(trial.directory, preexec_fn=narrow))


def test_a_full_file_system_keeps_what_was_written(tmp_path):
    small = tmp_path / "small"
    small.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=400k", "tmpfs", str(small)], capture_output=True
    )
    if mounted.returncode:
        pytest.skip("a small file system can only be mounted by root")
    try:
        trial = make_trial(small / "trial")
        output = run_fill(trial.directory)
        # room again, as after deleting other files
        subprocess.run(["mount", "-o", "remount,size=4m", str(small)], check=True)
        check_full(trial.directory, output)
    finally:
        subprocess.run(["umount", str(small)], check=True)
