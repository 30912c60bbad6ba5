"""Safe keeping: the audit by a button, a copy to keep elsewhere, and the way back from one."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response

from counting.desk.asked import Asked
from counting.desk.desk import Desk
from counting.desk.work import Piece
from counting.errors import CountingError
from counting.report.keeping.audit import audit
from counting.report.keeping.back_up import back_up
from counting.report.keeping.restore import restore

__all__ = ["backup_file", "begin_audit", "begin_backup", "bring_back", "keep"]

_LARGEST = 200_000_000_000
"""Bytes of a back-up that is brought back: 20,000 photos of 10 MB."""


def keep(desk: Desk, asked: Asked) -> Response:
    """Show what keeps the trial safe."""
    trial = desk.trial(asked.trial)
    name = trial.directory.name
    return desk.trial_page(
        "keep.html",
        trial,
        here="keep",
        copies=[path.name for path in _copies(desk, name)],
        command=f"counting audit {name}; counting back-up {name} {name}.zip",
    )


def _copies(desk: Desk, name: str) -> list[Path]:
    return sorted(desk.shelf.folder.glob(f"{name}-back-up-*.zip"), reverse=True)


def begin_audit(desk: Desk, asked: Asked) -> Response:
    """Audit the trial behind the page."""
    trial = desk.trial(asked.trial)

    def task(piece: Piece) -> None:
        found = audit(trial.directory, progress=piece.moved)
        piece.said += [line.strip() for check in found.checks for line in check.lines()]
        faults = len(found.faults)
        piece.said.append("All is well." if not faults else f"{faults} things are not as written.")

    desk.work.start(asked.trial, "Following every number back", task, page="keep")
    return desk.go("t", asked.trial, "keep")


def begin_backup(desk: Desk, asked: Asked) -> Response:
    """Keep the whole trial in one file beside its folder, behind the page."""
    trial = desk.trial(asked.trial)
    name = f"{trial.directory.name}-back-up-{date.today().isoformat()}.zip"
    target = desk.shelf.folder / name

    def task(piece: Piece) -> None:
        kept = back_up(trial.directory, target, replace=True, progress=piece.moved)
        piece.said.append(f"{kept.files} files, {kept.size / 1e6:.0f} MB, read back: {name}")
        piece.left_out += [(each.item, each.reason) for each in (*kept.left_out, *kept.lost)]

    desk.work.start(asked.trial, "Keeping a copy", task, page="keep")
    return desk.go("t", asked.trial, "keep")


def backup_file(desk: Desk, asked: Asked) -> Response:
    """Return a copy, to be kept elsewhere."""
    known = {path.name: path for path in _copies(desk, asked.trial)}
    name = asked.path["file"]
    if name not in known:
        return Response("no such copy", 404)
    return FileResponse(known[name], media_type="application/zip", filename=name)


async def bring_back(desk: Desk, request: Request) -> Response:
    """Bring a trial back from a copy that was dropped, into a folder of its own."""
    name = Path(request.query_params.get("name", "")).name
    title = re.sub(r"-back-up-\d{4}-\d{2}-\d{2}", "", Path(name).stem)
    desk.shelf.folder.mkdir(parents=True, exist_ok=True)
    part = desk.shelf.folder / ".bringing-back.zip"
    size = 0
    try:
        with part.open("wb") as file:
            async for piece in request.stream():
                size += len(piece)
                if size > _LARGEST:
                    return JSONResponse({"refused": f"{name}: too large for a back-up"})
                file.write(piece)
        target = desk.shelf.free(title)
        try:
            found = await run_in_threadpool(restore, part, target)
        except CountingError as error:
            return JSONResponse({"refused": f"{name}: {error.found}; {error.mend}"})
    finally:
        part.unlink(missing_ok=True)
    said = [f"{found.files} files and {found.entries} entries of the ledger are back: {target}"]
    said += [f"Lost: {each.item}: {each.reason}" for each in found.lost]
    return JSONResponse({"said": said, "trial": desk.to("t", target.name)})
