"""A photo taken in, and the tag that was read in it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, ClassVar, Self

from counting.files import sha256_bytes
from counting.ledger.store import EntryKind

__all__ = ["Photo", "Slot", "Tag"]

Point = tuple[float, float]
Slot = tuple[str, str, int | None, str]
"""Survey, plant, truss and side: what one photo shows, and no other at the same time."""


@dataclass(frozen=True, slots=True)
class Tag:
    """The tag that was read in a photo; positions in px of the upright full-size photo.

    Attributes
    ----------
    code : str
        The plant that it names; empty for a tag of no trial.
    id : int or None
        Number of the marker.
    mm_per_px : float
        Scale at the tag.
    mm_per_px_low, mm_per_px_high : float or None
        Its 95 % interval.
    corners, card : tuple of 4 points
        The marker's outer corners and the card's, from the top left clockwise.
    tilt_deg : float or None
        How far the card is turned away from the camera.
    grey : tuple of 3 floats or None
        sRGB of the grey patch, 0..255; None where it cannot be trusted.
    """

    code: str
    id: int | None
    mm_per_px: float
    mm_per_px_low: float | None = None
    mm_per_px_high: float | None = None
    corners: tuple[Point, ...] = ()
    card: tuple[Point, ...] = ()
    tilt_deg: float | None = None
    grey: tuple[float, ...] | None = None

    @classmethod
    def of_body(cls, body: Mapping[str, Any]) -> Self:
        """Return the tag that a photo's body holds."""
        grey = body.get("grey")
        return cls(
            code=body.get("code", ""),
            id=body.get("id"),
            mm_per_px=body["mm_per_px"],
            mm_per_px_low=body.get("mm_per_px_low"),
            mm_per_px_high=body.get("mm_per_px_high"),
            corners=_points(body.get("corners", ())),
            card=_points(body.get("card", ())),
            tilt_deg=body.get("tilt_deg"),
            grey=tuple(grey) if grey else None,
        )

    def to_body(self) -> dict[str, Any]:
        """Return the tag as a photo's body holds it."""
        return {
            "code": self.code,
            "id": self.id,
            "mm_per_px": self.mm_per_px,
            "mm_per_px_low": self.mm_per_px_low,
            "mm_per_px_high": self.mm_per_px_high,
            "corners": [list(point) for point in self.corners],
            "card": [list(point) for point in self.card],
            "tilt_deg": self.tilt_deg,
            "grey": None if self.grey is None else list(self.grey),
        }


def _points(rows: Any) -> tuple[Point, ...]:
    return tuple((x, y) for x, y in rows)


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo of the trial.

    Attributes
    ----------
    photo : str
        SHA-256 of the file; of a view of a plant beside, an id of its own that names no plant.
    file : str
        Path inside the trial, forward slashes.
    width, height : int
        px, of the upright photo.
    survey, plant, side : str
        Where it belongs.
    truss : int or None
        The only truss that it is of; None for the whole plant.
    taken_at, clock : str
        The camera's time, and whether it carries its offset: ``offset``, ``local`` or empty.
    bound_by : str
        How it was bound to its plant: tag, manifest, folder, beside or a person.
    flags : tuple of str
        Reasons to look, words of `counting.flags.Flag`.
    quality : mapping
        Figures of `counting.photos.fitness.quality.Quality`.
    tag : Tag or None
        The tag that gives the scale.
    others : tuple of Tag
        The trial's other tags in the photo: they tell where the next plants stand.
    view_of : str
        SHA-256 of the file, where this is a view of a plant beside the one that the photo was
        taken of; else empty.
    """

    kind: ClassVar[EntryKind] = "photo"

    photo: str
    file: str
    width: int
    height: int
    survey: str = ""
    plant: str = ""
    truss: int | None = None
    side: str = ""
    taken_at: str = ""
    clock: str = ""
    bound_by: str = ""
    flags: tuple[str, ...] = ()
    quality: Mapping[str, float | str] = field(default_factory=dict)
    tag: Tag | None = None
    others: tuple[Tag, ...] = ()
    view_of: str = ""

    @property
    def sha256(self) -> str:
        """SHA-256 of the file."""
        return self.view_of or self.photo

    @property
    def tags(self) -> tuple[Tag, ...]:
        """The trial's tags that were read in the photo, its own plant's first."""
        return (self.tag, *self.others) if self.tag else self.others

    @property
    def key(self) -> str:
        """The ledger's key."""
        return self.photo

    @property
    def slot(self) -> Slot:
        """The place it has; one photo has it at a time."""
        return (self.survey, self.plant, self.truss, self.side)

    @property
    def mm_per_px(self) -> float | None:
        """Scale at the tag; None without one."""
        return self.tag.mm_per_px if self.tag else None

    @property
    def row(self) -> dict[str, Any]:
        """The photo as a row of `counting.tables.PHOTOS`."""
        return self.to_body() | {
            "mm_per_px": self.mm_per_px,
            "flags": "; ".join(self.flags),
            "view_of": self.view_of,
        }

    def beside(self, plant: str, *, bound_by: str, flag: str) -> Photo | None:
        """Return the same photo as a view of another plant whose tag is in it; None without it.

        Parameters
        ----------
        plant : str
            Code of the other plant.
        bound_by : str
            How it was bound to it.
        flag : str
            Reason to look at it, beside those of the photo.
        """
        tag = next((each for each in self.tags if each.code == plant), None)
        if tag is None or self.view_of:
            return None
        return replace(
            self,
            photo=sha256_bytes(f"{self.photo}|{plant}".encode()),
            plant=plant,
            bound_by=bound_by,
            flags=(*self.flags, flag),
            tag=tag,
            others=tuple(each for each in self.tags if each is not tag),
            view_of=self.photo,
        )

    @classmethod
    def of_body(cls, body: Mapping[str, Any]) -> Self:
        """Return the photo that a body tells of."""
        tag = body.get("tag")
        return cls(
            photo=body["photo"],
            file=body["file"],
            width=body["width"],
            height=body["height"],
            survey=body.get("survey", ""),
            plant=body.get("plant", ""),
            truss=body.get("truss"),
            side=body.get("side") or "",
            taken_at=body.get("taken_at", ""),
            clock=body.get("clock", ""),
            bound_by=body.get("bound_by", ""),
            flags=tuple(body.get("flags", ())),
            quality=body.get("quality") or {},
            tag=Tag.of_body(tag) if tag else None,
            others=tuple(map(Tag.of_body, body.get("other_tags", ()))),
            view_of=body.get("view_of", ""),
        )

    def to_body(self) -> dict[str, Any]:
        """Return the photo as the ledger keeps it."""
        body: dict[str, Any] = {
            "photo": self.photo,
            "file": self.file,
            "width": self.width,
            "height": self.height,
            "taken_at": self.taken_at,
            "clock": self.clock,
            "survey": self.survey,
            "plant": self.plant,
            "truss": self.truss,
            "side": self.side,
            "bound_by": self.bound_by,
            "flags": list(self.flags),
            "quality": dict(self.quality),
            "tag": self.tag.to_body() if self.tag else None,
        }
        if self.others:
            body["other_tags"] = [tag.to_body() for tag in self.others]
        if self.view_of:
            body["view_of"] = self.view_of
        return body
