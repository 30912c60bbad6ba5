"""A trial brought back out of a back-up: every file held against the list, what is lost told."""

from __future__ import annotations

import hashlib
import os
import shutil
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from counting.errors import CountingError, Refusal
from counting.files import inside, strict_json
from counting.ledger import LEDGER_NAME, Checkpoint, Ledger, verify
from counting.report.keeping.back_up import FORMAT, VERSION
from counting.report.keeping.checkpoints import BACKUP_LIST, MOST_LIST

__all__ = ["Restored", "restore"]

_CHUNK = 1 << 20
_BROKEN = (zipfile.BadZipFile, zlib.error, EOFError, ValueError, NotImplementedError, RuntimeError)
"""What a damaged ZIP file can raise while it is read."""
_EXPECTED = "a file that counting back-up wrote"


@dataclass(frozen=True, slots=True)
class Restored:
    """What came back.

    Attributes
    ----------
    directory : Path
    files, entries : int
        Files written, entries of the ledger.
    made_at : str
        When the back-up was made.
    lost : tuple of Refusal
        What the back-up lists and does not hold whole.
    """

    directory: Path
    files: int
    entries: int
    made_at: str
    lost: tuple[Refusal, ...]


def restore(
    source: Path, directory: Path, *, progress: Callable[[int, int], None] | None = None
) -> Restored:
    """Bring a trial back into a new folder; what is damaged in the back-up is left out and told.

    The folder gets its name once all of it is written.

    Parameters
    ----------
    source : Path
        The back-up.
    directory : Path
        The folder, which must not exist or be empty: nothing is ever written over.
    progress : callable, optional
        Called with files written and files to write.

    Raises
    ------
    CountingError
        If the file is no back-up, the folder holds something, or the disk refuses.
    """
    try:
        if directory.exists() and (not directory.is_dir() or any(directory.iterdir())):
            mend = "name a new folder; nothing is written over"
            raise CountingError(directory, "exists already", mend=mend)
        if not source.is_file():
            raise CountingError(source, "not found", _EXPECTED, "check the path")
        with zipfile.ZipFile(source) as packed:
            told = _list(source, packed)
            beside = directory.absolute().with_name(f".{directory.name[:80]}.unfinished")
            if beside.exists():  # of a restore that was killed
                shutil.rmtree(beside)
            directory.absolute().parent.mkdir(parents=True, exist_ok=True)
            _room(directory.absolute().parent, sum(row["size"] for row in told["files"]))
            lost, written = _unpack(packed, told["files"], beside, progress)
            lost += _ledger(beside, told)
            lost += _unlisted(packed, told["files"])
        if directory.exists():
            directory.rmdir()
        beside.replace(directory)
    except OSError as error:
        found = f"could not be restored ({error.strerror})"
        raise CountingError(directory, found, mend="check the disk and its free space") from error
    except _BROKEN as error:
        found = f"not a back-up that can be read ({type(error).__name__})"
        raise CountingError(source, found, _EXPECTED, "take an older back-up") from error
    entries = int(told["checkpoint"]["entries"])
    return Restored(directory, written, entries, str(told.get("made_at", "")), tuple(lost))


def _list(source: Path, packed: zipfile.ZipFile) -> dict[str, Any]:
    """Return the back-up's list.

    Raises
    ------
    CountingError
        If there is none that this version reads.
    """
    if BACKUP_LIST not in packed.namelist():
        raise CountingError(source, "a ZIP file, but no back-up", _EXPECTED)
    if packed.getinfo(BACKUP_LIST).file_size > MOST_LIST:
        raise CountingError(source, "its list is far too large", _EXPECTED)
    told = strict_json(packed.read(BACKUP_LIST))
    if not isinstance(told, dict) or told.get("format") != FORMAT or told.get("version") != VERSION:
        mend = "use the version of the tool that wrote it, or a newer one"
        raise CountingError(source, "a list that this version does not read", _EXPECTED, mend)
    Checkpoint.of_json(told.get("checkpoint"))
    rows = told.get("files")
    shaped = isinstance(rows, list) and all(
        isinstance(row, dict)
        and isinstance(row.get("name"), str)
        and isinstance(row.get("sha256"), str)
        and type(row.get("size")) is int
        and type(row.get("modified")) is int
        and row["size"] >= 0
        for row in rows
    )
    names = [row["name"] for row in rows] if isinstance(rows, list) and shaped else []
    if not shaped or len(set(names)) != len(names):
        raise CountingError(source, "its list is damaged", _EXPECTED, "take an older back-up")
    return told


