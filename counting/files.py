"""Reading and writing files: hashes, atomic writes, paths that stay inside the trial."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import Any

from counting.errors import CountingError

__all__ = [
    "canonical_json",
    "inside",
    "now",
    "read_text",
    "relative",
    "sha256_bytes",
    "sha256_file",
    "write_bytes",
    "write_text",
]

_CHUNK = 1 << 20


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


def read_text(path: Path) -> str:
    """Return a UTF-8 text file's content, without a byte order mark.

    Raises
    ------
    CountingError
        If the file is missing or is not UTF-8.
    """
    try:
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
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:40]}.")
        temporary = Path(name)
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            temporary.chmod(0o644)
            temporary.replace(path)
        except BaseException:
            temporary.unlink(missing_ok=True)
            raise
    except OSError as error:
        found = f"could not be written ({error.strerror})"
        raise CountingError(path, found, mend="check the folder and the free space") from error


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
