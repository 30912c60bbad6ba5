"""A full disk: reading goes on, and the message says what to free."""

import errno
import shutil
import sqlite3
import subprocess
from pathlib import Path

import pytest
from trials import SURVEY, make_trial

from counting.errors import CountingError, LedgerError
from counting.files import write_bytes
from counting.ledger import Ledger, verify
from counting.ledger.trouble import trouble
from counting.records.diary import write_events
from counting.records.observations import observations
from counting.records.tallies import take_tallies


@pytest.fixture
def small(tmp_path):
    """A file system of half a megabyte."""
    folder = tmp_path / "small"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=512k", "tmpfs", str(folder)]
    if subprocess.run(mount, capture_output=True).returncode:
        pytest.skip("a small file system can only be mounted by root")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def fill(folder: Path) -> Path:
    """Fill a file system up to its last byte."""
    filler = folder / "filler"
    with filler.open("wb", buffering=0) as stream:
        try:
            while True:
                stream.write(bytes(512))
        except OSError as error:
            assert error.errno == errno.ENOSPC  # noqa: PT017
    return filler


def tallied(folder: Path):
    trial = make_trial(folder / "trial")
    sheet = folder / "tally.csv"
    sheet.write_text(f"survey,plant,by,fruit\n{SURVEY},A1-1,ann,3\n", encoding="utf-8")
    take_tallies(trial, [sheet])
    return trial


def test_on_a_full_disk_a_trial_is_read_and_nothing_is_written(small):
    trial = tallied(small)
    filler = fill(small)
    with trial.ledger() as ledger:
        assert observations(trial, ledger)["value"].tolist() == [3.0]
    assert verify(trial.directory).faults == ()
    with pytest.raises(LedgerError) as caught:
        write_events(trial, [{"at": "2026-07-01", "kind": "frost"}])
    assert "the disk is full: nothing was written" in str(caught.value)
    assert "free at least 20 MB" in str(caught.value)
    assert "restore" not in str(caught.value)
    filler.unlink()
    assert write_events(trial, [{"at": "2026-07-01", "kind": "frost"}]).added == 1
    found = verify(trial.directory)
    assert (found.faults, found.remarks) == ((), ())


def test_a_disk_that_fills_while_the_ledger_is_open_loses_nothing(small):
    trial = tallied(small)
    with trial.ledger() as ledger:
        filler = fill(small)
        with pytest.raises(LedgerError, match=r"the disk is full: nothing was written.*free"):
            ledger.append_many((("event", str(n), {"x": "y" * 900}) for n in range(99)), by="test")
        assert len(list(ledger.entries())) == 1
        filler.unlink()
    assert verify(trial.directory).faults == ()


def test_a_page_that_finds_no_room_says_how_much_it_needs(small):
    fill(small)
    with pytest.raises(CountingError, match=r"the disk is full.*free at least 4 MB"):
        write_bytes(small / "report.html", bytes(3_000_000))


def test_a_folder_that_is_read_only_is_not_called_damaged():
    refused = sqlite3.OperationalError("attempt to write a readonly database")
    refused.sqlite_errorname = "SQLITE_READONLY"
    said = str(trouble(Path("trial/ledger.sqlite"), "nothing was written", refused))
    assert "read-only" in said
    assert "restore" not in said


def test_a_copy_on_a_full_disk_still_refuses_what_does_not_fit_its_seal(small):
    trial = tallied(small)
    whole = small / "ledger.sqlite"
    shutil.copy(trial.directory / "ledger.sqlite", whole)
    with Ledger(trial.directory) as ledger:
        ledger.append("event", "one", {}, by="test")
    shutil.copy(whole, trial.directory / "ledger.sqlite")
    with Ledger(trial.directory) as ledger, pytest.raises(LedgerError, match="vouches for"):
        ledger.append("event", "two", {}, by="test")
