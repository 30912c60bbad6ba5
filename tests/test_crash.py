"""Killed at any moment, or with no space left: the ledger opens with every confirmed count."""

import os
import random
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from trials import add_photo, make_trial, marks

from counting.errors import LedgerError
from counting.ledger import Ledger, verify
from counting.plan.trial import Trial
from counting.records.observations import observations
from counting.records.tallies import take_tallies

pytestmark = pytest.mark.slow

KILLS = 200


def write_on(trial: Trial, photos: list[str], done: int, start: int) -> None:
    """Propose, confirm and tally without end; tell every fact that was confirmed to be written."""
    number = start
    while True:
        number += 1
        photo = photos[number % len(photos)]
        with trial.ledger() as ledger:
            body = {"photo": photo, "count": number, "candidates": [{"x": n} for n in range(30)]}
            ledger.append_many([("proposal", photo, body)], by="test")
            answer = {
                "photo": photo,
                "reviewer": f"r{number}",
                "at": "2026-07-01T18:00:00+00:00",
                "answer": "counted",
                "count": 3,
                "marks": marks(3),
            }
            facts = [
                ("confirmation", f"{photo}|r{number}", answer),
                ("event", f"with r{number}", {}),
            ]
            ledger.append_many(facts, by="test")
        os.write(done, f"confirmation {photo}|r{number}\n".encode())
        sheet = trial.directory / "tally.csv"
        rows = [f"2026-07-01,{code},t{number},{number}" for code in trial.plants["code"]]
        sheet.write_text("survey,plant,by,fruit\n" + "\n".join(rows) + "\n", encoding="utf-8")
        take_tallies(trial, [sheet])
        os.write(done, f"tally t{number}\n".encode())


def run_until_killed(trial: Trial, photos: list[str], wait: float, start: int) -> list[str]:
    """Let a child write, kill it after `wait` seconds and return what it told."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        try:
            write_on(trial, photos, writing, start)
        finally:
            os._exit(1)
    os.close(writing)
    time.sleep(wait)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    with os.fdopen(reading, "r", encoding="utf-8") as told:
        return told.read().splitlines()


def test_killed_at_200_moments_the_ledger_opens_with_every_count(tmp_path):
    trial = make_trial(tmp_path / "trial")
    photos = [add_photo(trial, plant) for plant in trial.plants["code"]]
    rng = random.Random(20260601)
    told: set[str] = set()
    for kill in range(KILLS):
        told |= set(run_until_killed(trial, photos, rng.uniform(0.0, 0.15), kill * 1000))
        found = verify(trial.directory)
        assert found.faults == (), kill
    assert len(told) > KILLS // 4
    with trial.ledger() as ledger:
        confirmations = {entry.key for entry in ledger.standing("confirmation")}
        events = {entry.key for entry in ledger.standing("event")}
        tallies: dict[str, int] = {}
        for entry in ledger.standing("observation"):
            tallies[entry.body["by"]] = tallies.get(entry.body["by"], 0) + 1
        table = observations(trial, ledger)
    assert {line.removeprefix("confirmation ") for line in told if "|" in line} <= confirmations
    assert {line.removeprefix("tally ") for line in told if line.startswith("tally")} <= set(
        tallies
    )
    # a transaction is there wholly or not at all
    assert {key.split("|")[1] for key in confirmations} == {e.removeprefix("with ") for e in events}
    assert set(tallies.values()) == {len(trial.plants)}
    assert len(table) > 0
    with trial.ledger() as ledger:
        ledger.append("event", "afterwards", {}, by="test")
    assert verify(trial.directory) == verify(trial.directory)
    assert verify(trial.directory).remarks == ()


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
