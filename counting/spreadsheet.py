"""Tables as people keep them: CSV in any spreadsheet's dialect, XLSX and ODS, read as text."""

from __future__ import annotations

import csv
import io
import json
import re
import stat
import subprocess
import sys
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import islice
from pathlib import Path
from typing import Any

from counting import workbook
from counting.errors import CountingError
from counting.files import read_text

__all__ = [
    "Page",
    "Row",
    "Sheet",
    "iso_date",
    "likely_year",
    "number",
    "read_pages",
    "read_sheet",
    "safe_cell",
    "sheet_of",
    "truss_number",
    "typed_cell",
    "whole",
]

_ENDINGS = {".csv", ".tsv", ".txt", ".xlsx", ".ods"}
_DELIMITERS = ("\t", ";", ",")
"""Where several fit alike the comma comes last: it may be the decimal mark."""
_LINES_WEIGHED = 50
_MOST_BYTES = 64 << 20
"""A sheet of 10,000 plants and 20 measures takes about 2 MB; more than this is no tally."""
_MOST_COLUMNS = 500
_FIRST_YEAR = 1900
"""Records of older trials are history; a year before is a slip."""
_LONGEST_S = 180
"""As many cells as are allowed take 30 s on one core of a laptop."""
_PLAIN = re.compile(r"[+-]?(\d+)([.,]\d+)?", re.ASCII)
_THOUSANDS = re.compile(r"[+-]?\d{1,3}([.,]\d{3})+([.,]\d+)?", re.ASCII)
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""The last four are = + - @ in full width, as typed in East Asia."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a sheet.

    Attributes
    ----------
    line : int
        Its line in the file, the heading being line 1.
    cells : mapping
        Column name to text, stripped; empty text where the cell is empty.
    """

    line: int
    cells: Mapping[str, str]

    def get(self, name: str) -> str:
        """Return a cell's text, empty where the sheet lacks the column."""
        return self.cells.get(name, "")


@dataclass(frozen=True, slots=True)
class Sheet:
    """A table as it stands in a file, every cell as text.

    Attributes
    ----------
    path : Path
        The file.
    columns : tuple of str
        Headings, lower case, in order.
    rows : tuple of Row
        The lines that are not wholly empty.
    decimal_comma : bool
        Whether ``12,5`` in it means twelve and a half.
    """

    path: Path
    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    decimal_comma: bool


@dataclass(frozen=True, slots=True)
class Page:
    """One page of a workbook, or all of another file, before anything in it is understood.

    Attributes
    ----------
    name : str
        As the workbook calls it; empty for other files.
    lines : tuple of (int, list of str)
        Numbered lines of cells.
    decimal_comma : bool
        Whether a comma may be the decimal mark, since it does not part cells.
    """

    name: str
    lines: tuple[tuple[int, list[str]], ...]
    decimal_comma: bool


def read_sheet(path: Path, error: type[CountingError] = CountingError) -> Sheet:
    """Read a CSV (comma, semicolon or tab; with or without a byte order mark), XLSX or ODS file.

    Parameters
    ----------
    path : Path
        The file; its ending decides the format. Of a workbook the first sheet is read.
    error : type of CountingError
        What to raise.

    Raises
    ------
    CountingError
        If the file is missing, unreadable, empty, has no headings or two alike.
    """
    page = read_pages(path, error)[0]
    return sheet_of(path, page.lines, page.decimal_comma, error)


def read_pages(path: Path, error: type[CountingError] = CountingError) -> list[Page]:
    """Read all pages of a workbook, or the one of a CSV, as they stand.

    Raises
    ------
    CountingError
        If the file is missing or unreadable.
    """
    if path.suffix.lower() not in _ENDINGS:
        mend = "save the table in one of these formats"
        raise error(path, f"ending {path.suffix!r} not known", "CSV, XLSX or ODS", mend)
    try:
        state = path.stat()
        if not stat.S_ISREG(state.st_mode):
            raise error(path, "no plain file", "CSV, XLSX or ODS", "check the path")
        if state.st_size > _MOST_BYTES:
            raise error(path, "far too large for a table", "under 64 MB", "check the file")
    except OSError as trouble:
        found = "not found" if isinstance(trouble, FileNotFoundError) else str(trouble.strerror)
        raise error(path, found, mend="check the path") from trouble
    if path.suffix.lower() in {".xlsx", ".ods"}:
        return _read_workbook(path, error)
    lines, comma = _read_csv(path, error)
    return [Page("", tuple(lines), comma)]


