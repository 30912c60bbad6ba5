"""The plan as it stood, and which plants the ledger speaks of."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, Self

from counting.ledger.facts.exclusion import LeftOut
from counting.ledger.facts.photo import Photo
from counting.ledger.facts.tally import Tally
from counting.ledger.store import EntryKind

__all__ = ["RENAMED", "PlanRecord", "facts_by_plant"]

RENAMED = "renamed to"
"""How the note of a tally begins whose plant has another code now."""


@dataclass(frozen=True, slots=True)
class PlanRecord:
    """The plan's files as they were when the trial began, or from a later change on.

    Attributes
    ----------
    plan, plants : str
        Text of ``trial.toml`` and of ``plants.csv``.
    hashes : mapping
        File name to the SHA-256 of its bytes.
    why : str
        What was changed later, and why; empty for the plan of the beginning.
    """

    kind: ClassVar[EntryKind] = "trial"

    plan: str
    plants: str
    hashes: Mapping[str, str] = field(default_factory=dict)
    why: str = ""

    @property
    def key(self) -> str:
        """The ledger's key."""
        return "trial"

    @classmethod
    def of_body(cls, body: Mapping[str, Any]) -> Self:
        """Return the plan that a body holds."""
        hashes, why = body.get("hashes", {}), str(body.get("why", ""))
        return cls(str(body["plan"]), str(body["plants"]), hashes, why)

    def to_body(self) -> dict[str, Any]:
        """Return the plan as the ledger keeps it."""
        body = {"plan": self.plan, "plants": self.plants, "hashes": dict(self.hashes)}
        return body | ({"why": self.why} if self.why else {})


def facts_by_plant(
    photos: list[Photo], tallies: list[Tally], out: LeftOut
) -> dict[str, dict[str, int]]:
    """Return, for each plant that facts stand for, how many photos and tallies there are."""
    counted: dict[str, Counter[str]] = {}
    for photo in photos:
        if not out.photo(photo.photo):
            counted.setdefault(photo.plant, Counter())["photos"] += 1
    for tally in tallies:
        if not tally.note.startswith(RENAMED):
            counted.setdefault(tally.plant, Counter())["tallies"] += 1
    return {plant: dict(each) for plant, each in counted.items()}
