"""What a person said about their own spreadsheets, remembered for the next file."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from counting.errors import TallyError
from counting.files import write_text
from counting.records.sheets.vocabulary import Vocabulary, plain

__all__ = ["NOTHING_TOLD", "TOLD_NAME", "Told", "recall", "remember", "told_columns"]

TOLD_NAME = "tally-reading.json"
"""In the trial's folder; taking it away forgets."""


@dataclass(frozen=True, slots=True)
class Told:
    """How spreadsheets are to be read.

    Attributes
    ----------
    columns : mapping of str to str
        Heading, as `plain` makes it, to its meaning.
    day_first : bool or None
        Whether 01/07/2026 is the first of July; None if nobody said.
    page : str
        Which page of a workbook; empty for the one that looks like a tally. Not remembered.
    as_written : bool
        Take values that are hard to believe as they stand. Not remembered.
    """

    columns: Mapping[str, str] = field(default_factory=dict)
    day_first: bool | None = None
    page: str = ""
    as_written: bool = False

    def over(self, older: Told) -> Told:
        """Return this with what was said earlier where this says nothing."""
        return replace(
            self,
            columns={**older.columns, **self.columns},
            day_first=older.day_first if self.day_first is None else self.day_first,
        )


NOTHING_TOLD = Told()


def told_columns(texts: list[str], words: Vocabulary) -> dict[str, str]:
    """Read ``HEADING=MEANING`` as typed on a command line.

    Raises
    ------
    TallyError
        If there is no ``=`` or the meaning is none.
    """
    found = {}
    option = "--column"
    for text in texts:
        heading, sign, meaning = text.rpartition("=")
        known = words.means(meaning)
        if not sign or not heading.strip():
            raise TallyError(option, f"{text!r}", 'a heading and what it is: "My count=fruit"')
        if not known:
            expected = f"one of {', '.join(words.choices)}"
            raise TallyError(option, f"{meaning!r} is nothing that is recorded", expected)
        found[plain(heading)] = known
    return found


def recall(directory: Path) -> Told:
    """Return what was said earlier about this trial's spreadsheets; nothing if it is unreadable."""
    try:
        found: Any = json.loads((directory / TOLD_NAME).read_text(encoding="utf-8"))
        columns = {str(key): str(value) for key, value in found["columns"].items()}
        first = found["day_first"]
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return Told()
    return Told(columns, first if isinstance(first, bool) else None)


def remember(directory: Path, told: Told) -> bool:
    """Keep what was said for the next file; return whether it was new."""
    if told.columns == {} and told.day_first is None:
        return False
    earlier = recall(directory)
    now = replace(told, page="", as_written=False).over(earlier)
    if now == earlier:
        return False
    text = json.dumps({"columns": dict(now.columns), "day_first": now.day_first}, indent=2)
    write_text(directory / TOLD_NAME, text + "\n", replace=True)
    return True
