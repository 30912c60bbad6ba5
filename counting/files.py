"""Reading and writing files: hashes, atomic writes, paths that stay inside the trial."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import Any, BinaryIO

from counting.errors import CountingError

try:
    import fcntl
except ImportError:  # Windows, where a file that is open cannot be taken away
    fcntl = None  # type: ignore[assignment]

__all__ = [
    "canonical_json",
    "inside",
    "now",
    "read_text",
    "relative",
    "sha256_bytes",
    "sha256_file",
    "strict_json",
    "whole_file",
    "write_bytes",
    "write_text",
]

_CHUNK = 1 << 20
_MOST_TEXT = 512 << 20
"""Labels of some 100,000 photos with 50 fruit each (the largest published COCO file has 470 MB);
nothing else read as text is near it."""
_NO_LINK = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)


def now() -> str:
    """Return this moment as ISO 8601 text in UTC with offset, to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")


def sha256_bytes(data: bytes) -> str:
    """Return the SHA-256 of `data` as 64 hexadecimal digits."""
    return hashlib.sha256(data).hexdigest()


def sha256_file(path: Path) -> str:
    """Return the SHA-256 of a file as 64 hexadecimal digits, read in pieces."""
    digest = hashlib.sha256()
    with path.open("rb") as stream:
        while piece := stream.read(_CHUNK):
            digest.update(piece)
    return digest.hexdigest()


def canonical_json(value: Any) -> str:
    """Return `value` as JSON with one spelling: sorted keys, no spaces, no NaN.

    Raises
    ------
    ValueError
        If a number is NaN or infinite; use ``None`` for "not known".
    """
    return json.dumps(
        value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    )


def strict_json(text: str | bytes, *, finite: bool = True) -> Any:
    """Return the value of JSON text in which no key stands twice and every number is one.

    Of two values under one key each reader takes another; who wrote both hides one of them.

    Parameters
    ----------
    text : str or bytes
    finite : bool
        Refuse NaN and infinity, which are no JSON though many programs write them; false where the
        reader names the entry that holds one.

    Raises
    ------
    ValueError
        If it is no JSON, a key stands twice in one object, or a number is none.
    RecursionError
        If it is nested deeper than any file of ours.
    """
    constant = _no_number if finite else None
    return json.loads(text, object_pairs_hook=_each_once, parse_constant=constant)


def _each_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    value = dict(pairs)
    if len(value) < len(pairs):
        keys = [key for key, _ in pairs]
        message = f"the key {next(key for key in keys if keys.count(key) > 1)!r} stands twice"
        raise ValueError(message)
    return value


def _no_number(text: str) -> Any:
    message = f"{text} is no number"
    raise ValueError(message)


def read_text(path: Path) -> str:
    """Return a UTF-8 text file's content, without a byte order mark.

    Raises
    ------
    CountingError
        If the file is missing, no plain file (a pipe or a device would never end), far too large
        or not UTF-8.
    """
    try:
        state = path.stat()
        if not (stat.S_ISREG(state.st_mode) or stat.S_ISDIR(state.st_mode)):
            raise CountingError(path, "is no plain file", "a text file in UTF-8", "check the path")
        if state.st_size > _MOST_TEXT:
            expected = f"at most {_MOST_TEXT >> 20} MB"
            raise CountingError(path, "far too large for a text file", expected, "check the file")
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError as error:
        raise CountingError(path, "not found", mend="check the path") from error
    except (UnicodeDecodeError, ValueError) as error:
        mend = "save it again as UTF-8"
        raise CountingError(path, "not UTF-8 text", "a text file in UTF-8", mend) from error
    except OSError as error:
        found = f"could not be read ({error.strerror})"
        raise CountingError(path, found, mend="check the path") from error


