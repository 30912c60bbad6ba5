"""A lesson: the numbers that the finder learnt from a survey's reviewed photos."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, Self

from counting.files import canonical_json, sha256_bytes
from counting.ledger.store import EntryKind

__all__ = ["Lesson"]

_DIGEST = 12
"""Hex digits of a digest; 48 bits tell the lessons of one trial apart."""


@dataclass(frozen=True, slots=True)
class Lesson:
    """What the finder learnt from one survey's reviewed photos: a trial's own numbers.

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
        Figure to its value as shipped and with the lesson, on photos left out of the learning.
    survey : str
        The survey whose photos taught; empty in a lesson of before there was one for each survey,
        which holds for the whole trial.
    used : bool
        Whether it helped on photos left out; else the finder works as shipped.
    answers : tuple of int
        Place in the chain of each answer that it was learnt from.
    groups : mapping
        Group to how many of the photos show its plants.
    shipped : float or None
        The threshold as shipped, with which it was compared.
    look : float
        As in `counting.settings.Settings`.
    looks : tuple of float
        Sizes of the look that were tried.
    weights : str
        SHA-256 of the trial's own weights of the scorer, where the lesson is a thorough one.
    halves : tuple of str
        SHA-256 of the weights that parts of the photos taught, each to be tried on the others; they
        were not kept.
    thorough : mapping
        Where weights were taught, kept or not: figure to its values at once and thorough, on
        photos left out.
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
    survey: str = ""
    used: bool = True
    answers: tuple[int, ...] = ()
    groups: Mapping[str, int] = field(default_factory=dict)
    shipped: float | None = None
    look: float = 1.0
    looks: tuple[float, ...] = ()
    weights: str = ""
    halves: tuple[str, ...] = ()
    thorough: Mapping[str, list[float]] = field(default_factory=dict)

    @property
    def key(self) -> str:
        """The ledger's key."""
        return self.survey or "tuning"

    @property
    def digest(self) -> str:
        """Begin of the SHA-256 of its body: the name that proposals give it."""
        return sha256_bytes(canonical_json(self.to_body()).encode("utf-8"))[:_DIGEST]

    def told(self) -> dict[str, Any]:
        """Return the lesson with its digest, for a machine to read."""
        return {"lesson": self.digest, **self.to_body()}

    @classmethod
    def of_body(cls, body: Mapping[str, Any]) -> Self:
        """Return the lesson that a body tells of."""
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
            survey=origin.get("survey", ""),
            used=body.get("used", True),
            answers=tuple(origin.get("answers", ())),
            groups=origin.get("groups", {}),
            shipped=body.get("shipped"),
            look=made.get("look", 1.0),
            looks=tuple(origin.get("looks", ())),
            weights=made.get("weights", ""),
            halves=tuple(origin.get("halves", ())),
            thorough=body.get("thorough", {}),
        )

    def to_body(self) -> dict[str, Any]:
        """Return the lesson as the ledger keeps it."""
        return {
            "threshold": self.threshold,
            "calibration": {
                "slope": self.slope,
                "offset": self.offset,
                "fruit_spread": self.fruit_spread,
                "stages": list(self.stages),
                # where the size is as shipped, lessons keep the digest they always had
                **({} if self.look == 1.0 else {"look": self.look}),
                **({"weights": self.weights} if self.weights else {}),
            },
            "origin": {
                "survey": self.survey,
                "photos": list(self.photos),
                "answers": list(self.answers),
                "reviewers": list(self.reviewers),
                "groups": dict(self.groups),
                "at": self.at,
                **({"looks": list(self.looks)} if self.looks else {}),
                **({"halves": list(self.halves)} if self.halves else {}),
            },
            **({"thorough": dict(self.thorough)} if self.thorough else {}),
            "gain": dict(self.gain),
            "used": self.used,
            "shipped": self.shipped,
        }
