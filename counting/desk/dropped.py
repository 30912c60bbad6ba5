"""A table that was dropped on a page: received whole and bounded, before a room reads it."""

from __future__ import annotations

import asyncio
import tempfile
from collections.abc import Callable
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from counting.desk.asked import LARGEST_FORM
from counting.desk.desk import Desk
from counting.desk.spoken import spoken
from counting.errors import CountingError

__all__ = ["Refused", "dropped_table", "received"]

_ENDINGS = {".csv", ".xlsx", ".ods"}
_LARGEST = 10 * LARGEST_FORM
_LONGEST_S = 120.0
"""Time for a dropped table; the largest takes that at 1.3 Mbit/s."""


class Refused(Exception):
    """What was dropped is no table that can be read, in words for the page."""

    def __init__(self, name: str, why: str) -> None:
        super().__init__(f"{name}: {why}")


async def received(desk: Desk, request: Request, name: str) -> bytes:
    """Return the bytes of a dropped table.

    Raises
    ------
    Refused
        If it is no table by its name, too large, or comes too slowly.
    """
    if Path(name).suffix.lower() not in _ENDINGS:
        raise Refused(name, "expected a CSV, XLSX or ODS table")
    body = bytearray()
    try:
        async with desk.tables, asyncio.timeout(_LONGEST_S):
            async for piece in request.stream():
                body += piece
                if len(body) > _LARGEST:
                    raise Refused(name, "too large for a table")
    except TimeoutError:
        raise Refused(name, "it came too slowly; drop it again") from None
    return bytes(body)


async def dropped_table(
    desk: Desk, request: Request, name: str, take: Callable[[Path], list[str]]
) -> Response:
    """Take a dropped table in at once, and answer with what a person should know.

    Parameters
    ----------
    desk : Desk
    request : Request
    name : str
        As the browser names the file.
    take : callable
        Takes the path where the table lies, returns what was done.
    """

    def taken(body: bytes) -> list[str]:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / f"table{Path(name).suffix.lower()}"
            path.write_bytes(body)
            return take(path)

    try:
        said = await run_in_threadpool(taken, await received(desk, request, name))
    except Refused as fault:
        return JSONResponse({"refused": str(fault)})
    except CountingError as error:
        return JSONResponse({"refused": spoken(f"{name}: {error.found}; {error.mend}")})
    return JSONResponse({"said": said})
