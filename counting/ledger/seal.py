"""The seal beside a ledger: what its file was, byte for byte, when a writer last closed it.

The chain of hashes vouches for the facts; the seal for every byte of the file, those in unused
space and in SQLite's own book-keeping among them.
"""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass
from pathlib import Path

from counting.errors import CountingError
from counting.files import canonical_json, read_text, sha256_file, write_text

__all__ = ["FIRST", "SEAL_NAME", "Seal", "in_use", "read_seal", "waiting", "write_seal"]

FIRST = "0" * 64
"""What the first entry names as the one before it."""

SEAL_NAME = "ledger.seal"
_FORMAT = "ledger seal"
_VERSION = 1
_ATTEMPTS = 20
"""Closings by other programs in between, one after the other; each of them seals too."""


@dataclass(frozen=True, slots=True)
class Seal:
    """What was sealed.

    Attributes
    ----------
    entries : int
        Number of entries.
    last : str
        Hash of the last one.
    sha256 : str
        Of the ledger's file.
    """

    entries: int
    last: str
    sha256: str


def write_seal(ledger: Path) -> bool:
    """Seal a closed ledger; return False, and leave it to the other, if another program has it.

    Raises
    ------
    CountingError
        If the disk refuses.
    """
    for _ in range(_ATTEMPTS):
        if in_use(ledger):
            return False
        before = ledger.stat()
        entries, last = _tail(ledger)
        facts = {
            "format": _FORMAT,
            "version": _VERSION,
            "entries": entries,
            "last": last,
            "sha256": sha256_file(ledger),
        }
        write_text(ledger.with_name(SEAL_NAME), canonical_json(facts) + "\n", replace=True)
        after = ledger.stat()
        # another program may have written and closed meanwhile, and sealed before this one did
        if (before.st_mtime_ns, before.st_size) == (after.st_mtime_ns, after.st_size):
            return True
    return False


def _tail(ledger: Path) -> tuple[int, str]:
    """Return number and hash of the last entry, reading the file without touching it."""
    database = sqlite3.connect(f"{ledger.absolute().as_uri()}?immutable=1", uri=True)
    try:
        row = database.execute("SELECT seq, hash FROM entries ORDER BY seq DESC LIMIT 1").fetchone()
    finally:
        database.close()
    return (int(row[0]), str(row[1])) if row else (0, FIRST)


def read_seal(ledger: Path) -> Seal | None:
    """Return the seal beside a ledger, None if there is none that can be read."""
    try:
        facts = json.loads(read_text(ledger.with_name(SEAL_NAME)))
        if facts["format"] != _FORMAT or facts["version"] != _VERSION:
            return None
        return Seal(int(facts["entries"]), str(facts["last"]), str(facts["sha256"]))
    except (CountingError, ValueError, KeyError, TypeError):
        return None


def in_use(ledger: Path) -> bool:
    """Whether a program has the ledger open (SQLite keeps these files beside it while it does)."""
    return any(ledger.with_name(f"{ledger.name}{end}").exists() for end in ("-wal", "-shm"))


def waiting(ledger: Path) -> bool:
    """Whether entries wait in SQLite's journal beside a ledger, so that the file lacks them."""
    try:
        return ledger.with_name(f"{ledger.name}-wal").stat().st_size > 0
    except OSError:
        return False
