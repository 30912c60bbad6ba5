"""The checkpoints that lie about: in reports, sheets, exports, back-ups and files of their own."""

from __future__ import annotations

import html
import re
import zipfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from counting.errors import CountingError
from counting.files import read_text, strict_json
from counting.ledger import Checkpoint, Ledger
from counting.ledger.checkpoint import find, held
from counting.ledger.signing import signature_fault

__all__ = ["BACKUP_LIST", "MOST_LIST", "Held", "Outside", "checkpoint_file", "gathered", "hold"]

BACKUP_LIST = "back-up.json"
"""The list inside a back-up, which carries its checkpoint."""
_PLACES = ("*.html", "sheets/*.html", "export/datapackage.json", "*.zip", "*.checkpoint.json")
"""Where a trial's own folder holds some."""
_DATA = re.compile(r'<script type="application/json" id="data">(.*?)</script>', re.DOTALL)
_PRINTED = re.compile(r"<dt>([^<]{1,60})</dt><dd><code>([^<]{1,200})</code></dd>")
MOST_LIST = 64 << 20
"""Bytes of a back-up's list: 100,000 files take about 20 MB."""


@dataclass(frozen=True, slots=True)
class Outside:
    """What a person brought from elsewhere to hold the ledger against.

    Attributes
    ----------
    hashes : tuple of str
        Hashes as printed or noted, or their first digits.
    files : tuple of Path
        Reports, sheets, exports, back-ups and checkpoints kept elsewhere.
    public_key : Path or None
        Whose signature the checkpoints among `files` must bear.
    """

    hashes: tuple[str, ...] = ()
    files: tuple[Path, ...] = ()
    public_key: Path | None = None


@dataclass(frozen=True, slots=True)
class Held:
    """What came of holding a ledger against its checkpoints.

    Attributes
    ----------
    checked : tuple of str
        What was held against it, in words.
    faults : tuple of (str, str)
        File or hash, and what is wrong.
    remarks : tuple of str
        What could not be examined, and why.
    """

    checked: tuple[str, ...]
    faults: tuple[tuple[str, str], ...]
    remarks: tuple[str, ...]


def hold(directory: Path, ledger: Ledger, trial: str, outside: Outside) -> Held:
    """Hold a ledger against every checkpoint found in its folder and brought from elsewhere.

    Parameters
    ----------
    directory : Path
        The trial's folder.
    ledger : Ledger
        Its ledger, open.
    trial : str
        Its id.
    outside : Outside
        What was kept elsewhere.
    """
    checked: list[str] = []
    faults: list[tuple[str, str]] = []
    inside = [(path, False) for path in gathered(directory)]
    for path, brought in [*inside, *((path, True) for path in outside.files)]:
        name = str(path) if brought else path.relative_to(directory).as_posix()
        try:
            told = checkpoint_file(path)
        except CountingError as error:
            if brought:
                faults.append((name, error.found))
            continue
        fault = held(ledger, Checkpoint.of_json(told), trial)
        if brought and outside.public_key and not fault:
            fault = signature_fault(told, outside.public_key)
        checked.append(f"{name} of {told['entries']} entries")
        faults += [(name, fault)] if fault else []
    for text in outside.hashes:
        sentence, fault = find(ledger, text)
        checked += [sentence] if sentence else []
        faults += [(text, fault)] if fault else []
    return Held(tuple(checked), tuple(faults), ())


def gathered(directory: Path) -> Iterator[Path]:
    """Yield the files of a trial's folder that can carry a checkpoint, by name."""
    for pattern in _PLACES:
        yield from sorted(path for path in directory.glob(pattern) if path.is_file())


def checkpoint_file(path: Path) -> dict[str, Any]:
    """Return the checkpoint that a report, sheet, export, back-up or checkpoint file carries.

    Raises
    ------
    CountingError
        If it carries none.
    """
    try:
        if path.is_file() and zipfile.is_zipfile(path):
            told = _of_backup(path)
        elif path.suffix.lower() in {".html", ".htm"}:
            told = _of_page(read_text(path))
        else:
            value = strict_json(read_text(path))
            told = value.get("checkpoint", value) if isinstance(value, dict) else value
        Checkpoint.of_json(told)
    except (ValueError, RecursionError, KeyError, zipfile.BadZipFile, OSError) as error:
        expected = "a report, sheet, export, back-up or checkpoint of this tool"
        raise CountingError(path, "carries no checkpoint that can be read", expected) from error
    return dict(told)


def _of_backup(path: Path) -> Any:
    with zipfile.ZipFile(path) as packed:
        if packed.getinfo(BACKUP_LIST).file_size > MOST_LIST:
            message = "its list is far too large"
            raise ValueError(message)
        return strict_json(packed.read(BACKUP_LIST)).get("checkpoint")


def _of_page(text: str) -> Any:
    data = _DATA.search(text)
    if data:
        return strict_json(data[1]).get("checkpoint")
    printed = dict(_printed(text))
    last = printed["last entry"]
    point = Checkpoint(
        printed.get("trial", ""),
        int(printed["ledger entries"]),
        "0" * 64 if last == "none" else last,
        printed.get("written", ""),
    )
    return point.to_json()


def _printed(text: str) -> Iterable[tuple[str, str]]:
    """Yield what a report prints at its end, name and value."""
    for name, value in _PRINTED.findall(text):
        yield html.unescape(name), html.unescape(value)