def write_bytes(path: Path, data: bytes, *, replace: bool = False) -> None:
    """Write a file whole or not at all: to a temporary file, synced, then moved in place.

    Raises
    ------
    CountingError
        If the file exists and `replace` is false, or the disk refuses.
    """
    if path.exists() and not replace:
        raise CountingError(path, "exists already", mend="pass --replace to write over it")
    try:
        with whole_file(path) as stream:
            stream.write(data)
    except OSError as error:
        if error.errno in {errno.ENOSPC, errno.EDQUOT}:
            found = "not written: the disk is full"
            mend = f"free at least {len(data) // 1_000_000 + 1} MB there, then run it again"
            raise CountingError(path, found, mend=mend) from error
        found = f"could not be written ({error.strerror})"
        raise CountingError(path, found, mend="check the folder and the free space") from error


@contextmanager
def whole_file(path: Path) -> Iterator[BinaryIO]:
    """Open a file that takes its name only once all of it is written and synced.

    Until then it lies beside it under a hidden name. What a killed program left of the same file
    is cleared away; what another program is still writing is left to it.

    Parameters
    ----------
    path : Path
        The file; one that is there already is replaced. Its folder is made where it is missing.

    Yields
    ------
    binary stream
        To write to, and to read back from; after any exception nothing is left of it.

    Raises
    ------
    OSError
        If the disk refuses.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    stream, temporary = _hidden(path)
    try:
        yield stream
        stream.flush()
        os.fsync(stream.fileno())
        if not fcntl:
            stream.close()
        temporary.chmod(0o644)
        temporary.replace(path)
        _sync(path.parent)
    except BaseException:
        if not fcntl:
            with suppress(OSError):
                stream.close()
        temporary.unlink(missing_ok=True)
        raise
    finally:
        stream.close()  # gives the lock back, so only when the file has its name or is gone


def _hidden(path: Path) -> tuple[BinaryIO, Path]:
    """Open the first hidden file beside `path` that no living program is writing, emptied."""
    number = 0 if fcntl else os.getpid()
    while True:
        temporary = path.with_name(f".{path.name[:40]}.{number}.unfinished")
        number += 1
        try:
            handle = os.open(temporary, os.O_RDWR | os.O_CREAT | _NO_LINK, 0o600)
        except OSError as error:
            if error.errno == errno.ELOOP:  # a link laid there by somebody
                continue
            raise
        stream = os.fdopen(handle, "w+b")
        if _locked(handle) and _is(handle, temporary):
            stream.truncate()
            return stream, temporary
        stream.close()


def _sync(folder: Path) -> None:
    """Have the names in a folder on the disk too, so that a power cut does not lose a new one."""
    if fcntl:
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _locked(handle: int) -> bool:
    """Lock a file until its program closes it or ends, however it ends; False if another has it."""
    if fcntl:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        except OSError:  # a file system without locks; SQLite does not work there either
            return True
    return True


def _is(handle: int, path: Path) -> bool:
    """Whether an open file still has that name: another program may have given it its last one."""
    try:
        return os.path.samestat(os.fstat(handle), path.stat())
    except FileNotFoundError:
        return False


def write_text(path: Path, text: str, *, replace: bool = False) -> None:
    """Write UTF-8 text whole or not at all; see `write_bytes`."""
    write_bytes(path, text.encode("utf-8"), replace=replace)


def relative(directory: Path, path: Path) -> str:
    """Return `path` relative to `directory`, with forward slashes.

    Raises
    ------
    CountingError
        If the path, links followed, lies outside the folder.
    """
    try:
        return path.resolve().relative_to(directory.resolve()).as_posix()
    except ValueError as error:
        expected = f"a file inside {directory}"
        raise CountingError(path, "lies outside the trial", expected) from error


def inside(directory: Path, name: str) -> Path:
    """Return the path of a relative `name` inside `directory`.

    Raises
    ------
    CountingError
        If the name is absolute, climbs with ``..`` or follows a link out of the folder.
    """
    pure = PurePosixPath(name)
    path = directory / pure
    if pure.is_absolute() or ".." in pure.parts or "\0" in name or "\\" in name:
        raise CountingError(name, "not a plain relative path", f"a file inside {directory}")
    relative(directory, path)
    return path
