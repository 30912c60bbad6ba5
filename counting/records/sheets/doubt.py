"""What is unclear in a spreadsheet, all of it in one table with the mend."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["Doubt", "doubts_as_lines"]

_MOST = 50
"""Doubts shown one by one; of more only the number is told."""
_WIDEST = 22


@dataclass(frozen=True, slots=True)
class Doubt:
    """One thing that is unclear.

    Attributes
    ----------
    file : str
        Name of the file.
    line : int
        Its line there.
    what : str
        What is wrong and the mend.
    plant, column, cell : str
        Where in the line and what stands there; empty for all of the line.
    """

    file: str
    line: int
    what: str
    plant: str = ""
    column: str = ""
    cell: str = ""

    def __str__(self) -> str:
        """Return it as one sentence."""
        return f"{self.file}, line {self.line}: {self.what}"


def doubts_as_lines(doubts: Sequence[Doubt]) -> list[str]:
    """Return doubts as the lines of a table, the heading first.

    Returns
    -------
    list of str
        Line, plant, column and cell as far as any doubt has them, then what to do.
    """
    files = len({doubt.file for doubt in doubts}) > 1
    rows = [
        (
            f"{doubt.file}, line {doubt.line}" if files else f"line {doubt.line}",
            doubt.plant,
            doubt.column,
            doubt.cell,
            doubt.what,
        )
        for doubt in doubts[:_MOST]
    ]
    heads = ("where", "plant", "column", "cell", "what to mend")
    used = [at for at in range(5) if at == 4 or any(row[at] for row in rows)]
    cut = [[_short(row[at]) if at < 4 else row[at] for at in used] for row in (heads, *rows)]
    widths = [max(len(row[place]) for row in cut) for place in range(len(used) - 1)]
    lines = [
        "  ".join([*(text.ljust(wide) for text, wide in zip(row, widths, strict=False)), row[-1]])
        for row in cut
    ]
    more = len(doubts) - _MOST
    return [*lines, *([f"and {more} more"] if more > 0 else [])]


def _short(text: str) -> str:
    return text if len(text) <= _WIDEST else f"{text[: _WIDEST - 1]}…"
