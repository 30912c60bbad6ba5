"""Files, names and texts made to do harm: each a few kilobytes, made by code, none kept."""

from __future__ import annotations

import io
import os
import struct
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path

from PIL import Image

__all__ = ["BAD_PHOTOS", "BAD_WORKBOOKS", "NAMES", "PHOTO_FILES", "ods", "xlsx"]

_SHEET = (
    '<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><dimension '
    'ref="A1:{end}"/><sheetData>{rows}</sheetData></worksheet>'
)
_RELATIONS = "http://schemas.openxmlformats.org/package/2006/relationships"
_OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_MAIN = "application/vnd.openxmlformats-officedocument.spreadsheetml"
_PARTS = {
    "[Content_Types].xml": '<Types xmlns="http://schemas.openxmlformats.org/package/2006/'
    'content-types"><Default Extension="rels" ContentType="application/vnd.openxmlformats-package.'
    f'relationships+xml"/><Override PartName="/xl/workbook.xml" ContentType="{_MAIN}.sheet.main+xml'
    f'"/><Override PartName="/xl/worksheets/sheet1.xml" ContentType="{_MAIN}.worksheet+xml"/>'
    "</Types>",
    "_rels/.rels": f'<Relationships xmlns="{_RELATIONS}"><Relationship Id="r1" Type="{_OFFICE}/'
    'officeDocument" Target="xl/workbook.xml"/></Relationships>',
    "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{_RELATIONS}"><Relationship Id="r1" '
    f'Type="{_OFFICE}/worksheet" Target="worksheets/sheet1.xml"/></Relationships>',
    "xl/workbook.xml": '<workbook xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
    f' xmlns:r="{_OFFICE}"><sheets><sheet name="one" sheetId="1" r:id="r1"/></sheets></workbook>',
}


def xlsx(rows: str, end: str = "C2") -> bytes:
    """Return a workbook whose sheet holds these rows of XML and says that it ends at a cell."""
    return _packed({**_PARTS, "xl/worksheets/sheet1.xml": _SHEET.format(rows=rows, end=end)})


def ods(rows: str, before: str = "") -> bytes:
    """Return an OpenDocument spreadsheet whose table holds these rows of XML."""
    spaces = " ".join(
        f'xmlns:{name}="urn:oasis:names:tc:opendocument:xmlns:{name}:1.0"'
        for name in ("office", "table", "text")
    )
    content = (
        f'<?xml version="1.0"?>{before}<office:document-content {spaces}><office:body>'
        f'<office:spreadsheet><table:table table:name="one">{rows}</table:table>'
        "</office:spreadsheet></office:body></office:document-content>"
    )
    return _packed({"content.xml": content})


def _packed(parts: dict[str, str]) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, text in parts.items():
            packed.writestr(name, text)
    return stream.getvalue()


def mountain(megabytes: int) -> bytes:
    """Return a workbook that unpacks to so many megabytes of filled rows."""
    stream = io.BytesIO(_packed(_PARTS))
    piece = b"<row><c><v>1</v></c></row>" * 40_330
    with zipfile.ZipFile(stream, "a", zipfile.ZIP_DEFLATED) as packed:
        head, tail = _SHEET.format(end="A1", rows="|").encode().split(b"|")
        with packed.open("xl/worksheets/sheet1.xml", "w") as part:
            part.write(head)
            for _ in range(megabytes):
                part.write(piece)
            part.write(tail)
    return stream.getvalue()


def _cell(place: str, text: str) -> str:
    return f'<c r="{place}" t="inlineStr"><is><t>{text}</t></is></c>'


_ROW = '<row r="1">' + _cell("A1", "plant") + _cell("B1", "fruit") + "</row>"
_FAR = '<row r="1048576">' + _cell("XFD1048576", "here") + "</row>"
_WIDE = "".join(f'<row r="{n}">' + _cell(f"XFD{n}", "x") + "</row>" for n in range(2, 200))
_TEXT_CELL = (
    '<table:table-cell office:value-type="string"{more}><text:p>x</text:p></table:table-cell>'
)
_LAUGHS = (
    '<!DOCTYPE d [<!ENTITY a "aaaaaaaaaa">'
    + "".join(
        f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in zip("abcdefgh", "bcdefghi", strict=True)
    )
    + "]>"
)


