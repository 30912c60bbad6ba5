"""One SQLite file of chained entries: open, append, read."""

from __future__ import annotations

import contextlib
import json
import sqlite3
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, ClassVar, Literal, Protocol, Self, TypeVar

from counting.errors import CountingError, LedgerError
from counting.files import canonical_json, now, sha256_bytes
from counting.ledger.migrate import lay_out
from counting.ledger.seal import FIRST, SEAL_NAME, Seal, read_seal, waiting, write_seal
from counting.ledger.trouble import cannot_write, trouble

__all__ = ["LEDGER_NAME", "Entry", "EntryKind", "Ledger", "Told", "entry_hash"]

LEDGER_NAME = "ledger.sqlite"
SYNCHRONOUS = "FULL"
"""What was written is on the disk, a power cut or not, before anybody is told that it is."""
_WAIT_S = 60.0
"""How long a writer waits for another one; a commit takes milliseconds, so this is never met."""
_PAUSE_S = 0.01
_PAGE = 200
"""Entries read at a time; no reader holds the file open between, so none hinders a writer."""
_UNUSABLE = (sqlite3.Error, OSError, UnicodeError, OverflowError)
"""What a damaged file can raise: SQLite's own messages may quote its broken text."""
_T = TypeVar("_T")

EntryKind = Literal[
    "trial",  # the plan as it stood: key "trial"
    "photo",  # a photo taken in: key its SHA-256
    "proposal",  # candidates of a photo: key the photo's SHA-256
    "glance",  # candidates of a reviewed photo at another size: key "PHOTO|SIZE"
    "sheet",  # a contact sheet made: key its id
    "confirmation",  # a reviewer's answer for a photo: key "PHOTO|REVIEWER"
    "observation",  # a hand tally or measure: key "SURVEY|PLANT|TRUSS|MEASURE|SOURCE|BY"
    "event",  # a diary line: key its id
    "tuning",  # a lesson from the reviews of a survey: key its date; of the whole trial: "tuning"
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


class Told(Protocol):
    """A fact as `counting.ledger.facts` has it: of which kind, under which key, in which body."""

    kind: ClassVar[EntryKind]

    @property
    def key(self) -> str: ...  # noqa: D102

    def to_body(self) -> dict[str, Any]: ...  # noqa: D102


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
        Where there is no ledger, read an empty one; its file is made with the first entry.

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
        self._to_seal = False
        self._only_read: Exception | None = None
        self._held = False
        self._open()

    def _open(self, *, make: bool = False) -> None:
        """Open the file; where there is none, an empty ledger in memory unless it is to be made."""
        self._absent = not make and not self.path.exists()
        self._to_seal = make
        try:
            where = ":memory:" if self._absent else self.path
            self._db = sqlite3.connect(where, timeout=_WAIT_S, isolation_level=None)
            try:
                _patiently(self._prepare)
            except BaseException:
                self._db.close()
                raise
        except _UNUSABLE as error:
            raise trouble(self.path, "cannot be used", error, "a ledger") from error

    def _prepare(self) -> None:
        """Set the file up; in a read-only folder, or on a full disk, it is read as it stands."""
        try:
            self._db.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as error:
            if not cannot_write(error) or not self.path.exists() or waiting(self.path):
                raise
            self._db.close()
            address = f"{self.path.absolute().as_uri()}?immutable=1"
            self._db = sqlite3.connect(address, uri=True, isolation_level=None)
            self._to_seal = False
            self._only_read = error
        self._db.execute(f"PRAGMA synchronous = {SYNCHRONOUS}")
        self._db.execute("PRAGMA foreign_keys = ON")
        if lay_out(self._db, self.path) and not self._absent:
            self._to_seal = self._holds(read_seal(self.path))

    def _hold_end(self) -> None:
        """Make sure, once and before anything is written, that what was sealed is still there.

        Else the next seal would vouch for a ledger from which entries were taken.

        Raises
        ------
        LedgerError
            If the entry that was sealed last is not in its place.
        """
        if self._held:
            return
        seal = read_seal(self.path)
        if seal and not self._holds(seal):
            found = f"does not hold the {seal.entries} entries that {SEAL_NAME} vouches for"
            mend = (
                f"nothing was written; run counting audit {self.path.parent}, then restore the "
                "whole folder from a back-up (a ledger and its seal belong together)"
            )
            raise LedgerError(self.path, found, mend=mend)
        # what a killed program wrote and did not come to seal is sealed by the next that writes
        self._to_seal = self._to_seal or seal is None or seal.entries != self.head()[0]
        self._held = True

    def _holds(self, seal: Seal | None) -> bool:
        """Whether the entry that was sealed last is in its place."""
        if seal is None or not seal.entries:
            return True
        query = "SELECT hash FROM entries WHERE seq = ?"
        row = self._db.execute(query, (seal.entries,)).fetchone()
        return bool(row and row[0] == seal.last)

    def head(self) -> tuple[int, str]:
        """Return how many entries there are and the hash of the last one.

        Raises
        ------
        LedgerError
            If the file is damaged where it is read.
        """
        rows = self._rows("SELECT seq, hash FROM entries ORDER BY seq DESC LIMIT 1", ())
        return (int(rows[0][0]), str(rows[0][1])) if rows else (0, FIRST)

    def places(self, start: str) -> list[tuple[int, str, str]]:
        """Return place, hash and time of the entries whose hash begins with `start`.

        Raises
        ------
        LedgerError
            If the file is damaged where it is read.
        """
        query = "SELECT seq, hash, at FROM entries WHERE substr(hash, 1, ?) = ? ORDER BY seq"
        rows = self._rows(query, (len(start), start))
        return [(int(row[0]), str(row[1]), str(row[2])) for row in rows]

    def add(self, facts: Iterable[Told], *, by: str) -> int:
        """Add facts in one transaction, all or none; return how many were new.

        Raises
        ------
        LedgerError
            If the disk refuses; nothing is added then.
        """
        return self.append_many(((fact.kind, fact.key, fact.to_body()) for fact in facts), by=by)

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
        if self._absent and listed:
            self._db.close()
            self._open(make=True)
        try:
            added = _patiently(lambda: self._transact(listed, by))
        except _UNUSABLE as error:
            raise trouble(self.path, "nothing was written", self._only_read or error) from error
        self._to_seal = self._to_seal or added > 0
        return added

    def _transact(self, facts: Sequence[tuple[str, str, str]], by: str) -> int:
        self._db.execute("BEGIN IMMEDIATE")
        try:
            self._hold_end()
            added = sum(self._append_one(*fact, by=by) for fact in facts)
            self._db.execute("COMMIT")
        except BaseException:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            raise
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
        """Yield every entry (of a kind) in the order written, superseded ones too.

        Entries written while reading are yielded too.

        Raises
        ------
        LedgerError
            If the file is damaged where it is read.
        """
        where, values = ("AND kind = ?", (kind,)) if kind else ("", ())
        query = f"SELECT * FROM entries WHERE seq > ? {where} ORDER BY seq LIMIT {_PAGE}"
        last = 0
        while rows := self._rows(query, (last, *values)):
            last = rows[-1][0]
            yield from map(self._entry, rows)

    def standing(self, kind: EntryKind) -> Iterator[Entry]:
        """Yield the entries of a kind that are in force, in the order written.

        Raises
        ------
        LedgerError
            If the file is damaged where it is read.
        """
        query = "SELECT max(seq) FROM entries WHERE kind = ? GROUP BY key"
        chosen = sorted(row[0] for row in self._rows(query, (kind,)))
        for start in range(0, len(chosen), _PAGE):
            page = chosen[start : start + _PAGE]
            marks = ", ".join("?" * len(page))
            query = f"SELECT * FROM entries WHERE seq IN ({marks}) ORDER BY seq"
            yield from map(self._entry, self._rows(query, page))

    def get(self, kind: EntryKind, key: str) -> Entry | None:
        """Return the entry in force for a kind and key, or None if there is none."""
        query = "SELECT * FROM entries WHERE kind = ? AND key = ? ORDER BY seq DESC LIMIT 1"
        rows = self._rows(query, (kind, key))
        return self._entry(rows[0]) if rows else None

    def numbers(self) -> list[int]:
        """Return the places of all entries in the chain, in order, for the audit."""
        return [int(row[0]) for row in self._rows("SELECT seq FROM entries ORDER BY seq", ())]

    def raw(self, number: int) -> tuple[Any, ...]:
        """Return one row as it stands in the file, for the audit: seq, at, by, kind, key ..."""
        rows = self._rows("SELECT * FROM entries WHERE seq = ?", (number,))
        if not rows:
            raise LedgerError(self.path, f"entry {number} is listed but not there")
        return rows[0]

    def pragma(self, name: str) -> list[tuple[Any, ...]]:
        """Return what SQLite says about the file itself, for the audit."""
        return self._rows(f"PRAGMA {name}", ())

    def layout(self) -> list[str]:
        """Return the SQL of the tables, indexes, views and triggers in the file, for the audit."""
        query = "SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL ORDER BY name"
        return [str(row[0]) for row in self._rows(query, ())]

    def _rows(self, query: str, values: Sequence[Any]) -> list[tuple[Any, ...]]:
        if self._absent and self.path.exists():  # another program began it meanwhile
            self._db.close()
            self._open()
        try:
            return _patiently(lambda: self._db.execute(query, values).fetchall())
        except _UNUSABLE as error:
            raise self._damaged(error) from error

    def _entry(self, row: tuple[Any, ...]) -> Entry:
        seq, at, by, kind, key, body, previous, digest = row
        try:
            return Entry(seq, at, by, kind, key, json.loads(body), previous, digest)
        except (ValueError, RecursionError) as error:
            raise self._damaged(error) from error

    def _damaged(self, error: Exception) -> LedgerError:
        mend = "run counting audit, and restore the trial's folder from a copy"
        return LedgerError(self.path, f"damaged ({str(error)[:100]})", mend=mend)

    def close(self) -> None:
        """Close the file, and seal it if this program wrote to it and no other has it open.

        Who only read never seals: a seal vouches for what its writer knows to have written.
        """
        self._db.close()
        if self._to_seal:
            self._to_seal = False
            # every fact is on the disk by now; a seal that cannot be written is the audit's to tell
            with contextlib.suppress(CountingError, *_UNUSABLE):
                write_seal(self.path)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def _patiently(action: Callable[[], _T]) -> _T:
    """Run an action again while another program is in the way, as SQLite itself does elsewhere."""
    deadline = time.monotonic() + _WAIT_S
    while True:
        try:
            return action()
        except sqlite3.OperationalError as error:
            code = getattr(error, "sqlite_errorcode", 0) & 0xFF
            busy = code in {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}
            if not busy or time.monotonic() > deadline:
                raise
            time.sleep(_PAUSE_S)
