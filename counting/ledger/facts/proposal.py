"""What the finder proposes for a photo, and which of it counts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from typing import Any, ClassVar, Self

from counting.crops import TOMATO
from counting.flags import Flag
from counting.ledger.facts.answer import Border, zone_of
from counting.ledger.store import EntryKind
from counting.settings import OWN_FROM, Settings, reaches

__all__ = ["Candidate", "Glance", "Proposal", "settings_of", "settings_text"]


@dataclass(frozen=True, slots=True)
class Candidate:
    """One fruit that the finder proposes; lengths in px of the upright full-size photo.

    Attributes
    ----------
    candidate : int
        0, 1, 2 ... within the photo, most confident first.
    x, y, width, height : float
        Centre and size of the box.
    diameter_px : float
    diameter_mm : float or None
        None without a scale.
    colour : str
        green, turning or the crop's ripe colour; empty where it was not judged.
    red_share : float or None
        Share of the visible surface that is of its ripe colour.
    confidence : float
        Probability that it is a fruit to count, as recorded, never rounded again.
    stages : str
        Stages that proposed it, joined by ``+``.
    truss : int or None
    flags : tuple of str
        Words of `counting.flags.Flag`.
    whose : str
        this plant, neighbour, behind, fallen or unknown; empty where it was not asked.
    neighbour : str
        Code of the neighbour whose fruit it is, where its tag is in view.
    own_share : float or None
        Probability that it is this plant's, if it is a fruit; None where it was not asked.
    """

    candidate: int
    x: float
    y: float
    width: float
    height: float
    confidence: float
    diameter_px: float | None = None
    diameter_mm: float | None = None
    colour: str = ""
    red_share: float | None = None
    stages: str = ""
    truss: int | None = None
    flags: tuple[str, ...] = ()
    whose: str = ""
    neighbour: str = ""
    own_share: float | None = None

    @property
    def own(self) -> bool:
        """Whether it is taken for the plant's own; what nobody asked about is."""
        return self.own_share is None or self.own_share >= OWN_FROM

    @property
    def small(self) -> bool:
        """Whether it is under the counting rule's size: shown, not counted."""
        return Flag.TOO_SMALL_TO_COUNT.value in self.flags

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Its centre, width and height, px."""
        return (self.x, self.y, self.width, self.height)

    @property
    def row(self) -> dict[str, Any]:
        """The candidate as a row of `counting.tables.CANDIDATES`, all but the photo."""
        return self.to_body() | {"flags": "; ".join(self.flags)}

    @classmethod
    def of_body(cls, body: Mapping[str, Any]) -> Self:
        """Return the candidate that a proposal's body holds."""
        return cls(
            candidate=body["candidate"],
            x=body["x"],
            y=body["y"],
            width=body["width"],
            height=body["height"],
            confidence=body["confidence"],
            diameter_px=body.get("diameter_px"),
            diameter_mm=body.get("diameter_mm"),
            colour=body.get("colour") or "",
            red_share=body.get("red_share"),
            stages=body.get("stages") or "",
            truss=body.get("truss"),
            flags=tuple(body.get("flags") or ()),
            whose=body.get("whose") or "",
            neighbour=body.get("neighbour") or "",
            own_share=body.get("own_share"),
        )

    def to_body(self) -> dict[str, Any]:
        """Return the candidate as a proposal's body holds it."""
        return {
            "candidate": self.candidate,
            "x": self.x,
            "y": self.y,
            "width": self.width,
            "height": self.height,
            "confidence": self.confidence,
            "diameter_px": self.diameter_px,
            "diameter_mm": self.diameter_mm,
            "colour": self.colour,
            "red_share": self.red_share,
            "stages": self.stages,
            "truss": self.truss,
            "flags": list(self.flags),
            "whose": self.whose,
            "neighbour": self.neighbour,
            "own_share": self.own_share,
        }