def _ods_rows(rows: str = "", columns: str = "") -> str:
    repeated = f' table:number-rows-repeated="{rows}"' if rows else ""
    more = f' table:number-columns-repeated="{columns}"' if columns else ""
    return f"<table:table-row{repeated}>{_TEXT_CELL.format(more=more)}</table:table-row>"


BAD_WORKBOOKS: dict[str, tuple[str, Callable[[], bytes], str]] = {
    "a cell at the far corner": (
        "xlsx",
        lambda: xlsx(_ROW + _FAR, "XFD1048576"),
        "more cells than there are headings",
    ),
    "a first line of 16,384 columns": (
        "xlsx",
        lambda: xlsx(f'<row r="1">{_cell("XFD1", "x")}</row>', "XFD1"),
        "16384 columns",
    ),
    "lines of 16,384 columns": ("xlsx", lambda: xlsx(_ROW + _WIDE), "more than 2,000,000 cells"),
    "300 MB of rows": ("xlsx", lambda: mountain(300), "unpacks to far more"),
    "a thousand million repeated rows": (
        "ods",
        lambda: ods(_ods_rows("1000000000")),
        "more than 2,000,000 cells",
    ),
    "a thousand million repeated columns": (
        "ods",
        lambda: ods(_ods_rows("", "1000000000")),
        "more than 2,000,000 cells",
    ),
    "repeats that no number holds": ("ods", lambda: ods(_ods_rows("9" * 5000)), "workbook|cells"),
    "entities within entities": (
        "ods",
        lambda: ods("<table:table-row/>", _LAUGHS),
        "declares entities",
    ),
    "rows nested a thousand deep": (
        "ods",
        lambda: ods("<table:table>" * 1000 + "</table:table>" * 1000),
        "empty",
    ),
}
"""Name to its ending, the file, and a word of the refusal."""


def big_png(side: int) -> bytes:
    """Return a white PNG of so many pixels a side, a few kilobytes for any size."""

    def chunk(name: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
        )

    packer = zlib.compressobj(9)
    line = b"\0" + b"\xff" * (side * 3)
    data = b"".join(packer.compress(line) for _ in range(side)) + packer.flush()
    header = struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", data) + chunk(b"IEND", b"")
    )


def many_scans(times: int) -> bytes:
    """Return a progressive JPEG whose last scan stands there many times."""
    stream = io.BytesIO()
    Image.new("RGB", (64, 64)).save(stream, "JPEG", progressive=True)
    data = stream.getvalue()
    last = data.rindex(b"\xff\xda")
    return data[:last] + data[last:-2] * times + data[-2:]


BAD_PHOTOS: dict[str, tuple[Callable[[], bytes], str]] = {
    "12,200 x 12,200 pixels in a PNG": (lambda: big_png(12_200), "too many pixels"),
    "a JPEG of 3,000 scans": (lambda: many_scans(3000), "scans"),
}


def _huge_header() -> bytes:
    stream = io.BytesIO()
    Image.new("L", (16, 16)).save(stream, "JPEG", progressive=True)
    data = bytearray(stream.getvalue())
    at = data.index(b"\xff\xc2") + 5
    data[at : at + 4] = struct.pack(">HH", 12_200, 12_200)
    return bytes(data)


BAD_PHOTOS["12,200 x 12,200 pixels in a progressive JPEG"] = (_huge_header, "too many pixels")


def _fifo(path: Path) -> None:
    os.mkfifo(path)


PHOTO_FILES: dict[str, Callable[[Path], None]] = {
    "a link to itself": lambda path: path.symlink_to(path.name),
    "a pipe": _fifo,
    "a device": lambda path: path.symlink_to("/dev/zero"),
    "a folder": lambda path: path.mkdir(),
    "a link to nothing": lambda path: path.symlink_to("nowhere"),
}
"""Makes a thing with a photo's name that is none."""

NAMES = {
    "an escape": "\x1b[31mred\x1b[0m",
    "a bell": "ding\x07",
    "text turned round": "ann\u202etxt.exe",
    "an invisible letter": "an\u200bn",
    "a joiner": "a\u2060nn",
    "a byte order mark": "\ufeffann",
    "a line end": "ann\nben",
    "a line separator": "ann\u2028ben",
    "a soft hyphen": "a\u00adnn",
}
"""Names that a terminal obeys or that look like another."""
