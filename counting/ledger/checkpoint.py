"""A checkpoint: how far a chain had come, to be kept where the ledger's keeper cannot change it.

Whoever can write to a trial's folder can make a whole new chain there, with a new seal. A chain
alone therefore proves only that nobody changed it carelessly; together with a checkpoint that lies
elsewhere (a printed report, a sheet in a volunteer's mail, a back-up) it proves that everything up
to that entry is as it was then.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Self

from counting.files import now
from counting.ledger.seal import FIRST
from counting.ledger.store import Ledger

__all__ = ["FORMAT", "Checkpoint", "find", "held"]

FORMAT = "counting checkpoint"
_VERSION = 1
_HASH = re.compile(r"[0-9a-f]{64}")
_LEAST_DIGITS = 12
"""Fewer digits of a hash could stand for another entry by chance: 1 in 2.8e14 per entry with 12."""


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """How far a chain had come.

    Attributes
    ----------
    trial : str
        The trial's id; empty where it was not told.
    entries : int
        Entries at that time.
    last : str
        Hash of the last one.
    at : str
        When it was made, ISO 8601, by the clock of the machine that made it; may be empty.
    """

    trial: str
    entries: int
    last: str
    at: str = ""

    @classmethod
    def of(cls, ledger: Ledger, trial: str) -> Self:
        """Return the checkpoint of a ledger as it stands now."""
        entries, last = ledger.head()
        return cls(trial, entries, last, now())

    @classmethod
    def of_json(cls, value: Any) -> Self:
        """Return the checkpoint in JSON values.

        Raises
        ------
        ValueError
            If it is none.
        """
        known = isinstance(value, Mapping) and value.get("format") == FORMAT
        if not known or value.get("version") != _VERSION:
            message = "no checkpoint that this version reads"
            raise ValueError(message)
        trial, entries, last, at = (value.get(name) for name in ("trial", "entries", "last", "at"))
        texts = all(isinstance(text, str) for text in (trial, last, at))
        if not texts or type(entries) is not int or entries < 0 or not _HASH.fullmatch(str(last)):
            message = "a checkpoint whose entries are damaged"
            raise ValueError(message)
        return cls(str(trial), entries, str(last), str(at))

    def to_json(self) -> dict[str, Any]:
        """Return it as JSON values."""
        facts = {"trial": self.trial, "entries": self.entries, "last": self.last, "at": self.at}
        return {"format": FORMAT, "version": _VERSION, **facts}


def held(ledger: Ledger, point: Checkpoint, trial: str) -> str:
    """Hold a ledger against a checkpoint; return what is wrong, empty if it fits.

    Parameters
    ----------
    ledger : Ledger
        Open; that its chain follows from entry to entry is for `counting.ledger.verify` to find.
    point : Checkpoint
    trial : str
        The trial's id.
    """
    if point.trial and point.trial != trial:
        return f"is of trial {point.trial!r}, this is {trial!r}"
    if point.entries == 0 or point.last == FIRST:
        return ""
    found = ledger.places(point.last)
    if any(place == point.entries for place, _, _ in found):
        return ""
    entries, _ = ledger.head()
    if entries < point.entries:
        return (
            f"was made of {point.entries} entries, but the ledger has {entries}: entries were "
            "taken out, or an older ledger was put in its place"
        )
    return (
        f"names entry {point.entries} as {point.last[:16]}..., which is not in the ledger: entries "
        "up to there were changed, or the chain was made anew"
    )


def find(ledger: Ledger, told: str) -> tuple[str, str]:
    """Look a printed hash up in the chain; return a sentence and a fault, one of them empty.

    Parameters
    ----------
    ledger : Ledger
        Open.
    told : str
        The hash, or its first digits; spaces and capitals do not matter.
    """
    digits = "".join(told.split()).lower()
    if not re.fullmatch(rf"[0-9a-f]{{{_LEAST_DIGITS},64}}", digits):
        return "", f"is no hash; expected 64 digits of 0-9 and a-f, or the first {_LEAST_DIGITS}"
    entries, _ = ledger.head()
    for place, _, at in ledger.places(digits):
        return f"{digits[:16]}... is entry {place} of {entries}, written at {at}", ""
    return "", (
        f"is the hash of none of the {entries} entries: entries were changed or taken out, or it "
        "belongs to another trial"
    )
