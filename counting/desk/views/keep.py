"""Safe keeping: the audit by a button, and a copy of the whole trial to keep elsewhere."""

from __future__ import annotations

from starlette.responses import Response

from counting.desk.asked import Asked
from counting.desk.desk import Desk
from counting.desk.work import Piece
from counting.report.audit import audit

__all__ = ["begin_audit", "keep"]


def keep(desk: Desk, asked: Asked) -> Response:
    """Show what keeps the trial safe."""
    trial = desk.trial(asked.trial)
    return desk.trial_page(
        "keep.html", trial, here="keep", command=f"counting audit {trial.directory.name}"
    )


def begin_audit(desk: Desk, asked: Asked) -> Response:
    """Audit the trial behind the page."""
    trial = desk.trial(asked.trial)

    def task(piece: Piece) -> None:
        found = audit(trial.directory, progress=piece.moved)
        piece.said += [line.strip() for check in found.checks for line in check.lines()]
        faults = len(found.faults)
        piece.said.append("All is well." if not faults else f"{faults} things are not as written.")

    desk.work.start(asked.trial, "Following every number back", task)
    return desk.go("t", asked.trial, "keep")
