"""One SQLite file of chained entries: open, append, read."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self

from counting.errors import LedgerError
from counting.files import canonical_json, now, sha256_bytes

__all__ = ["FIRST", "LEDGER_NAME", "SCHEMA_VERSION", "Entry", "EntryKind", "Ledger", "entry_hash"]

LEDGER_NAME = "ledger.sqlite"
SCHEMA_VERSION = 1
FIRST = "0" * 64
"""What the first entry names as the one before it."""
_WAIT_S = 60.0
"""How long a writer waits for another one; a commit takes milliseconds, so this is never met."""

EntryKind = Literal[
    "trial",  # the plan as it stood: key "trial"
    "photo",  # a photo taken in: key its SHA-256
    "proposal",  # candidates of a photo: key the photo's SHA-256
    "sheet",  # a contact sheet made: key its id
    "confirmation",  # a reviewer's answer for a photo: key "PHOTO|REVIEWER"
    "observation",  # a hand tally or measure: key "SURVEY|PLANT|TRUSS|MEASURE|SOURCE|BY"
    "event",  # a diary line: key its id
    "tuning",  # re-fitted threshold and calibration: key "tuning"
    "exclusion",  # a plant or photo left out, with the reason: key "PLANT|SURVEY" or the photo
]


@dataclass(frozen=True, slots=True)
class Entry:
    """One fact in the ledger.

    Attributes
    ----------
    seq : int
        Its place in the chain, from 1.
    at : str
        When it was written, ISO 8601 in UTC.
    by : str
        The person or program version that wrote it.
    kind, key : str
        What it is about; the newest entry of a kind and key stands.
    body : dict
        The fact, as JSON values.
    previous, hash : str
        SHA-256 of the entry before and of this one.
    """

    seq: int
    at: str
    by: str
    kind: str
    key: str
    body: dict[str, Any]
    previous: str
    hash: str


def entry_hash(previous: str, *, at: str, by: str, kind: str, key: str, body: str) -> str:
    """Return the SHA-256 that chains an entry (its body as canonical JSON text) to the last."""
    return sha256_bytes(canonical_json([previous, at, by, kind, key, body]).encode("utf-8"))


class Ledger:
    """A trial's ledger, open for reading and appending; a context manager.

    Parameters
    ----------
    trial : Path
        The trial's folder.
    create : bool
        Make a new ledger where there is none.

    Raises
    ------
    LedgerError
        If there is no ledger, the file is no ledger, or it is of another version.
    """

    def __init__(self, trial: Path, *, create: bool = False) -> None:
        self.path = trial / LEDGER_NAME
        if not self.path.exists() and not create:
            mend = f"make the trial first: counting start {trial}"
            raise LedgerError(self.path, "not found", "a trial's ledger", mend)
        try:
            self._db = sqlite3.connect(self.path, timeout=_WAIT_S, isolation_level=None)
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA synchronous = FULL")
            self._db.execute("PRAGMA foreign_keys = ON")
            self._prepare()
        except sqlite3.Error as error:
            mend = "restore the file from a copy"
            raise LedgerError(self.path, f"cannot be used ({error})", "a ledger", mend) from error

    def _prepare(self) -> None:
        """Lay out a new file, or make sure that an old one is of the version known here."""
        self._db.execute("BEGIN IMMEDIATE")
        version = self._db.execute("PRAGMA user_version").fetchone()[0]
        tables = self._db.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
        if version == 0 and tables == 0:
            schema = files("counting.ledger").joinpath("schema.sql").read_text(encoding="utf-8")
            for statement in _statements(schema):
                self._db.execute(statement)
            self._db.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
            version = SCHEMA_VERSION
        self._db.execute("COMMIT")
        if version != SCHEMA_VERSION:
            self._db.close()
            expected = f"version {SCHEMA_VERSION}"
            mend = "use the version of the tool that wrote it, or a newer one"
            raise LedgerError(self.path, f"ledger of version {version}", expected, mend)

    def append(self, kind: EntryKind, key: str, body: dict[str, Any], *, by: str) -> bool:
        """Add one fact; return False, and add nothing, if it already stands just so."""
        return self.append_many([(kind, key, body)], by=by) == 1

    def append_many(
        self, facts: Iterable[tuple[EntryKind, str, dict[str, Any]]], *, by: str
    ) -> int:
        """Add facts in one transaction, all or none; return how many were new.

        Parameters
        ----------
        facts : iterable of (kind, key, body)
            What already stands just so is passed over.
        by : str
            Who writes.

        Raises
        ------
        LedgerError
            If the disk refuses; nothing is added then.
        """
        listed = [(kind, key, canonical_json(body)) for kind, key, body in facts]
        try:
            self._db.execute("BEGIN IMMEDIATE")
            try:
                added = sum(self._append_one(*fact, by=by) for fact in listed)
                self._db.execute("COMMIT")
            except BaseException:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise
        except sqlite3.Error as error:
            mend = "free some space or wait for the other program, then run it again"
            raise LedgerError(self.path, f"nothing was written ({error})", mend=mend) from error
        return added

    def _append_one(self, kind: str, key: str, body: str, *, by: str) -> bool:
        standing = self._db.execute(
            "SELECT body FROM entries WHERE kind = ? AND key = ? ORDER BY seq DESC LIMIT 1",
            (kind, key),
        ).fetchone()
        if standing and standing[0] == body:
            return False
        last = self._db.execute("SELECT hash FROM entries ORDER BY seq DESC LIMIT 1").fetchone()
        previous = last[0] if last else FIRST
        at = now()
        digest = entry_hash(previous, at=at, by=by, kind=kind, key=key, body=body)
        self._db.execute(
            "INSERT INTO entries (at, by, kind, key, body, previous, hash)"
            " VALUES (?, ?, ?, ?, ?, ?, ?)",
            (at, by, kind, key, body, previous, digest),
        )
        return True

    def entries(self, kind: EntryKind | None = None) -> Iterator[Entry]:
        """Yield every entry (of a kind) in the order written, superseded ones too."""
        where, values = ("WHERE kind = ?", (kind,)) if kind else ("", ())
        yield from map(
            _entry, self._db.execute(f"SELECT * FROM entries {where} ORDER BY seq", values)
        )

    def standing(self, kind: EntryKind) -> Iterator[Entry]:
        """Yield the entries of a kind that are in force, in the order written."""
        query = "SELECT * FROM standing WHERE kind = ? ORDER BY seq"
        yield from map(_entry, self._db.execute(query, (kind,)))

    def get(self, kind: EntryKind, key: str) -> Entry | None:
        """Return the entry in force for a kind and key, or None if there is none."""
        query = "SELECT * FROM entries WHERE kind = ? AND key = ? ORDER BY seq DESC LIMIT 1"
        row = self._db.execute(query, (kind, key)).fetchone()
        return _entry(row) if row else None

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def _statements(schema: str) -> Iterator[str]:
    """Yield a script's statements one by one, so that they run inside one transaction."""
    statement = ""
    for line in schema.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""


def _entry(row: tuple[Any, ...]) -> Entry:
    seq, at, by, kind, key, body, previous, digest = row
    return Entry(seq, at, by, kind, key, json.loads(body), previous, digest)
