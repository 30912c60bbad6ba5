"""What a trial has one of: the plan as it stood, and the numbers learnt from its own photos."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, Self

from counting.ledger.store import EntryKind

__all__ = ["PlanRecord", "Tuning"]


@dataclass(frozen=True, slots=True)
class PlanRecord:
    """The plan's files as they were when the trial began.

    Attributes
    ----------
    plan, plants : str
        Text of ``trial.toml`` and of ``plants.csv``.
    hashes : mapping
        File name to the SHA-256 of its bytes.
    """

    kind: ClassVar[EntryKind] = "trial"

    plan: str
    plants: str
    hashes: Mapping[str, str] = field(default_factory=dict)

    @property
    def key(self) -> str:
        """The ledger's key."""
        return "trial"

    @classmethod
    def of_body(cls, body: Mapping[str, Any]) -> Self:
        """Return the plan that a body holds."""
        return cls(str(body["plan"]), str(body["plants"]), body.get("hashes", {}))

    def to_body(self) -> dict[str, Any]:
        """Return the plan as the ledger keeps it."""
        return {"plan": self.plan, "plants": self.plants, "hashes": dict(self.hashes)}


@dataclass(frozen=True, slots=True)
class Tuning:
    """A trial's own threshold and calibration of the finder.

    Attributes
    ----------
    threshold, slope, offset, fruit_spread : float
        As in `counting.settings.Settings`.
    stages : tuple of str
        The stages that they hold for.
    photos, reviewers : tuple of str
        What they were learnt from.
    at : str
        When.
    gain : mapping
        Figure to its value before and after, on photos left out of the learning.
    """

    kind: ClassVar[EntryKind] = "tuning"

    threshold: float
    slope: float
    offset: float
    fruit_spread: float
    stages: tuple[str, ...]
    photos: tuple[str, ...] = ()
    reviewers: tuple[str, ...] = ()
    at: str = ""
    gain: Mapping[str, list[float]] = field(default_factory=dict)

    @property
    def key(self) -> str:
        """The ledger's key."""
        return "tuning"

    @classmethod
    def of_body(cls, body: Mapping[str, Any]) -> Self:
        """Return the tuning that a body tells of."""
        made, origin = body["calibration"], body.get("origin", {})
        return cls(
            threshold=body["threshold"],
            slope=made["slope"],
            offset=made["offset"],
            fruit_spread=made["fruit_spread"],
            stages=tuple(made["stages"]),
            photos=tuple(origin.get("photos", ())),
            reviewers=tuple(origin.get("reviewers", ())),
            at=origin.get("at", ""),
            gain=body.get("gain", {}),
        )

    def to_body(self) -> dict[str, Any]:
        """Return the tuning as the ledger keeps it."""
        return {
            "threshold": self.threshold,
            "calibration": {
                "slope": self.slope,
                "offset": self.offset,
                "fruit_spread": self.fruit_spread,
                "stages": list(self.stages),
            },
            "origin": {
                "photos": list(self.photos),
                "reviewers": list(self.reviewers),
                "at": self.at,
            },
            "gain": dict(self.gain),
        }
