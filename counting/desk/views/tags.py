"""Tags and sheets to print."""

from __future__ import annotations

from starlette.responses import Response

from counting.desk.asked import Asked
from counting.desk.desk import Desk
from counting.errors import CountingError
from counting.files import write_bytes
from counting.plan.field_sheet import FieldSheet, field_sheet_pdf, field_table, table_file
from counting.plan.print_shop import Paper
from counting.plan.tags import tagged, tags_pdf

__all__ = ["field_pdf", "field_table_file", "tags", "tags_file"]

_PDF = "application/pdf"
_XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def tags(desk: Desk, asked: Asked) -> Response:
    """Show what to print, and how to hang it."""
    trial = desk.trial(asked.trial)
    command = f"counting tags {trial.directory.name}; counting field-sheet {trial.directory.name}"
    try:
        number, fault = len(tagged(trial)), ""
    except CountingError as error:
        number, fault = 0, str(error)
    return desk.trial_page(
        "tags.html",
        trial,
        here="tags",
        number=number,
        fault=fault,
        command=command,
    )


def tags_file(desk: Desk, asked: Asked) -> Response:
    """Return the tags as a PDF; it is kept in the trial's folder, as the command does."""
    trial = desk.trial(asked.trial)
    data = tags_pdf(trial, paper=_paper(asked))
    write_bytes(trial.directory / "tags.pdf", data, replace=True)
    return Response(data, media_type=_PDF, headers=_named("tags.pdf"))


def field_pdf(desk: Desk, asked: Asked) -> Response:
    """Return the sheet for hand counts as a PDF."""
    data = field_sheet_pdf(desk.trial(asked.trial), FieldSheet(paper=_paper(asked)))
    return Response(data, media_type=_PDF, headers=_named("field-sheet.pdf"))


def field_table_file(desk: Desk, asked: Asked) -> Response:
    """Return the table with the same columns, to be filled in on a computer."""
    data = table_file(field_table(desk.trial(asked.trial), FieldSheet()), "xlsx")
    headers = {"Content-Disposition": 'attachment; filename="tallies.xlsx"'}
    return Response(data, media_type=_XLSX, headers=headers)


def _paper(asked: Asked) -> Paper:
    return "letter" if asked.query.get("paper") == "letter" else "a4"


def _named(name: str) -> dict[str, str]:
    return {"Content-Disposition": f'inline; filename="{name}"'}
