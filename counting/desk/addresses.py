"""The desk's addresses: one table, which also says what a phone that was let in may reach."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any, NamedTuple

from starlette.requests import Request
from starlette.responses import Response

from counting.desk.asked import Asked
from counting.desk.desk import Desk
from counting.desk.views import (
    answer,
    check,
    diary,
    home,
    keep,
    plan,
    plants,
    tags,
    tallies,
    walk,
    walk_page,
)

__all__ = ["GET", "POST", "STREAMED", "Address", "StreamedView", "View"]

View = Callable[[Desk, Asked], Response | dict[str, Any]]
StreamedView = Callable[[Desk, Request], Awaitable[Response]]


class Address(NamedTuple):
    """One address of the desk.

    Attributes
    ----------
    path : str
        With names in braces for its open places.
    view : callable
        Answers it.
    phones : bool
        Whether a phone that was let in may reach it. An address says so by itself, else it is
        closed: whoever walks or checks must not see which plant is of which group.
    """

    path: str
    view: Callable[..., Any]
    phones: bool = False


GET: tuple[Address, ...] = (
    Address("/", home.home, phones=True),
    Address("/new", plan.new),
    Address("/new/map.svg", plan.draft_map),
    Address("/new/show.json", plan.shows),
    Address("/t/{trial}", home.season_page),
    Address("/t/{trial}/work.json", home.work),
    Address("/t/{trial}/plan", plan.plan),
    Address("/t/{trial}/map.svg", plan.map_of),
    Address("/t/{trial}/plan/change", plan.change),
    Address("/t/{trial}/tags", tags.tags),
    Address("/t/{trial}/tags.pdf", tags.tags_file),
    Address("/t/{trial}/field-sheet.pdf", tags.field_pdf),
    Address("/t/{trial}/tallies.xlsx", tags.field_table_file),
    Address("/t/{trial}/walk", walk.walk),
    Address("/t/{trial}/walk/held.json", walk.held),
    Address("/t/{trial}/walk/arrived/{file:path}", walk.arrived),
    Address("/t/{trial}/go", walk_page.page, phones=True),
    Address("/t/{trial}/go/held.json", walk_page.held, phones=True),
    Address("/t/{trial}/walk-file", walk_page.file, phones=True),
    Address("/t/{trial}/check", check.check),
    Address("/t/{trial}/sheets/{file}", check.sheet_file),
    Address("/t/{trial}/answer", answer.answer),
    Address("/t/{trial}/answer.svg", answer.picture),
    Address("/t/{trial}/report.html", answer.report),
    Address("/t/{trial}/report-file", answer.report_file),
    Address("/t/{trial}/tables.zip", answer.tables_file),
    Address("/t/{trial}/tallies", tallies.tallies),
    Address("/t/{trial}/diary", diary.diary),
    Address("/t/{trial}/plants", plants.plants),
    Address("/t/{trial}/plant/{plant}", plants.plant),
    Address("/t/{trial}/photo/{photo}.jpg", plants.ringed),
    Address("/t/{trial}/keep", keep.keep),
    Address("/t/{trial}/copies/{file}", keep.backup_file),
)
POST: tuple[Address, ...] = (
    Address("/new", plan.create),
    Address("/demo", home.demo),
    Address("/shelf", home.shelf),
    Address("/phones", home.phones),
    Address("/t/{trial}/plan/again", plan.draw_again),
    Address("/t/{trial}/plan/amend", plan.amended),
    Address("/t/{trial}/work/stop", home.stop),
    Address("/t/{trial}/work/away", home.away),
    Address("/t/{trial}/walk/begin", walk.begin),
    Address("/t/{trial}/walk/propose", walk.go_on),
    Address("/t/{trial}/walk/day", walk.redated),
    Address("/t/{trial}/walk/give", walk.give),
    Address("/t/{trial}/walk/discard", walk.discard),
    Address("/t/{trial}/go/answers", walk_page.answers, phones=True),
    Address("/t/{trial}/check/start", check.start),
    Address("/t/{trial}/check/make", check.make),
    Address("/t/{trial}/check/confirm", check.confirm),
    Address("/t/{trial}/tallies/typed", tallies.typed),
    Address("/t/{trial}/tallies/read", tallies.sheet_read),
    Address("/t/{trial}/diary", diary.write),
    Address("/t/{trial}/diary/strike", diary.struck),
    Address("/t/{trial}/plant/{plant}/leave", plants.leave),
    Address("/t/{trial}/plant/{plant}/move", plants.moved),
    Address("/t/{trial}/plant/{plant}/rename", plants.renamed),
    Address("/t/{trial}/keep/audit", keep.begin_audit),
    Address("/t/{trial}/keep/backup", keep.begin_backup),
)
STREAMED: tuple[Address, ...] = (
    Address("/bring-back", keep.bring_back),
    Address("/t/{trial}/walk/put", walk.put),
    Address("/t/{trial}/go/piece", walk_page.piece, phones=True),
    Address("/t/{trial}/go/photo", walk_page.photo, phones=True),
    Address("/t/{trial}/tallies/sheet", tallies.sheet_in),
    Address("/t/{trial}/diary/sheet", diary.sheet_in),
)
"""What is posted piece by piece and never held whole in memory. The contact sheet lies beside,
under ``/t/{trial}/sheet/``; it is blind and open to phones."""
