"""Several programs on one trial at once: every fact there, in order, no lock error."""

import multiprocessing
import sqlite3
from pathlib import Path

import pytest
from killing import MODULES
from trials import make_trial

from counting.ledger import Ledger, verify

# each process comes from a server that has the modules loaded
FORK = multiprocessing.get_context("forkserver")
FORK.set_forkserver_preload([*MODULES, "pytest"])
pytestmark = pytest.mark.slow


def write(trial: Path, name: str, facts: int, failed) -> None:
    try:
        for number in range(facts):
            with Ledger(trial, create=True) as ledger:
                ledger.append("event", f"{name}-{number}", {"number": number}, by=name)
    except Exception as error:
        failed.put(f"{name}: {error}")


def read(trial: Path, rounds: int, failed) -> None:
    try:
        seen = 0
        for _ in range(rounds):
            with Ledger(trial, create=True) as ledger:
                entries = list(ledger.entries())
            if len(entries) < seen:
                failed.put("an entry vanished")
            seen = len(entries)
    except Exception as error:
        failed.put(f"reader: {error}")


def run(*jobs) -> list[str]:
    """Run jobs (function, arguments) at once and return what they complained of."""
    failed = FORK.Queue()
    workers = [FORK.Process(target=work, args=(*arguments, failed)) for work, arguments in jobs]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(120)
    complaints = []
    while not failed.empty():
        complaints.append(failed.get())
    complaints += ["a program stopped" for worker in workers if worker.exitcode != 0]
    return complaints


@pytest.mark.parametrize("writers", [2, 8])
def test_writers_at_once_lose_nothing_and_meet_no_lock(tmp_path, writers):
    trial = make_trial(tmp_path / "trial")
    names = [f"writer {number}" for number in range(writers)]
    jobs = [(write, (trial.directory, name, 40)) for name in names]
    assert run(*jobs, (read, (trial.directory, 40))) == []
    with trial.ledger() as ledger:
        entries = list(ledger.entries())
    assert len(entries) == writers * 40
    for name in names:
        assert [entry.body["number"] for entry in entries if entry.by == name] == list(range(40))
    assert verify(trial.directory).faults == ()


def test_the_last_program_to_close_leaves_a_fitting_seal(tmp_path):
    trial = make_trial(tmp_path / "trial")
    jobs = [(write, (trial.directory, f"writer {number}", 25)) for number in range(4)]
    assert run(*jobs) == []
    found = verify(trial.directory)
    assert (found.entries, found.faults, found.remarks) == (100, (), ())


def test_a_writer_waits_for_one_that_holds_the_ledger(tmp_path):
    trial = make_trial(tmp_path / "trial")
    with trial.ledger() as ledger:
        ledger.append("event", "first", {}, by="test")
    holder = sqlite3.connect(trial.directory / "ledger.sqlite", isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    failed = FORK.Queue()
    worker = FORK.Process(target=write, args=(trial.directory, "waiting", 1, failed))
    worker.start()
    worker.join(4)
    assert worker.is_alive()
    holder.execute("COMMIT")
    holder.close()
    worker.join(60)
    assert worker.exitcode == 0
    assert failed.empty()
