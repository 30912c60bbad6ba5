"""Doubtful cells put right without touching the file that holds them."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from pathlib import Path

from counting.errors import TallyError
from counting.records.sheets.doubt import Doubt
from counting.records.sheets.understand import Reading
from counting.records.sheets.vocabulary import plain
from counting.spreadsheet import read_pages

__all__ = ["column_of", "mended"]


def column_of(reading: Reading, doubt: Doubt) -> int | None:
    """Return the place of the column that a doubt is about, from 0; None for all of its line."""
    if not doubt.column:
        return None
    for place, column in enumerate(reading.columns):
        if doubt.column in {column.heading, column.meaning}:
            return place
    wanted = plain(doubt.column)
    headings = [plain(column.heading) for column in reading.columns]
    return headings.index(wanted) if wanted in headings else None


def mended(reading: Reading, mends: Mapping[tuple[int, int], str]) -> bytes:
    """Return the page that was read as CSV, with some of its cells put right.

    Parameters
    ----------
    reading : Reading
        How the file was read.
    mends : mapping of (int, int) to str
        Line of the file and place of the column, from 0, to what should stand there.

    Raises
    ------
    TallyError
        If the file cannot be read any more.
    """
    pages = read_pages(Path(reading.path), TallyError)
    page = next((each for each in pages if each.name == reading.page), pages[0])
    stream = io.StringIO()
    # a semicolon parts cells where a comma may be the decimal mark
    writer = csv.writer(stream, delimiter=";" if page.decimal_comma else ",")
    written = 0
    for line, cells in page.lines:
        for _ in range(line - written - 1):  # blank lines keep the numbers of those after them
            writer.writerow([])
        row = list(cells)
        for (at, place), text in mends.items():
            if at == line:
                row += [""] * (place + 1 - len(row))
                row[place] = text
        writer.writerow(row)
        written = line
    return stream.getvalue().encode("utf-8")
