"""What a reviewer says about a photo: the marks, which of them count, and whose answer stands."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, ClassVar, Self

from counting.ledger.facts.photo import Photo
from counting.ledger.facts.times import moment
from counting.ledger.store import EntryKind

__all__ = [
    "CANNOT_TELL",
    "COUNTED",
    "TOGETHER",
    "RETAKE",
    "Answer",
    "Judged",
    "Border",
    "Mark",
    "answer_key",
    "newest_answers",
    "zone_of",
]

COUNTED, CANNOT_TELL, RETAKE = "counted", "cannot tell", "retake"
"""What a reviewer can answer."""
TOGETHER = "together"
"""How a photo was looked at that stood on the screen beside several others."""
_FRUIT = {"confirmed", "added"}
_UNCLEAR = {"unsure", "elsewhere"}
Border = tuple[float, float, float, float]
"""A border of a zone: x, y of its upper and its lower end, px of the full-size photo."""


@dataclass(frozen=True, slots=True)
class Mark:
    """One mark of a reviewer; lengths in px of the upright full-size photo.

    Attributes
    ----------
    mark : int
        Its number in the photo.
    candidate : int or None
        The candidate that it stands for; None for a fruit that a person added.
    x, y, width, height : float
        Centre and size of the box.
    state : str
        confirmed, added, removed (no fruit), elsewhere (a fruit, but not this plant's) or unsure.
    truss : int or None
    twin : str
        ``PHOTO:MARK`` of the same fruit in another photo, or empty.
    small : bool
        Below the counting rule: shown, not counted.
    """

    mark: int
    candidate: int | None
    x: float
    y: float
    width: float
    height: float
    state: str
    truss: int | None = None
    twin: str = ""
    small: bool = False

    @property
    def counts(self) -> bool:
        """Whether it is a fruit that counts."""
        return self.state in _FRUIT and not self.small

    @property
    def unclear(self) -> bool:
        """Whether it leaves open if there is a fruit that counts."""
        return self.state in _UNCLEAR

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Its centre, width and height, px."""
        return (self.x, self.y, self.width, self.height)

    @classmethod
    def of_body(cls, body: Mapping[str, Any]) -> Self:
        """Return the mark that an answer's body holds."""
        return cls(
            mark=body["mark"],
            candidate=body.get("candidate"),
            x=body["x"],
            y=body["y"],
            width=body["width"],
            height=body["height"],
            state=body["state"],
            truss=body.get("truss"),
            twin=body.get("twin", ""),
            small=body.get("small", False),
        )

    def to_body(self) -> dict[str, Any]:
        """Return the mark as an answer's body holds it."""
        return {
            "mark": self.mark,
            "candidate": self.candidate,
            "x": self.x,
            "y": self.y,
            "width": self.width,
            "height": self.height,
            "state": self.state,
            "truss": self.truss,
            "twin": self.twin,
            "small": self.small,
        }


@dataclass(frozen=True, slots=True)
class Answer:
    """What one reviewer said about one photo.

    Attributes
    ----------
    photo, reviewer : str
        SHA-256 of the photo, and who looked at it.
    proposal : str
        Hash of the entry with the candidates it began from; empty where there were none.
    sheet : str
        Id of the sheet it was given on.
    at : str
        When, ISO 8601.
    answer : str
        counted, cannot tell or retake.
    count : int
        Fruit that count.
    seconds : float
        How long the photo was open.
    clicks : int
    marks : tuple of Mark
        May be empty with a count, as from a photo too crowded to mark.
    device : str
        The device it was given on, by the number that the device drew; empty where none was told.
    number : int or None
        Which answer of that device it is: a later one has a higher number.
    seen : bool or None
        Whether the photo itself was on the screen when it was answered; None where none was told.
    zone : tuple or None
        The plant's part of the photo as the reviewer left it: two border lines, each as
        ``(x, y, x, y)`` in px; None where none was shown or told.
    looked : str
        How it was looked at: together (several photos on the screen, confirmed by one press);
        empty where it was opened alone.
    seq : int
        Its place in the ledger's chain; 0 while it stands in none. Not part of the body.
    """

    kind: ClassVar[EntryKind] = "confirmation"

    photo: str
    reviewer: str
    proposal: str
    at: str
    answer: str
    count: int
    marks: tuple[Mark, ...] = ()
    sheet: str = ""
    seconds: float = 0.0
    clicks: int = 0
    device: str = ""
    number: int | None = None
    seen: bool | None = None
    zone: tuple[Border, Border] | None = None
    looked: str = ""
    seq: int = field(default=0, compare=False)

    @property
    def key(self) -> str:
        """The ledger's key: a reviewer has one answer for a photo."""
        return answer_key(self.photo, self.reviewer)

    @property
    def counted(self) -> bool:
        """Whether it is a count."""
        return self.answer == COUNTED

    @property
    def alone(self) -> bool:
        """Whether the photo was opened by itself."""
        return self.looked != TOGETHER

    @property
    def fruit(self) -> tuple[Mark, ...]:
        """The marks that count."""
        return tuple(mark for mark in self.marks if mark.counts)

    @classmethod
    def of_body(cls, body: Mapping[str, Any], seq: int = 0) -> Self:
        """Return the answer that a body tells of, written at a place in the chain."""
        return cls(
            photo=body["photo"],
            reviewer=body["reviewer"],
            proposal=body.get("proposal", ""),
            at=body["at"],
            answer=body["answer"],
            count=body.get("count", 0),
            marks=tuple(map(Mark.of_body, body.get("marks", ()))),
            sheet=body.get("sheet", ""),
            seconds=body.get("seconds", 0.0),
            clicks=body.get("clicks", 0),
            device=body.get("device", ""),
            number=body.get("number"),
            seen=body.get("seen"),
            zone=zone_of(body.get("zone")),
            looked=body.get("looked", ""),
            seq=seq,
        )

    def to_body(self) -> dict[str, Any]:
        """Return the answer as the ledger keeps it."""
        body: dict[str, Any] = {
            "photo": self.photo,
            "proposal": self.proposal,
            "sheet": self.sheet,
            "reviewer": self.reviewer,
            "at": self.at,
            "answer": self.answer,
            "count": self.count,
            "seconds": self.seconds,
            "clicks": self.clicks,
            "marks": [mark.to_body() for mark in self.marks],
        }
        # what an answer does not tell is left out, so that its body stays what it was
        if self.device:
            body |= {"device": self.device, "number": self.number}
        if self.seen is not None:
            body["seen"] = self.seen
        if self.zone is not None:
            body["zone"] = [list(line) for line in self.zone]
        if self.looked:
            body["looked"] = self.looked
        return body


def answer_key(photo: str, reviewer: str) -> str:
    """Return the ledger's key of a reviewer's answer for a photo."""
    return f"{photo}|{reviewer}"


def newest_answers(answers: Iterable[Answer]) -> dict[str, Answer]:
    """Return the answer that stands for each photo, whatever the order in which they are given.

    Of several reviewers the newest answer stands: the one that the ledger took in last, since a
    device's clock may be wrong; the device's time decides only between answers that stand in no
    ledger yet. "Cannot tell" gives way to any other, since somebody could.
    """
    newest: dict[str, Answer] = {}
    for answer in answers:
        before = newest.get(answer.photo)
        if before is None or _rank(answer) > _rank(before):
            newest[answer.photo] = answer
    return newest


def _rank(answer: Answer) -> tuple[bool, int, datetime, str]:
    return (answer.answer != CANNOT_TELL, answer.seq, moment(answer.at), answer.reviewer)


def zone_of(lines: Any) -> tuple[Border, Border] | None:
    """Return the two borders of a zone as the ledger has them; None where it holds none."""
    if lines is None:
        return None
    left, right = (tuple(map(float, line)) for line in lines)
    return left, right  # type: ignore[return-value]


@dataclass(frozen=True, slots=True)
class Judged:
    """A photo and the answer that stands for it.

    Attributes
    ----------
    photo : Photo
    answer : Answer or None
        None while nobody has looked.
    claimed : int
        Fruit of the answer that count for another plant of the same photo.
    """

    photo: Photo
    answer: Answer | None
    claimed: int = 0

    @property
    def word(self) -> str:
        """What was answered: counted, cannot tell or retake; empty while nobody has looked."""
        return self.answer.answer if self.answer else ""

    @property
    def counted(self) -> bool:
        """Whether the photo gives a count."""
        return self.answer is not None and self.answer.counted

    @property
    def missing(self) -> str:
        """Why the photo gives no count; empty if it does."""
        name = self.photo.file.rsplit("/", 1)[-1]
        reasons = {
            "": f"{name} is not confirmed yet",
            CANNOT_TELL: f"{name} cannot be counted",
            RETAKE: f"{name} is to be taken again",
        }
        return reasons.get(self.word, "")
