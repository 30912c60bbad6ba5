"""A contact sheet that was made: which photos it shows, with which proposals."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, Self

from counting.ledger.store import EntryKind

__all__ = ["Sheet"]


@dataclass(frozen=True, slots=True)
class Sheet:
    """A contact sheet.

    Attributes
    ----------
    sheet : str
        Its id.
    trial : str
        Id of the trial.
    file : str
        Path inside the trial; empty for a sheet that is served and lies in no file.
    seed : int
        Decides the order of the photos.
    blind : bool
        Whether plant and group were hidden.
    reviewer : str
        For whom it is; empty for anybody.
    photos : mapping
        Photo to the hash of the proposal shown on it (empty for none), in the order shown.
    chances : mapping
        Photo to the chance with which its plant was drawn for review; empty where the photos are
        no sample.
    likely : tuple of str
        Photos that are likely right as proposed; only these may be confirmed several at a time.
    """

    kind: ClassVar[EntryKind] = "sheet"

    sheet: str
    trial: str = ""
    file: str = ""
    seed: int = 0
    blind: bool = False
    reviewer: str = ""
    photos: Mapping[str, str] = field(default_factory=dict)
    chances: Mapping[str, float] = field(default_factory=dict)
    likely: tuple[str, ...] = ()

    @property
    def key(self) -> str:
        """The ledger's key."""
        return self.sheet

    @classmethod
    def of_body(cls, body: Mapping[str, Any]) -> Self:
        """Return the sheet that a body tells of."""
        return cls(
            sheet=body["sheet"],
            trial=body.get("trial", ""),
            file=body.get("file", ""),
            seed=body.get("seed", 0),
            blind=bool(body.get("blind", False)),
            reviewer=body.get("reviewer", ""),
            photos={row["photo"]: row["proposal"] for row in body.get("photos", ())},
            chances={
                row["photo"]: row["chance"] for row in body.get("photos", ()) if "chance" in row
            },
            likely=tuple(body.get("likely", ())),
        )

    def to_body(self) -> dict[str, Any]:
        """Return the sheet as the ledger keeps it."""
        return {
            "sheet": self.sheet,
            "trial": self.trial,
            "file": self.file,
            "seed": self.seed,
            "blind": self.blind,
            "reviewer": self.reviewer,
            "photos": [
                {"photo": photo, "proposal": proposal} | self._chance(photo)
                for photo, proposal in self.photos.items()
            ],
        } | ({"likely": list(self.likely)} if self.likely else {})

    def _chance(self, photo: str) -> dict[str, float]:
        # what no draw told is left out, so that the body stays what it was
        return {"chance": self.chances[photo]} if photo in self.chances else {}