@dataclass(frozen=True, slots=True)
class Proposal:
    """The candidates of a photo, and how many fruit to expect.

    Attributes
    ----------
    photo : str
        SHA-256 of the file.
    candidates : tuple of Candidate
        Most confident first, those below the threshold too.
    made_with : Settings
        Stages, threshold and calibration.
    version : str
        The finder's.
    settings : str
        Hash of the settings, as written at the time.
    stages : tuple of str
    smallest_mm, mm_per_px : float or None
        Size of the counting rule, and the tag's scale.
    crop : str
        Name of its entry in `counting.crops.CROPS`, whose colours it was judged by.
    width, height : int
        px, of the upright photo.
    proposed : int
        How many candidates are shown and count.
    count, count_low, count_high : float
        Expected fruit to count, with its 90 % interval.
    flags : tuple of str
        Why a person should look.
    known : str
        What the plant's part of the photo rests on: tags, spacing or photo (all of it); empty
        where it was not asked.
    zone : tuple or None
        The plant's part of the photo: two border lines, each as ``(x, y, x, y)`` in px; None
        where all of the photo is taken for the plant's.
    spacing_mm : float or None
        The plan's spacing that was taken.
    usual_mm_per_px : float or None
        The survey's usual scale, where no tag of the photo tells its own.
    seconds : float or None
        Time it took.
    entry : str
        Hash of the ledger's entry that holds it, by which answers name it; empty until written.
    """

    kind: ClassVar[EntryKind] = "proposal"

    photo: str
    candidates: tuple[Candidate, ...] = ()
    made_with: Settings = field(default_factory=Settings)
    version: str = ""
    settings: str = ""
    stages: tuple[str, ...] = ()
    smallest_mm: float | None = None
    mm_per_px: float | None = None
    crop: str = TOMATO.name
    width: int | None = None
    height: int | None = None
    proposed: int = 0
    count: float = 0.0
    count_low: float = 0.0
    count_high: float = 0.0
    flags: tuple[str, ...] = ()
    known: str = ""
    zone: tuple[Border, Border] | None = None
    spacing_mm: float | None = None
    usual_mm_per_px: float | None = None
    seconds: float | None = None
    entry: str = field(default="", compare=False)

    @property
    def key(self) -> str:
        """The ledger's key."""
        return self.photo

    @property
    def threshold(self) -> float:
        """Confidence from which its candidates are proposed as fruit."""
        return self.made_with.threshold

    def shows(self, candidate: Candidate) -> bool:
        """Whether a candidate is proposed as a fruit: a ring on the sheet, a fruit elsewhere."""
        return reaches(candidate.confidence, self.threshold)

    @property
    def shown(self) -> tuple[Candidate, ...]:
        """The candidates that are proposed as fruit, those too small to count among them."""
        return tuple(each for each in self.candidates if self.shows(each))

    @property
    def counted(self) -> tuple[Candidate, ...]:
        """The candidates that are proposed as the plant's own fruit and large enough to count."""
        return tuple(each for each in self.shown if each.own and not each.small)

    @classmethod
    def of_body(cls, body: Mapping[str, Any], entry: str = "") -> Self:
        """Return the proposal that a body tells of; `entry` is the hash of its entry."""
        made_with = settings_of(body.get("settings_text"))
        return cls(
            photo=body["photo"],
            candidates=tuple(map(Candidate.of_body, body.get("candidates", ()))),
            made_with=made_with,
            version=body.get("version", ""),
            settings=body.get("settings", ""),
            stages=tuple(body.get("stages", made_with.stages)),
            smallest_mm=body.get("smallest_mm"),
            mm_per_px=body.get("mm_per_px"),
            crop=body.get("crop", TOMATO.name),
            width=body.get("width"),
            height=body.get("height"),
            proposed=body.get("proposed", 0),
            count=body.get("count", 0.0),
            count_low=body.get("count_low", 0.0),
            count_high=body.get("count_high", 0.0),
            flags=tuple(body.get("flags", ())),
            known=body.get("known", ""),
            zone=zone_of(body.get("zone")),
            spacing_mm=body.get("spacing_mm"),
            usual_mm_per_px=body.get("usual_mm_per_px"),
            seconds=body.get("seconds"),
            entry=entry,
        )

    def to_body(self) -> dict[str, Any]:
        """Return the proposal as the ledger keeps it."""
        body: dict[str, Any] = {
            "photo": self.photo,
            "version": self.version,
            "settings": self.settings,
            "settings_text": settings_text(self.made_with),
            "stages": list(self.stages),
            "smallest_mm": self.smallest_mm,
            "mm_per_px": self.mm_per_px,
            "crop": self.crop,
            "width": self.width,
            "height": self.height,
            "candidates": [each.to_body() for each in self.candidates],
            "proposed": self.proposed,
            "count": self.count,
            "count_low": self.count_low,
            "count_high": self.count_high,
            "flags": list(self.flags),
            "known": self.known,
            "zone": None if self.zone is None else [list(line) for line in self.zone],
            "spacing_mm": self.spacing_mm,
            "seconds": self.seconds,
        }
        if self.usual_mm_per_px is not None:
            body["usual_mm_per_px"] = self.usual_mm_per_px
        return body


@dataclass(frozen=True, slots=True)
class Glance:
    """A reviewed photo looked at once more, at another size or with other weights: what a lesson
    is learnt from.

    It proposes nothing: the photo keeps the candidates that it was confirmed from.

    Attributes
    ----------
    seen : Proposal
        The candidates, as shipped but for the size and the weights.
    """

    kind: ClassVar[EntryKind] = "glance"

    seen: Proposal

    @property
    def key(self) -> str:
        """The ledger's key."""
        made_with = self.seen.made_with
        weights = f"|{made_with.weights}" if made_with.weights else ""
        return f"{self.seen.photo}|{made_with.look:g}{weights}"

    @classmethod
    def of_body(cls, body: Mapping[str, Any]) -> Self:
        """Return what a body tells of."""
        return cls(Proposal.of_body(body))

    def to_body(self) -> dict[str, Any]:
        """Return it as the ledger keeps it."""
        return self.seen.to_body()


def settings_text(settings: Settings) -> dict[str, Any]:
    """Return settings as JSON values."""
    return asdict(settings) | {"stages": list(settings.stages)}


def settings_of(text: object) -> Settings:
    """Return the settings that a body records; what an older version did not write is default."""
    if not isinstance(text, Mapping):
        return Settings()
    known = {each.name: text[each.name] for each in fields(Settings) if each.name in text}
    if "stages" in known:
        known["stages"] = tuple(known["stages"])
    return Settings(**known)
