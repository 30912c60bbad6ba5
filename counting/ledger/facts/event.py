"""One line of the diary."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, ClassVar, Self

from counting.files import canonical_json, sha256_bytes
from counting.ledger.store import EntryKind

__all__ = ["Event"]

_TOLD = (
    "event", "at", "kind", "scope", "product", "product_parts", "water_parts", "ml_per_litre",
    "amount_litre", "weather", "by", "note", "low_c", "high_c",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Event:
    """One dated event.

    Attributes
    ----------
    event : str
        Its id.
    at : str
        Date, or date and time, ISO 8601.
    kind_of : str
        A word of `counting.records.diary.KINDS`.
    scope : str
        Group, block, plot or plant that it touched; empty for the whole trial.
    product, weather, by, note : str
    product_parts, water_parts, ml_per_litre, amount_litre : float or None
    dilution : str
        As it was written; empty without one.
    low_c, high_c : float or None
        Lowest and highest temperature of the day, degrees Celsius.
    struck : bool
        Taken out of the diary again.
    why : str
        The reason for that.
    """

    kind: ClassVar[EntryKind] = "event"

    at: str
    kind_of: str
    scope: str = ""
    product: str = ""
    product_parts: float | None = None
    water_parts: float | None = None
    ml_per_litre: float | None = None
    amount_litre: float | None = None
    weather: str = ""
    by: str = ""
    note: str = ""
    dilution: str = ""
    low_c: float | None = None
    high_c: float | None = None
    event: str = ""
    struck: bool = False
    why: str = ""

    @property
    def key(self) -> str:
        """The ledger's key."""
        return self.event

    @property
    def row(self) -> dict[str, Any]:
        """The event as a row of `counting.tables.EVENTS`."""
        body = self.to_body()
        return {name: body.get(name) for name in _TOLD}

    def named(self, event: str = "") -> Event:
        """Return it with an id: the one given, else one that follows from what it says."""
        body = self.to_body()
        del body["event"]
        own = sha256_bytes(canonical_json(body).encode("utf-8"))[:16]
        return replace(self, event=event or own)

    @classmethod
    def of_body(cls, body: Mapping[str, Any]) -> Self:
        """Return the event that a body tells of."""
        return cls(
            at=body["at"],
            kind_of=body["kind"],
            scope=body.get("scope", ""),
            product=body.get("product", ""),
            product_parts=body.get("product_parts"),
            water_parts=body.get("water_parts"),
            ml_per_litre=body.get("ml_per_litre"),
            amount_litre=body.get("amount_litre"),
            weather=body.get("weather", ""),
            by=body.get("by", ""),
            note=body.get("note", ""),
            dilution=body.get("dilution", ""),
            low_c=body.get("low_c"),
            high_c=body.get("high_c"),
            event=body["event"],
            struck=body.get("struck", False),
            why=body.get("why", ""),
        )

    def to_body(self) -> dict[str, Any]:
        """Return the event as the ledger keeps it."""
        body: dict[str, Any] = {
            "event": self.event,
            "at": self.at,
            "kind": self.kind_of,
            "scope": self.scope,
            "product": self.product,
            "product_parts": self.product_parts,
            "water_parts": self.water_parts,
            "ml_per_litre": self.ml_per_litre,
            "amount_litre": self.amount_litre,
            "weather": self.weather,
            "by": self.by,
            "note": self.note,
        }
        if self.dilution:
            body["dilution"] = self.dilution
        # left out where not told, so that an event of an older version keeps its id
        told = {"low_c": self.low_c, "high_c": self.high_c}
        body |= {name: value for name, value in told.items() if value is not None}
        if self.struck:
            body |= {"struck": True, "why": self.why}
        return body
