"""Whether a ledger is whole: its file, its chain of hashes, its seal."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from counting.errors import LedgerError
from counting.files import canonical_json, sha256_file
from counting.ledger.migrate import schema, statements
from counting.ledger.seal import FIRST, SEAL_NAME, Seal, in_use, read_seal
from counting.ledger.store import LEDGER_NAME, Ledger, entry_hash

__all__ = ["Verified", "verify"]


@dataclass(frozen=True, slots=True)
class Verified:
    """What an examination of the ledger's file found.

    Attributes
    ----------
    entries : int
        Entries found.
    faults : tuple of str
        What is not as it was written; empty when all is well.
    remarks : tuple of str
        What could not be examined, and why.
    """

    entries: int
    faults: tuple[str, ...]
    remarks: tuple[str, ...]


def verify(trial: Path) -> Verified:
    """Examine a trial's ledger byte for byte and entry for entry; no entry is written.

    The seal finds a changed byte anywhere in the file. Where there is no seal, or entries were
    written after it (a program was killed in between), the chain and SQLite's own check find every
    change of a fact, but not of unused bytes; a remark says so.

    Parameters
    ----------
    trial : Path
        The trial's folder.

    Returns
    -------
    Verified
    """
    path = trial / LEDGER_NAME
    if not path.is_file():
        return Verified(0, (f"{path} is not there",), ())
    waiting = in_use(path)
    seal = read_seal(path)
    digest = sha256_file(path)
    entries, last = 0, FIRST
    faults: list[str] = []
    try:
        with Ledger(trial) as ledger:
            faults += _file(ledger)
            entries, last, broken = _chain(ledger)
            faults += broken
    except LedgerError as error:
        faults.append(f"{LEDGER_NAME} {error.found}")
    if waiting:
        text = "another program has the ledger open or was killed, so its seal could not be held"
        return Verified(entries, tuple(faults), (f"{text} against it",))
    if seal is None:
        sealed = (trial / SEAL_NAME).exists()
        text = f"{SEAL_NAME} cannot be read" if sealed else f"there is no {SEAL_NAME}"
        remark = f"{text}: facts were examined, bytes that carry none were not"
        return Verified(entries, (*faults, *([text] if sealed else [])), (remark,))
    fault, remark = _against_seal(seal, digest, entries, last)
    faults += [fault] if fault else []
    return Verified(entries, tuple(faults), (remark,) if remark else ())


def _against_seal(seal: Seal, digest: str, entries: int, last: str) -> tuple[str, str]:
    """Return a fault and a remark, either empty."""
    if digest == seal.sha256:
        return "", ""
    if entries > seal.entries:
        return "", (
            f"{entries - seal.entries} entries were written after the seal (a program was killed "
            "before it closed the ledger): facts were examined, bytes that carry none were not"
        )
    if entries < seal.entries:
        return f"{LEDGER_NAME} has {entries} entries, but {seal.entries} were sealed", ""
    if last != seal.last:
        return f"the last entry of {LEDGER_NAME} is not the one that was sealed", ""
    return f"the bytes of {LEDGER_NAME} are not those that were sealed", ""


def _file(ledger: Ledger) -> list[str]:
    """Return what SQLite finds wrong with the file's structure."""
    said = [str(row[0]) for row in ledger.pragma("integrity_check")]
    faults = [] if said == ["ok"] else [f"the file's structure: {text}" for text in said[:5]]
    expected = {" ".join(statement.split()) for statement in _wanted()}
    found = {" ".join(text.split()) for text in ledger.layout()}
    if expected != found:
        faults.append("the file's layout is not the one that this version writes")
    return faults


def _wanted() -> Iterator[str]:
    for statement in statements(schema()):
        lines = [line for line in statement.splitlines() if not line.strip().startswith("--")]
        yield "\n".join(lines).strip().rstrip(";")


def _chain(ledger: Ledger) -> tuple[int, str, list[str]]:
    """Follow the chain; return the number of entries, the last one's hash and the faults."""
    previous = FIRST
    numbers = ledger.numbers()
    faults = []
    for number, seq in enumerate(numbers, start=1):
        try:
            row = ledger.raw(seq)
        except LedgerError:
            faults.append(f"entry {seq} cannot be read")
            continue
        fault = _entry_fault(number, previous, row)
        previous = str(row[7])
        if fault:
            faults.append(fault)
    return len(numbers), previous, faults


def _entry_fault(number: int, previous: str, row: tuple[Any, ...]) -> str:
    seq, at, by, kind, key, body, before, digest = row
    name = f"entry {seq} ({kind} of {at})"
    if seq != number:
        return f"entry {number} is missing"
    if before != previous:
        return f"{name} does not follow the entry before it"
    if entry_hash(before, at=at, by=by, kind=kind, key=key, body=body) != digest:
        return f"{name} is not as it was written"
    try:
        spelled = canonical_json(json.loads(body))
    except (ValueError, RecursionError):
        return f"{name} cannot be read"
    return "" if spelled == body else f"{name} is not spelled as it was written"