def _read_csv(path: Path, error: type[CountingError]) -> tuple[list[tuple[int, list[str]]], bool]:
    """Return numbered lines of cells, and whether a comma can be a decimal mark."""
    try:
        text = read_text(path)
    except CountingError as trouble:
        mend = trouble.mend
        if isinstance(trouble.__cause__, UnicodeDecodeError):  # as older spreadsheets save it
            mend = "in the spreadsheet save it as 'CSV UTF-8', or as XLSX or ODS"
        raise error(path, trouble.found, trouble.expected, mend) from trouble
    if "\0" in text:
        raise error(path, "not a text file", "a CSV table", "save it again as CSV in UTF-8")
    delimiter = _delimiter(text)
    if text.count(delimiter) + text.count("\n") > workbook.MOST_CELLS:
        found, most = "far too many cells for a table", f"at most {workbook.MOST_CELLS:,}"
        raise error(path, found, most, "check the file")
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    lines = []
    try:
        start = 1
        for cells in reader:
            lines.append((start, cells))
            start = reader.line_num + 1
    except csv.Error as trouble:
        mend = "close the quotation marks on the line named"
        found = f"line {reader.line_num}: not a table ({trouble})"
        raise error(path, found, mend=mend) from trouble
    return lines, delimiter != ","


def _delimiter(text: str) -> str:
    """Return the mark that parts most lines into equally many cells, titles and all."""
    top = [line for line in islice(io.StringIO(text), _LINES_WEIGHED) if line.strip()]

    def even(mark: str) -> int:
        counts = Counter(count for line in top if (count := line.count(mark)))
        return max((count * lines for count, lines in counts.items()), default=0)

    return max(_DELIMITERS, key=even)


def _read_workbook(path: Path, error: type[CountingError]) -> list[Page]:
    """Return the pages of a workbook, dates as ISO text, whole numbers bare."""
    told = _in_process(path, path.suffix.lower().removeprefix("."))
    if "rows" not in told:
        mend = "open it in a spreadsheet program and save it again, one table on the first sheet"
        raise error(path, told["fault"], f"a {path.suffix.lower()} file with a table", mend)
    pages = [(told["name"], told["rows"]), *told["others"]]
    return [
        Page(str(name), tuple((int(line), cells) for line, cells in rows), decimal_comma=False)
        for name, rows in pages
    ]


def _in_process(path: Path, kind: str) -> dict[str, Any]:
    """Have a workbook read by a process of its own, which ends when it takes too much."""
    command = [sys.executable, "-P", workbook.__file__, kind]
    try:
        with path.open("rb") as stream:
            done = subprocess.run(
                command, stdin=stream, capture_output=True, timeout=_LONGEST_S, check=False
            )
        told: dict[str, Any] = json.loads(done.stdout)
    except subprocess.TimeoutExpired:
        return {"fault": f"takes longer than {_LONGEST_S} s to read"}
    except OSError as trouble:
        return {"fault": f"could not be read ({trouble.strerror})"}
    except ValueError:  # it was ended by the system
        return {"fault": "takes far more memory or time than a table needs"}
    return told


def sheet_of(
    path: Path, lines: Sequence[tuple[int, list[str]]], comma: bool, error: type[CountingError]
) -> Sheet:
    """Take the headings off and pair every cell with its own.

    Raises
    ------
    CountingError
        If it is empty, a heading is lacking or stands twice, or a line is longer than the headings.
    """
    filled = [(line, [typed_cell(cell.strip()) for cell in cells]) for line, cells in lines]
    filled = [(line, cells) for line, cells in filled if any(cells)]
    if not filled:
        raise error(path, "empty", "a line of headings, then the rows", "check the file")
    _, heading = filled[0]
    while heading and not heading[-1]:
        heading.pop()
    columns = tuple(name.lower() for name in heading)
    if len(columns) > _MOST_COLUMNS:
        raise error(path, f"{len(columns)} columns", f"at most {_MOST_COLUMNS}", "check the file")
    if "" in columns:
        found = f"column {columns.index('') + 1} has no heading"
        raise error(path, found, mend="name it or take it out")
    twice = sorted({name for name in columns if columns.count(name) > 1})
    if twice:
        raise error(path, f"heading {', '.join(twice)} stands twice", mend="keep one of each")
    long = [line for line, cells in filled[1:] if any(cells[len(columns) :])]
    if long:
        found = f"line {long[0]} has more cells than there are headings"
        mend = "put text that holds a comma in quotation marks"
        raise error(path, found, f"{len(columns)} cells", mend)
    rows = tuple(
        Row(line, dict(zip(columns, cells + [""] * len(columns), strict=False)))
        for line, cells in filled[1:]
    )
    return Sheet(path, columns, rows, comma)


