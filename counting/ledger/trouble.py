"""What hinders a ledger, and what a person can do about it that does no harm."""

from __future__ import annotations

import errno
import shutil
import sqlite3
from pathlib import Path

from counting.errors import LedgerError

__all__ = ["cannot_write", "trouble"]

_NO_ROOM = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})
_LEAST = 1 << 20
"""Bytes free below which a disk counts as full: an entry with its journal takes some 100 kB."""
_ASKED_MB = 20
"""What to free: the journal of a large file of corrections, and a page or two beside it."""


def cannot_write(error: sqlite3.Error) -> bool:
    """Whether SQLite fails because nothing can be written: a full disk or a read-only folder."""
    name = _name(error)
    return name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_FULL", "SQLITE_IOERR"))


def trouble(path: Path, what: str, error: Exception, expected: str = "") -> LedgerError:
    """Return the error that names the cause and a mend that fits it.

    Parameters
    ----------
    path : Path
        The ledger.
    what : str
        What did not come about.
    error : Exception
        What SQLite or the system said.
    expected : str
        What should have been there.
    """
    folder = path.parent
    name = _name(error)
    if name == "SQLITE_FULL" or _is_full(folder, error, name):
        mend = (
            f"free at least {_ASKED_MB} MB on the disk that holds {folder}, but delete nothing in "
            "it; what was written before is kept and can be read; then run it again"
        )
        return LedgerError(path, f"the disk is full: {what}", mend=mend)
    if name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN")):
        mend = f"make {folder} writable, or copy the whole folder to where you may write"
        return LedgerError(path, f"the folder is read-only: {what}", mend=mend)
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        mend = "wait for the other program, then run it again"
        return LedgerError(path, f"another program has it: {what}", mend=mend)
    mend = f"run counting audit {folder}; if it is damaged, counting restore a back-up of it"
    return LedgerError(path, f"{what} ({error})", expected, mend)


def _name(error: Exception) -> str:
    return str(getattr(error, "sqlite_errorname", ""))


def _is_full(folder: Path, error: Exception, name: str) -> bool:
    if isinstance(error, OSError) and error.errno in _NO_ROOM:
        return True
    if not name.startswith("SQLITE_IOERR"):
        return False
    try:
        return shutil.disk_usage(folder).free < _LEAST
    except OSError:
        return False
