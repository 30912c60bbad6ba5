"""What can go wrong, in the words of the person who has to mend it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

__all__ = [
    "AnalysisError",
    "CorrectionsError",
    "CountingError",
    "LabelsError",
    "LedgerError",
    "PhotoError",
    "PlanError",
    "Refusal",
    "TallyError",
]


class CountingError(Exception):
    """Input that cannot be used; its text is one line for the person at the screen.

    Parameters
    ----------
    where : str or Path
        The file, photo or option the trouble is in (with the line, where there is one).
    found : str
        What was found there.
    expected : str, optional
        What should have been there.
    mend : str, optional
        What to do about it.
    """

    def __init__(self, where: str | Path, found: str, expected: str = "", mend: str = "") -> None:
        self.where = str(where)
        self.found = found
        self.expected = expected
        self.mend = mend
        parts = [f"{self.where}: {found}"]
        if expected:
            parts.append(f"expected {expected}")
        if mend:
            parts.append(mend)
        super().__init__("; ".join(parts))

    def __reduce__(self) -> tuple[type[CountingError], tuple[str, str, str, str]]:
        # errors travel between worker processes
        return type(self), (self.where, self.found, self.expected, self.mend)


class PlanError(CountingError):
    """A trial's plan that contradicts itself or cannot be read."""


class PhotoError(CountingError):
    """A photo that cannot be read, placed or used."""


class LabelsError(CountingError):
    """Published labels in a form that cannot be read."""


class CorrectionsError(CountingError):
    """A reviewer's file that does not fit the trial or its photos."""


class TallyError(CountingError):
    """Hand counts, measures or diary rows that cannot be taken in."""


class LedgerError(CountingError):
    """A ledger that is missing, of another version, or changed."""


class AnalysisError(CountingError):
    """A table that cannot be compared."""


@dataclass(frozen=True, slots=True)
class Refusal:
    """One item of a batch that was left out, while the others went on.

    Attributes
    ----------
    item : str
        The file, photo or row.
    reason : str
        One sentence: what was found and the mend.
    """

    item: str
    reason: str
