"""Laying a ledger out, and bringing one of an earlier version up to this one."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from importlib.resources import files
from pathlib import Path

from counting.errors import LedgerError

__all__ = ["MIGRATIONS", "SCHEMA_VERSION", "lay_out", "schema", "statements"]

SCHEMA_VERSION = 1
MIGRATIONS: Mapping[int, str] = {}
"""SQL that brings a ledger of the version named up by one. It may add tables, columns and views,
never change an entry: the chain of hashes would not hold."""


def lay_out(database: sqlite3.Connection, path: Path) -> bool:
    """Lay out a new file, or bring an older one up to date after a copy was made of it.

    Parameters
    ----------
    database : Connection
        Open, in autocommit mode.
    path : Path
        The ledger's file; its copy is put beside it.

    Returns
    -------
    bool
        Whether anything was written.

    Raises
    ------
    LedgerError
        If the file is no ledger or of a version that is not known here.
    """
    version = _version(database)
    if version == SCHEMA_VERSION:
        return False
    if 0 < version < SCHEMA_VERSION:
        _keep_copy(database, path, version)
    database.execute("BEGIN IMMEDIATE")
    try:
        # another program may have been faster
        version = _version(database)
        changed = version != SCHEMA_VERSION
        if version == 0 and not _tables(database):
            _run(database, schema())
            version = SCHEMA_VERSION
        while 0 < version < SCHEMA_VERSION and version in MIGRATIONS:
            _run(database, MIGRATIONS[version])
            version += 1
        if version == SCHEMA_VERSION and changed:
            database.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
        database.execute("COMMIT")
    except BaseException:
        if database.in_transaction:
            database.execute("ROLLBACK")
        raise
    if version != SCHEMA_VERSION:
        expected = f"version {SCHEMA_VERSION}"
        mend = "use the version of the tool that wrote it, or a newer one"
        found = f"a ledger of version {version}" if version else "a database, but no ledger"
        raise LedgerError(path, found, expected, mend)
    return changed


def schema() -> str:
    """Return the SQL that lays out a ledger of this version."""
    return files("counting.ledger").joinpath("schema.sql").read_text(encoding="utf-8")


def statements(script: str) -> Iterator[str]:
    """Yield a script's statements one by one, so that they run inside one transaction."""
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""


def _run(database: sqlite3.Connection, script: str) -> None:
    for statement in statements(script):
        database.execute(statement)


def _version(database: sqlite3.Connection) -> int:
    return int(database.execute("PRAGMA user_version").fetchone()[0])


def _tables(database: sqlite3.Connection) -> int:
    return int(database.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0])


def _keep_copy(database: sqlite3.Connection, path: Path, version: int) -> None:
    """Copy a ledger beside itself before it is migrated; an older copy is never written over."""
    number = 1
    while (copy := path.with_name(f"{path.stem}-version-{version}-copy-{number}.sqlite")).exists():
        number += 1
    target = sqlite3.connect(copy)
    try:
        database.backup(target)
    finally:
        target.close()
