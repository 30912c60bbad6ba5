"""A trial kept safe in one file, and brought back from it: whole, checked, told what is lost."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sqlite3
import stat
import tempfile
import time
import zipfile
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from counting import __version__
from counting.errors import CountingError, PlanError, Refusal
from counting.files import now, whole_file
from counting.ledger import LEDGER_NAME, SEAL_NAME, Checkpoint, Ledger, verify
from counting.ledger.facts import photos
from counting.ledger.seal import in_use, write_seal
from counting.photos.image import SUFFIXES
from counting.plan.trial import PLAN_NAME, load_trial
from counting.report.keeping.checkpoints import BACKUP_LIST

__all__ = ["FORMAT", "VERSION", "Kept", "back_up"]

FORMAT = "counting back-up"
VERSION = 1
_CHUNK = 1 << 20
_PACKED = frozenset({*SUFFIXES, ".zip", ".xlsx", ".ods"})
"""Endings of files that packing makes no smaller."""
_FIRST_YEAR = 1980
"""A ZIP file knows no earlier one."""
_PASSING = (f"{LEDGER_NAME}-wal", f"{LEDGER_NAME}-shm")
"""SQLite's own files beside a ledger in use; what they hold is in the copy."""
_ATTEMPTS = 5

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Kept:
    """What a back-up holds.

    Attributes
    ----------
    file : Path
    files, size : int
        How many files, and their bytes together.
    entries : int
        Entries of the ledger.
    left_out : tuple of Refusal
        What lies in the folder and could not be kept.
    lost : tuple of Refusal
        What the ledger names and is not there, or not as it was.
    """

    file: Path
    files: int
    size: int
    entries: int
    left_out: tuple[Refusal, ...]
    lost: tuple[Refusal, ...]


def back_up(
    directory: Path, target: Path, *, replace: bool = False, progress: Progress | None = None
) -> Kept:
    """Write all of a trial's folder into one ZIP file, and read it back before it gets its name.

    The ledger may be in use meanwhile: the copy holds the entries of one moment, and every photo
    that they name.

    Parameters
    ----------
    directory : Path
        The trial's folder; nothing in it is changed.
    target : Path
        The file.
    replace : bool
        Write over an earlier one.
    progress : callable, optional
        Called with files written and files to write.

    Raises
    ------
    CountingError
        If the folder holds no trial, the file exists and `replace` is false, or the disk refuses;
        nothing is left of it then.
    """
    if not (directory / PLAN_NAME).is_file() and not (directory / LEDGER_NAME).is_file():
        mend = f"check the path, or make the trial first: counting start {directory}"
        raise PlanError(directory, "no trial in it", f"a folder with {PLAN_NAME}", mend)
    if target.exists() and not replace:
        raise CountingError(target, "exists already", mend="pass --replace to write over it")
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        with tempfile.TemporaryDirectory(prefix="counting-") as beside:
            copies = _ledger(directory, Path(beside))
            point, lost = _state(directory, Path(beside))
            listed, left_out = _files(directory, target, copies)
            _room(target.parent, sum(path.stat().st_size for path in listed.values()))
            with whole_file(target) as stream:
                rows, gone = _write(stream, listed, progress)
                left_out += gone
                _finish(stream, rows, point)
                _read_back(target, stream, rows)
    except OSError as error:
        found = f"could not be written ({error.strerror})"
        raise CountingError(target, found, mend="check the folder and the free space") from error
    lost += _lost_photos(directory, {row["name"]: row["sha256"] for row in rows})
    size = sum(row["size"] for row in rows)
    return Kept(target, len(rows), size, point.entries, tuple(left_out), tuple(lost))


