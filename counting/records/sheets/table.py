"""Where the table lies in a page: its heading, its rows, and what stands around them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from counting.plan.codes import CodeBook
from counting.records.sheets.vocabulary import Vocabulary
from counting.typed import plain_number

__all__ = ["Line", "Passed", "Table", "looks_like_tally", "table_in"]

Line = tuple[int, list[str]]
"""Number of a line in its file, and its cells."""
_SOUGHT = 40
"""Lines at the top among which the heading is sought; a printed letterhead is shorter."""
_TOTAL = re.compile(
    r"(grand |sub|sub )?(totals?|sums?|means?|averages?|avg|all)( per plant| of all)?\W*"
)
_CLOSE = 1e-6


@dataclass(frozen=True, slots=True)
class Passed:
    """A line that holds no plant and was passed over.

    Attributes
    ----------
    line : int
    text : str
        What stands in it.
    why : str
        title, total or remark.
    """

    line: int
    text: str
    why: str


@dataclass(frozen=True, slots=True)
class Table:
    """The table of a page.

    Attributes
    ----------
    heading : Line
        The headings, as they stand.
    rows : tuple of Line
        Its rows, filled up to the width of the heading.
    passed : tuple of Passed
        What stands above, below and between.
    """

    heading: Line
    rows: tuple[Line, ...]
    passed: tuple[Passed, ...]


def table_in(lines: Sequence[Line], words: Vocabulary, codes: CodeBook) -> Table | None:
    """Find the table in the lines of a page; None if nothing stands there.

    The heading is the line of which most cells are understood, the first of them; rows are what
    follows, without titles, totals and remarks.
    """
    filled = [(line, [cell.strip() for cell in cells]) for line, cells in lines]
    filled = [(line, cells) for line, cells in filled if any(cells)]
    if not filled:
        return None
    scores = [_understood(cells, words) for _, cells in filled[:_SOUGHT]]
    at = scores.index(max(scores)) if max(scores) > 1 else 0
    heading = (filled[at][0], _trimmed(filled[at][1]))
    passed = [Passed(line, _joined(cells), "title") for line, cells in filled[:at]]
    plants = _plant_column(heading[1], filled[at + 1 :], words, codes)
    rows: list[Line] = []
    for line, cells in filled[at + 1 :]:
        why = _aside(cells, plants, rows, codes) if plants is not None else ""
        if why:
            passed.append(Passed(line, _joined(cells), why))
        else:
            rows.append((line, cells))
    return Table(heading, tuple(rows), tuple(passed))


def looks_like_tally(table: Table | None, words: Vocabulary, codes: CodeBook) -> bool:
    """Whether a page's table names plants of the plan and holds something counted."""
    if table is None:
        return False
    meanings = [words.means(cell) for cell in table.heading[1]]
    plants = _plant_column(table.heading[1], table.rows, words, codes)
    if plants is None or not any(map(words.is_measure, meanings)) | ("value" in meanings):
        return False
    named = [cells[plants] for _, cells in table.rows if plants < len(cells)]
    return any(codes.find(text) for text in named)


def _understood(cells: Sequence[str], words: Vocabulary) -> int:
    return len({meaning for cell in cells if (meaning := words.means(cell))})


def _trimmed(cells: Sequence[str]) -> list[str]:
    kept = list(cells)
    while kept and not kept[-1]:
        kept.pop()
    return kept


def _joined(cells: Sequence[str]) -> str:
    return " ".join(cell for cell in cells if cell)


def _plant_column(
    heading: Sequence[str], rows: Sequence[Line], words: Vocabulary, codes: CodeBook
) -> int | None:
    """Return the column of the plants: by its heading, else by the codes in it."""
    meanings = [words.means(cell) for cell in heading]
    if "plant" in meanings:
        return meanings.index("plant")
    for column, meaning in enumerate(meanings):
        named = [cells[column] for _, cells in rows if column < len(cells) and cells[column]]
        hits = sum(bool(codes.find(text)) for text in named)
        if not meaning and hits > len(named) / 2:
            return column
    return None


def _aside(cells: Sequence[str], plants: int, rows: Sequence[Line], codes: CodeBook) -> str:
    """Return why a line is no row of the table, empty if it is one."""
    name = cells[plants] if plants < len(cells) else ""
    rest = [cell for column, cell in enumerate(cells) if column != plants and cell]
    if codes.find(name):
        return ""
    if _TOTAL.fullmatch(name.lower()) or (
        not name and any(_TOTAL.fullmatch(cell.lower()) for cell in rest)
    ):
        return "total"
    if not name and rest and _adds_up(cells, rows):
        return "total"
    if name and not rest and " " in name:
        return "remark"
    return ""


def _adds_up(cells: Sequence[str], rows: Sequence[Line]) -> bool:
    """Whether the numbers of a line are the sums of those above them, or their means."""
    checked = 0
    for column, cell in enumerate(cells):
        below = _number(cell)
        above = [
            value
            for _, row in rows
            if column < len(row) and (value := _number(row[column])) is not None
        ]
        if below is None:
            if cell:
                return False
            continue
        total = sum(above)
        mean = total / len(above) if above else 0.0
        room = _CLOSE + abs(total) * _CLOSE
        if len(above) < 2 or (abs(below - total) > room and abs(below - mean) > 0.06):
            return False
        checked += 1
    return checked > 0


def _number(text: str) -> float | None:
    try:
        return plain_number(text) if text else None
    except ValueError:
        return None
