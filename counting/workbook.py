"""A workbook's pages as text, read where it can do no harm: in a process of its own.

Run as ``python workbook.py xlsx|ods < FILE``; it writes one JSON object to stdout, ``{"name":
"...", "rows": [[line, [cell, ...]], ...], "others": [[name, rows], ...]}`` or ``{"fault":
"..."}``. It imports nothing of ours, so that it starts
quickly. What it holds is bounded while it reads, never after: a few bytes of a packed file can
stand for a thousand million cells. `counting.spreadsheet` starts it and bounds its memory and time.

ODS is read here and not by a library of documents: those build the whole document in memory, and
write every repeated row and cell out, before anyone can look at how many there are.
"""

from __future__ import annotations

import json
import re
import sys
import warnings
import zipfile
from collections.abc import Iterator, Sequence
from datetime import date, datetime
from typing import Any, BinaryIO
from xml.parsers import expat

__all__ = ["MOST_CELLS", "MOST_UNPACKED", "WorkbookFault", "cell_text", "main", "read"]

MOST_CELLS = 2_000_000
"""10,000 plants with 20 values each, one value a line and ten columns, are as many."""
MOST_UNPACKED = 256 << 20
"""So many cells take about 130 bytes each in a workbook's XML."""
_MOST_PARTS = 10_000
_MEMORY = 1 << 30
"""Bytes that the process may take while it reads; as many cells as allowed took 0.6 GB."""
_TIME_S = 120
_TIME_VALUE = re.compile(r"PT(\d+)H(\d+)M(\d+)(?:[.,]\d+)?S")
_PIECE = 1 << 16
_DIGITS = 12
"""A number of more is as good as no end."""

_OFFICE = "urn:oasis:names:tc:opendocument:xmlns:office:1.0"
_TABLE = "urn:oasis:names:tc:opendocument:xmlns:table:1.0"
_TEXT = "urn:oasis:names:tc:opendocument:xmlns:text:1.0"
_VALUES = {
    "float": "value",
    "percentage": "value",
    "currency": "value",
    "boolean": "boolean-value",
    "date": "date-value",
    "time": "time-value",
}
"""Type of a cell to its attribute (OpenDocument 1.3, part 3, 19.389)."""

Line = tuple[int, list[str]]
Found = tuple[str, int, int, int, Sequence[str]]
"""Name and number of the page, line, how often it stands, cells."""


class WorkbookFault(Exception):
    """Why a workbook is not read, in words."""


def read(stream: BinaryIO, kind: str) -> list[tuple[str, list[Line]]]:
    """Return the pages of a workbook: their names and filled lines, with the lines' numbers.

    Parameters
    ----------
    stream : binary stream
        The file; it must allow seeking.
    kind : {"xlsx", "ods"}

    Raises
    ------
    WorkbookFault
        If it holds more than a table does, or is no such workbook.
    """
    with zipfile.ZipFile(stream) as packed:
        parts = packed.infolist()
        if len(parts) > _MOST_PARTS or sum(part.file_size for part in parts) > MOST_UNPACKED:
            message = "unpacks to far more than a table holds"
            raise WorkbookFault(message)
        return _bounded(_ods(packed) if kind == "ods" else _xlsx(stream))


def _bounded(rows: Iterator[Found]) -> list[tuple[str, list[Line]]]:
    """Write rows out, each as often as it says, until there are too many cells."""
    pages: list[tuple[str, list[Line]]] = []
    cells = 0
    for name, page, line, times, row in rows:
        while len(pages) <= page:
            pages.append((name, []))
        if not row:
            continue
        cells += times * len(row)
        if cells > MOST_CELLS:
            if page:  # what lies behind a first page that can be read does not spoil it
                return pages[:page]
            message = f"holds more than {MOST_CELLS:,} cells up to line {line + times - 1:,}"
            raise WorkbookFault(message)
        pages[page][1].extend((line + offset, list(row)) for offset in range(times))
    return pages or [("", [])]


def _filled(cells: list[str]) -> list[str]:
    """Return the cells up to the last one that is not empty."""
    while cells and not cells[-1].strip():
        cells.pop()
    return cells