def _ledger(directory: Path, beside: Path) -> dict[str, Path]:
    """Copy ledger and seal as they are at one moment; return their copies by name."""
    path = directory / LEDGER_NAME
    if not path.is_file():
        return {}
    copies = {name: beside / name for name in (LEDGER_NAME, SEAL_NAME)}
    for _ in range(_ATTEMPTS):
        before = path.stat()
        if in_use(path):
            break
        for name, copy in copies.items():
            with suppress(FileNotFoundError):
                shutil.copyfile(directory / name, copy)
        after = path.stat()
        if (before.st_mtime_ns, before.st_size) == (after.st_mtime_ns, after.st_size):
            return {name: copy for name, copy in copies.items() if copy.exists()}
    try:
        with (
            closing(sqlite3.connect(path)) as ledger,
            closing(sqlite3.connect(beside / LEDGER_NAME)) as snapshot,
        ):
            ledger.backup(snapshot)
        if not verify(beside).faults:  # else the ledger's own seal is what tells of it
            (beside / SEAL_NAME).unlink(missing_ok=True)
            write_seal(beside / LEDGER_NAME)
    except sqlite3.Error as error:
        mend = f"run counting audit {directory}"
        raise CountingError(path, f"could not be copied ({error})", mend=mend) from error
    return {name: copy for name, copy in copies.items() if copy.exists()}


def _state(directory: Path, beside: Path) -> tuple[Checkpoint, list[Refusal]]:
    """Return the checkpoint of the copied ledger, and what is wrong with it."""
    try:
        trial = load_trial(directory).plan.id
    except CountingError:  # a plan that cannot be read is kept as it is, like all else
        trial = ""
    if not (beside / LEDGER_NAME).exists():
        return Checkpoint(trial, 0, "0" * 64, now()), []
    faults = [Refusal(LEDGER_NAME, fault) for fault in verify(beside).faults]
    try:
        with Ledger(beside) as ledger:
            return Checkpoint.of(ledger, trial), faults
    except CountingError:
        return Checkpoint(trial, 0, "0" * 64, now()), faults


def _files(
    directory: Path, target: Path, copies: dict[str, Path]
) -> tuple[dict[str, Path], list[Refusal]]:
    """Return the files to keep by their names in the trial, and what cannot be kept."""
    listed: dict[str, Path] = {}
    left_out: list[Refusal] = []
    for path in _walk(directory, left_out):
        name = path.relative_to(directory).as_posix()
        if path.name.endswith(".unfinished") or name in _PASSING:
            continue
        if _same(path, target) or (path.suffix.lower() == ".zip" and _is_backup(path)):
            continue
        try:
            name.encode("utf-8")
            if "\\" in name:
                left_out.append(Refusal(name, "its name holds the sign \\; rename it"))
                continue
            kind = path.lstat().st_mode
        except UnicodeEncodeError:
            left_out.append(Refusal(name, "its name is not UTF-8; rename it"))
            continue
        except OSError as error:
            left_out.append(Refusal(name, f"could not be read ({error.strerror})"))
            continue
        if stat.S_ISREG(kind):
            listed[name] = copies.get(name, path)
        else:
            left_out.append(Refusal(name, "a link, pipe or device; only plain files are kept"))
    return listed | copies, left_out


def _walk(folder: Path, left_out: list[Refusal]) -> Iterator[Path]:
    """Yield all that is no folder, by name; links are not followed."""
    try:
        found = sorted(folder.iterdir())
    except OSError as error:
        left_out.append(Refusal(str(folder), f"could not be read ({error.strerror})"))
        return
    for path in found:
        if path.is_dir() and not path.is_symlink():
            yield from _walk(path, left_out)
        else:
            yield path


def _same(path: Path, other: Path) -> bool:
    return path.absolute() == other.absolute()


def _is_backup(path: Path) -> bool:
    try:
        with zipfile.ZipFile(path) as packed:
            return BACKUP_LIST in packed.namelist()
    except (OSError, ValueError, zipfile.BadZipFile):
        return False


def _room(folder: Path, needed: int) -> None:
    free = shutil.disk_usage(folder).free
    if free < needed:
        found = f"the disk is full: {free // 1_000_000} MB are free"
        expected = f"{needed // 1_000_000 + 1} MB"
        raise CountingError(folder, found, expected, "free some, or write to another disk")