def number(text: str, *, decimal_comma: bool = False) -> float:
    """Return the number that a cell's text means.

    Parameters
    ----------
    text : str
        What stands in the cell.
    decimal_comma : bool
        Whether the sheet can use a comma for the decimal mark, as semicolon-separated files do.

    Raises
    ------
    ValueError
        If it is no number, or can be read in two ways; the text says why and the mend.
    """
    plain = _PLAIN.fullmatch(text)
    if _THOUSANDS.fullmatch(text) and (decimal_comma or "," in text):
        message = f"{text!r} can be read in two ways; write thousands without a mark"
        raise ValueError(message)
    if not plain or len(text) > 30:
        message = f"{text!r} is not a number"
        raise ValueError(message)
    if "," in text and not decimal_comma:
        message = (
            f"{text!r} has a decimal comma in a sheet whose decimal mark is a point; write "
            + (text.replace(",", "."))
        )
        raise ValueError(message)
    return float(text.replace(",", "."))


def whole(text: str, *, decimal_comma: bool = False) -> int:
    """Return the whole number that a cell's text means; ``3`` and ``3.0`` are alike.

    Raises
    ------
    ValueError
        If it is no number, has a fraction or can be read in two ways.
    """
    value = number(text, decimal_comma=decimal_comma)
    if not value.is_integer():
        message = f"{text!r} is not a whole number"
        raise ValueError(message)
    return int(value)


def safe_cell(text: str) -> str:
    """Return text that a spreadsheet program shows and never runs as a formula.

    Text that begins with ``=``, ``+``, ``-``, ``@`` (also in full width), a tab or a line end gets
    an apostrophe before it, unless it is a plain number [1]_. So does text that begins with
    apostrophes and then looks like that, so that `typed_cell` gives every text back as it was.

    References
    ----------
    .. [1] OWASP, "CSV Injection", owasp.org/www-community/attacks/CSV_Injection (from memory).
    """
    if _begins_a_formula(text.lstrip("'")) and not _PLAIN.fullmatch(text):
        return f"'{text}"
    return text


def typed_cell(text: str) -> str:
    """Return the text that `safe_cell` was given; a person's own guarding apostrophe goes too."""
    if text.startswith("'") and _begins_a_formula(text.lstrip("'")):
        return text[1:]
    return text


def _begins_a_formula(text: str) -> bool:
    return text.startswith(_FORMULA) or text.lstrip().startswith(_FORMULA)


def truss_number(text: str) -> int | None:
    """Return a truss's number, None for empty text.

    Raises
    ------
    ValueError
        If it is no whole number from 1 up.
    """
    if not text:
        return None
    number = whole(text)
    if not 1 <= number <= 999:
        message = f"truss {text!r} is not 1, 2, 3 ..., counted from the base"
        raise ValueError(message)
    return number


def iso_date(text: str) -> str:
    """Return a date written as year-month-day, as it stands.

    Raises
    ------
    ValueError
        If it is written otherwise or there is no such day.
    """
    parts = text.split("-")
    shaped = len(text) == 10 and [len(part) for part in parts] == [4, 2, 2]
    if shaped and text.isascii() and "".join(parts).isdecimal():
        try:
            day = date.fromisoformat(text)
        except ValueError:
            message = f"{text!r} is no day of the calendar"
            raise ValueError(message) from None
        likely_year(day.year)
        return day.isoformat()
    message = f"{text!r} is not a date; write year-month-day, as in 2026-07-01"
    raise ValueError(message)


def likely_year(year: int) -> None:
    """Ask about a year in which no trial can have been counted.

    Raises
    ------
    ValueError
        If it lies before 1900 or beyond the next year; the text is the question.
    """
    latest = date.today().year + 1
    if not _FIRST_YEAR <= year <= latest:
        message = f"the year {year}: is a year from {_FIRST_YEAR} to {latest} meant? Write it so"
        raise ValueError(message)