def cell_text(cell: Any, form: str = "") -> str:
    """Return a workbook's cell as a person would type it: dates in ISO, whole numbers bare.

    `form` is the cell's number format: 0.25 that shows as 25% is 25%.
    """
    if cell is None:
        return ""
    if "%" in form and isinstance(cell, (int, float)) and not isinstance(cell, bool):
        return f"{cell * 100:.10g}%"
    if isinstance(cell, datetime):
        midnight = (cell.hour, cell.minute, cell.second) == (0, 0, 0)
        return cell.date().isoformat() if midnight else cell.isoformat(timespec="minutes")
    if isinstance(cell, date):
        return cell.isoformat()
    if isinstance(cell, bool):
        return str(cell).lower()
    if isinstance(cell, float):
        if cell != cell:
            return ""
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    return str(cell)


def _xlsx(stream: BinaryIO) -> Iterator[Found]:
    import openpyxl

    stream.seek(0)
    book = openpyxl.load_workbook(stream, read_only=True, data_only=True, keep_links=False)
    for page, sheet in enumerate(book.worksheets):
        # a file may say that its sheet is a cell wide, or a million; what it holds decides
        sheet.reset_dimensions()
        yield sheet.title, page, 0, 0, ()
        for line, row in enumerate(sheet.iter_rows(), start=1):
            if row:
                cells = [cell_text(cell.value, _form(cell)) for cell in row]
                yield sheet.title, page, line, 1, _filled(cells)


def _form(cell: Any) -> str:
    """Return a number's format; of other cells it says nothing."""
    return str(cell.number_format) if isinstance(cell.value, (int, float)) else ""


def _ods(packed: zipfile.ZipFile) -> Iterator[Found]:
    """Follow a document's XML in pieces, as OpenDocument 1.3, part 3 (OASIS), lays it out."""
    reader = _OdsReader()
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.buffer_text = True
    parser.StartDoctypeDeclHandler = _no_doctype
    parser.StartElementHandler = reader.start
    parser.EndElementHandler = reader.end
    parser.CharacterDataHandler = reader.text
    with packed.open("content.xml") as stream:
        while True:
            piece = stream.read(_PIECE)
            parser.Parse(piece, not piece)
            yield from reader.rows
            reader.rows.clear()
            if not piece:
                break
    if not reader.pages:
        message = "holds no sheet"
        raise WorkbookFault(message)


def _no_doctype(*_: Any) -> None:
    message = "declares entities, which no spreadsheet program does"
    raise WorkbookFault(message)


class _OdsReader:
    """The rows of the tables of an OpenDocument text, as its elements go by."""

    def __init__(self) -> None:
        self.rows: list[Found] = []
        self.pages = 0
        self._name = ""
        self._tables = 0
        self._aside = 0
        self._line = 1
        self._times = 1
        self._row: list[str] = []
        self._waiting = 0
        self._cell: dict[str, str] = {}
        self._words: list[str] = []
        self._paragraphs = 0

    def start(self, name: str, of: dict[str, str]) -> None:
        space, _, local = name.rpartition(" ")
        if (space, local) == (_TABLE, "table"):
            self._tables += 1
            if self._tables == 1:
                self._name, self._line = of.get(f"{_TABLE} name", ""), 1
                self.rows.append((self._name, self.pages, 0, 0, []))
                self.pages += 1
        elif self._tables != 1:
            return
        elif (space, local) == (_OFFICE, "annotation"):
            self._aside += 1
        elif space == _TABLE and local == "table-row":
            self._times = _times(of.get(f"{_TABLE} number-rows-repeated"))
            self._row, self._waiting = [], 0
        elif space == _TABLE and local in {"table-cell", "covered-table-cell"}:
            self._cell, self._words, self._paragraphs = of, [], 0
        elif space == _TEXT and not self._aside:
            self._spaces(local, of)

    def _spaces(self, local: str, of: dict[str, str]) -> None:
        if local == "p":
            self._words += ["\n"] if self._paragraphs else []
            self._paragraphs += 1
        elif local == "s":
            self._words.append(" " * min(_times(of.get(f"{_TEXT} c")), 1000))
        elif local in {"tab", "line-break"}:
            self._words.append("\t" if local == "tab" else "\n")

    def text(self, data: str) -> None:
        if self._paragraphs and not self._aside:
            self._words.append(data)

    def end(self, name: str) -> None:
        space, _, local = name.rpartition(" ")
        if (space, local) == (_TABLE, "table"):
            self._tables -= 1
        elif self._tables != 1:
            return
        elif (space, local) == (_OFFICE, "annotation"):
            self._aside -= 1
        elif space == _TABLE and local in {"table-cell", "covered-table-cell"}:
            self._add_cell()
        elif space == _TABLE and local == "table-row":
            if self._row:
                self.rows.append((self._name, self.pages - 1, self._line, self._times, self._row))
            self._line += self._times

    def _add_cell(self) -> None:
        """Add the cell that ended; empty ones wait until a filled one follows."""
        times = _times(self._cell.get(f"{_TABLE} number-columns-repeated"))
        text = _ods_text(self._cell, "".join(self._words))
        self._paragraphs = 0
        if not text.strip():
            self._waiting += times
            return
        if len(self._row) + self._waiting + times > MOST_CELLS:
            message = f"holds more than {MOST_CELLS:,} cells in line {self._line:,}"
            raise WorkbookFault(message)
        self._row += [""] * self._waiting + [text] * times
        self._waiting = 0


