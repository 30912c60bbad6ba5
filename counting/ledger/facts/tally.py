"""A hand tally: one value of one measure that a person counted or measured."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, ClassVar, Self

from counting.ledger.facts.times import moment
from counting.ledger.store import EntryKind

__all__ = ["Tally", "newest_tallies"]


@dataclass(frozen=True, slots=True)
class Tally:
    """One value of one measure on one plant or truss at one survey.

    Attributes
    ----------
    survey, plant : str
        ISO date and code.
    measure : str
        A word of `counting.measures.MEASURES`, or the plan's own.
    value : float or None
        None when missing, with the reason in `note`.
    unit : str
    truss : int or None
        None for the whole plant.
    by, at, note : str
        Who, when, and what to know about it.
    source : str
        Always tally today.
    seq : int
        Its place in the ledger's chain; 0 while it stands in none. Not part of the body.
    told_at : str
        When the ledger took it in; empty while it stands in none. Not part of the body.
    """

    kind: ClassVar[EntryKind] = "observation"

    survey: str
    plant: str
    measure: str
    value: float | None
    unit: str
    truss: int | None = None
    by: str = ""
    at: str = ""
    note: str = ""
    source: str = "tally"
    seq: int = field(default=0, compare=False)
    told_at: str = field(default="", compare=False)

    @property
    def key(self) -> str:
        """The ledger's key: of one counter the newest value of the same thing stands."""
        truss = "" if self.truss is None else str(self.truss)
        return "|".join((self.survey, self.plant, truss, self.measure, self.source, self.by))

    @property
    def of_what(self) -> tuple[str, str, int | None, str]:
        """What was counted, whoever counted it: survey, plant, truss, measure."""
        return (self.survey, self.plant, self.truss, self.measure)

    @property
    def row(self) -> dict[str, Any]:
        """The tally as a row of `counting.tables.OBSERVATIONS`, without the plan's columns."""
        return self.to_body() | {"by": (self.by,) if self.by else ()}

    @classmethod
    def of_body(cls, body: Mapping[str, Any], seq: int = 0, told_at: str = "") -> Self:
        """Return the tally that a body tells of, written at a place in the chain and a time."""
        return cls(
            survey=body["survey"],
            plant=body["plant"],
            measure=body["measure"],
            value=body["value"],
            unit=body.get("unit", ""),
            truss=body.get("truss"),
            by=body.get("by", ""),
            at=body.get("at", ""),
            note=body.get("note", ""),
            source=body.get("source", "tally"),
            seq=seq,
            told_at=told_at,
        )

    def to_body(self) -> dict[str, Any]:
        """Return the tally as the ledger keeps it."""
        return {
            "survey": self.survey,
            "plant": self.plant,
            "truss": self.truss,
            "measure": self.measure,
            "value": self.value,
            "unit": self.unit,
            "source": self.source,
            "by": self.by,
            "at": self.at,
            "note": self.note,
        }


def newest_tallies(tallies: Iterable[Tally]) -> list[Tally]:
    """Return the tally that stands for each thing counted: of two people's the newest.

    In the order in which the things came first. What carries no time of its own, as most of what
    is typed or comes in a spreadsheet, is as old as its entry in the ledger: so a correction
    stands, whoever makes it.
    """
    newest: dict[tuple[str, str, int | None, str], Tally] = {}
    for tally in tallies:
        before = newest.get(tally.of_what)
        if before is None or _rank(tally) > _rank(before):
            newest[tally.of_what] = tally
    return list(newest.values())


def _rank(tally: Tally) -> tuple[datetime, int, str]:
    return (moment(tally.at or tally.told_at), tally.seq, tally.by)