def _write(
    stream: Any, listed: dict[str, Path], progress: Progress | None
) -> tuple[list[dict[str, Any]], list[Refusal]]:
    """Write the files; what vanished or cannot be read meanwhile is left out and told."""
    rows: list[dict[str, Any]] = []
    gone: list[Refusal] = []
    with zipfile.ZipFile(stream, "w", allowZip64=True) as packed:
        for done, (name, path) in enumerate(listed.items(), start=1):
            try:
                source = path.open("rb")
            except OSError as error:
                gone.append(Refusal(name, f"could not be read ({error.strerror})"))
                continue
            with source:
                modified = os.fstat(source.fileno()).st_mtime
                packing = zipfile.ZIP_STORED if path.suffix.lower() in _PACKED else None
                try:
                    digest, size = _copy(source, packed, _info(name, modified, packing))
                except _CannotRead as error:  # what is in the file of it is not listed
                    gone.append(Refusal(name, f"could not be read ({error})"))
                    continue
            rows.append({"name": name, "size": size, "sha256": digest, "modified": int(modified)})
            if progress:
                progress(done, len(listed))
    return rows, gone


def _info(name: str, modified: float, packing: int | None) -> zipfile.ZipInfo:
    when = time.gmtime(max(modified, 0.0))[:6]
    info = zipfile.ZipInfo(name, max(when, (_FIRST_YEAR, 1, 1, 0, 0, 0)))
    info.compress_type = zipfile.ZIP_DEFLATED if packing is None else packing
    return info


def _copy(source: IO[bytes], packed: zipfile.ZipFile, info: zipfile.ZipInfo) -> tuple[str, int]:
    digest = hashlib.sha256()
    size = 0
    with packed.open(info, "w", force_zip64=True) as out:
        while piece := _piece(source):
            digest.update(piece)
            out.write(piece)
            size += len(piece)
    return digest.hexdigest(), size


class _CannotRead(Exception):
    """A file of the trial that fails while it is read, as on a failing disk."""


def _piece(source: IO[bytes]) -> bytes:
    try:
        return source.read(_CHUNK)
    except OSError as error:
        raise _CannotRead(error.strerror) from error


def _finish(stream: Any, rows: list[dict[str, Any]], point: Checkpoint) -> None:
    """Add the list of what the back-up holds."""
    told = {
        "format": FORMAT,
        "version": VERSION,
        "made_at": now(),
        "counting": __version__,
        "checkpoint": point.to_json(),
        "files": rows,
    }
    with zipfile.ZipFile(stream, "a") as packed:
        info = _info(BACKUP_LIST, time.time(), None)
        packed.writestr(info, json.dumps(told, ensure_ascii=False, indent=0))


def _read_back(target: Path, written: Any, rows: list[dict[str, Any]]) -> None:
    """Read every file out of the finished back-up once more.

    Raises
    ------
    CountingError
        If one is not as it was read from the trial: the disk or the memory is failing.
    """
    with zipfile.ZipFile(written) as packed:
        for row in rows:
            digest = hashlib.sha256()
            with packed.open(row["name"]) as stream:
                while piece := stream.read(_CHUNK):
                    digest.update(piece)
            if digest.hexdigest() != row["sha256"]:
                found = f"{row['name']} does not read back as it was written"
                raise CountingError(target, found, mend="write the back-up to another disk")


def _lost_photos(directory: Path, kept: dict[str, str]) -> list[Refusal]:
    """Return the photos that the ledger names and the back-up does not hold as they were."""
    lost = []
    with suppress(CountingError), Ledger(directory) as ledger:
        for photo in photos(ledger).values():
            if photo.file not in kept:
                lost.append(Refusal(photo.file, "the ledger names it, but it is not there"))
            elif kept[photo.file] != photo.sha256:
                lost.append(Refusal(photo.file, "changed since it was taken in"))
    return lost