def _times(text: str | None) -> int:
    """Return how often an element stands; once where it says nothing that can be."""
    if not text or not (text.isascii() and text.isdecimal()):
        return 1
    return max(int(text[:_DIGITS]), 1) if len(text) <= _DIGITS else 10**_DIGITS


def _ods_text(cell: dict[str, str], shown: str) -> str:
    kind = cell.get(f"{_OFFICE} value-type", "string")
    value = cell.get(f"{_OFFICE} {_VALUES.get(kind, 'string-value')}")
    if value is None or kind not in _VALUES:
        return shown or value or ""
    if kind == "date":
        return cell_text(datetime.fromisoformat(value))
    if kind == "time":
        told = _TIME_VALUE.fullmatch(value)
        return ":".join(f"{int(part):02}" for part in told.groups()) if told else shown
    if kind == "boolean":
        return value
    return cell_text(float(value), "%" if kind == "percentage" else "")


def _hold_back() -> None:
    """Bound this process's memory and time, where the system lets a process do so."""
    try:
        import resource
    except ImportError:  # Windows: the parent's own time limit remains
        return
    try:
        with open("/proc/self/statm", encoding="ascii") as told:  # noqa: PTH123
            taken = int(told.read().split()[0]) * resource.getpagesize()
    except OSError:
        taken = 1 << 30
    for what, most in ((resource.RLIMIT_AS, taken + _MEMORY), (resource.RLIMIT_CPU, _TIME_S)):
        _, hard = resource.getrlimit(what)
        wanted = most if hard == resource.RLIM_INFINITY else min(most, hard)
        try:
            resource.setrlimit(what, (wanted, hard))
        except (OSError, ValueError):  # a system that knows the limit and does not hold it
            continue


def main() -> None:
    """Read the workbook on stdin and write what it holds, or why not, to stdout."""
    kind = sys.argv[1]
    if kind == "xlsx":
        # a third of the time to start goes to libraries that only writing needs
        sys.modules["numpy"] = sys.modules["PIL"] = None  # type: ignore[assignment]
        import openpyxl  # noqa: F401  (the limits are for what the file makes of it)
    _hold_back()
    sys.stdout.write(json.dumps(told(sys.stdin.buffer, kind)))


def told(stream: BinaryIO, kind: str) -> dict[str, Any]:
    """Return the answer that the process gives: pages, or a fault."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a program's own styles and extensions don't matter
            (name, rows), *others = read(stream, kind)
            return {"name": name, "rows": rows, "others": others}
    except WorkbookFault as fault:
        return {"fault": str(fault)}
    except MemoryError:
        return {"fault": "takes far more memory than a table needs"}
    # a broken workbook can fail anywhere inside the libraries that read it
    except Exception as trouble:
        return {"fault": f"not a workbook that can be read ({type(trouble).__name__})"}


if __name__ == "__main__":
    main()