def _unlisted(packed: zipfile.ZipFile, rows: list[dict[str, Any]]) -> list[Refusal]:
    """Name what the file holds beside its list: nothing vouches for that, so it stays out."""
    # as a ZIP file keeps them
    listed = {BACKUP_LIST, *(row["name"].partition("\0")[0] for row in rows)}
    reason = "in the back-up, but not in its list: not brought back"
    return [Refusal(name, reason) for name in packed.namelist() if name not in listed]


def _room(folder: Path, needed: int) -> None:
    free = shutil.disk_usage(folder).free
    if free < needed:
        found = f"the disk is full: {free // 1_000_000} MB are free"
        expected = f"{needed // 1_000_000 + 1} MB"
        raise CountingError(folder, found, expected, "free some, or restore to another disk")


def _unpack(
    packed: zipfile.ZipFile,
    rows: list[dict[str, Any]],
    beside: Path,
    progress: Callable[[int, int], None] | None,
) -> tuple[list[Refusal], int]:
    """Write the files that are whole; return what is not, and how many were written."""
    lost = []
    beside.mkdir()
    for done, row in enumerate(rows, start=1):
        try:
            path = inside(beside, row["name"])
            if path == beside:
                raise CountingError(row["name"], "no file's name")
            path.parent.mkdir(parents=True, exist_ok=True)
            if not _copied(packed, row, path):
                lost.append(Refusal(row["name"], "damaged in the back-up"))
        except CountingError as error:
            lost.append(Refusal(row["name"], error.found))
        except KeyError:
            lost.append(Refusal(row["name"], "not in the back-up, though it is listed"))
        except (FileExistsError, NotADirectoryError):
            lost.append(Refusal(row["name"], "another file stands where it belongs"))
        if progress:
            progress(done, len(rows))
    return lost, len(rows) - len(lost)


def _copied(packed: zipfile.ZipFile, row: dict[str, Any], path: Path) -> bool:
    """Write one file; return False, and leave nothing of it, if it is not as listed."""
    digest = hashlib.sha256()
    size = 0
    try:
        with packed.open(row["name"]) as stream, path.open("xb") as out:
            # a damaged header may promise any length
            while size <= row["size"] and (piece := stream.read(_CHUNK)):
                digest.update(piece)
                out.write(piece)
                size += len(piece)
            out.flush()
            os.fsync(out.fileno())
    except _BROKEN:
        size = -1
    if size != row["size"] or digest.hexdigest() != row["sha256"]:
        path.unlink(missing_ok=True)
        return False
    os.utime(path, (row["modified"], row["modified"]))
    return True


def _ledger(beside: Path, told: dict[str, Any]) -> list[Refusal]:
    """Hold the restored ledger against its own chain, its seal and the back-up's checkpoint."""
    point = Checkpoint.of_json(told["checkpoint"])
    if not (beside / LEDGER_NAME).is_file():
        missing = point.entries and LEDGER_NAME not in {row["name"] for row in told["files"]}
        return [Refusal(LEDGER_NAME, "not in the back-up")] if missing else []
    lost = [Refusal(LEDGER_NAME, fault) for fault in verify(beside).faults]
    if not lost:
        with Ledger(beside) as ledger:
            if ledger.head() != (point.entries, point.last):
                lost.append(Refusal(LEDGER_NAME, "is not the one that the back-up was made of"))
    return lost
