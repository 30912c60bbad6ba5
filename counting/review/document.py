"""The corrections file: what it may hold, read from text that anyone may have written."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any, Literal, NoReturn

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from counting.errors import CorrectionsError
from counting.faults import faults_in_words
from counting.files import strict_json
from counting.ledger.facts import COUNTED, TOGETHER, Answer, Mark, read_time, zone_of
from counting.text import plain_name

__all__ = ["FORMAT", "LARGEST_BYTES", "Corrections", "as_saved", "parse"]

FORMAT = "counting corrections"
LARGEST_BYTES = 32_000_000
"""About 500 photos with 400 marks each; what is larger is no reviewer's work."""
_BEFORE = 2000
"""Clocks that were never set say a year up to this one; so does what would overflow in UTC."""
_CLOCK_SLACK = timedelta(days=1)
"""A phone's clock may be wrong by its zone, not by more."""

Sha = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Length = Annotated[float, Field(gt=0, le=1e6)]
Place = Annotated[float, Field(ge=0, le=1e6)]
Line = Annotated[list[Annotated[float, Field(ge=-1e6, le=1e6)]], Field(min_length=4, max_length=4)]
Number = Annotated[int, Field(ge=0, le=1_000_000)]


class _Strict(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class _Mark(_Strict):
    """One mark of a reviewer; lengths in px of the upright full-size photo."""

    mark: Number
    candidate: Number | None
    x: Place
    y: Place
    width: Length
    height: Length
    state: Literal["confirmed", "added", "removed", "elsewhere", "unsure"]
    truss: Annotated[int, Field(ge=1, le=999)] | None
    twin: Annotated[str, Field(pattern=r"^([0-9a-f]{64}:\d{1,7})?$")]
    small: bool

    def fact(self) -> Mark:
        """Return the mark as the rooms take it."""
        return Mark(
            mark=self.mark,
            candidate=self.candidate,
            x=self.x,
            y=self.y,
            width=self.width,
            height=self.height,
            state=self.state,
            truss=self.truss,
            twin=self.twin,
            small=self.small,
        )


class _Answered(_Strict):
    """What a reviewer said about one photo."""

    photo: Sha
    proposal: Annotated[str, Field(pattern=r"^([0-9a-f]{64})?$")]
    at: Annotated[str, Field(max_length=40)]
    answer: Literal["counted", "cannot tell", "retake"]
    count: Number
    seconds: Annotated[float, Field(ge=0, le=1e7)]
    clicks: Number
    marks: Annotated[list[_Mark], Field(max_length=5000)]
    seen: bool | None = None
    zone: Annotated[list[Line], Field(min_length=2, max_length=2)] | None = None
    looked: Literal["", "together"] = ""

    @field_validator("at")
    @classmethod
    def _a_time_with_offset(cls, text: str) -> str:
        _check_time(text)
        return text

    @model_validator(mode="after")
    def _adds_up(self) -> _Answered:
        numbers = [mark.mark for mark in self.marks]
        if len(set(numbers)) != len(numbers):
            _wrong("two marks have the same number")
        begun = [mark.candidate for mark in self.marks if mark.candidate is not None]
        if len(set(begun)) != len(begun):
            _wrong("two marks stand for the same candidate")
        marks = [mark.fact() for mark in self.marks]
        counted = sum(mark.counts for mark in marks) if self.answer == COUNTED else 0
        if counted != self.count:
            _wrong(f"the count is {self.count} but {counted} marks count")
        if self.looked == TOGETHER:
            if self.answer != COUNTED or self.seen is not True:
                _wrong("confirmed together with others, but not seen and counted")
            if any(mark.state in {"added", "removed", "unsure"} for mark in self.marks):
                _wrong("confirmed together with others, but its rings were changed")
        return self


class _Document(_Strict):
    """A corrections file."""

    format: Literal["counting corrections"]
    version: Literal[1]
    trial: Annotated[str, Field(max_length=64)]
    sheet: Annotated[str, Field(max_length=64)]
    reviewer: Annotated[str, Field(min_length=1, max_length=80)]
    saved_at: Annotated[str, Field(max_length=40)]
    photos: Annotated[list[_Answered], Field(max_length=100_000)]

    @field_validator("reviewer")
    @classmethod
    def _a_name(cls, text: str) -> str:
        name = "" if "|" in text or "\n" in text else plain_name(text)
        if not name:
            _wrong("a name of letters, without | and line breaks, is wanted")
        return name

    @field_validator("saved_at")
    @classmethod
    def _a_time_with_offset(cls, text: str) -> str:
        _check_time(text)
        return text

    @model_validator(mode="after")
    def _photos_once(self) -> _Document:
        named = [answered.photo for answered in self.photos]
        if len(set(named)) != len(named):
            _wrong("a photo is there twice")
        return self


@dataclass(frozen=True, slots=True)
class Corrections:
    """What a reviewer saved, held against the format.

    Attributes
    ----------
    trial, sheet : str
        Ids of the trial, and of the sheet it was saved from.
    reviewer : str
        Who.
    answers : tuple of Answer
        One for each photo answered.
    """

    trial: str
    sheet: str
    reviewer: str
    answers: tuple[Answer, ...]


def as_saved(answer: Answer) -> dict[str, Any]:
    """Return an answer as the photos of a corrections file have it."""
    own = {"sheet", "reviewer", "device", "number"}
    return {name: value for name, value in answer.to_body().items() if name not in own}


def parse(data: bytes, where: str) -> Corrections:
    """Return the corrections in a file's bytes.

    Parameters
    ----------
    data : bytes
        The file.
    where : str
        Its name, for the message.

    Raises
    ------
    CorrectionsError
        If it is too large, no JSON, or not of the format.
    """
    expected = "a corrections file saved from a contact sheet"
    if len(data) > LARGEST_BYTES:
        found = f"{len(data) / 1e6:.0f} MB is too large"
        raise CorrectionsError(where, found, f"at most {LARGEST_BYTES / 1e6:.0f} MB")
    mend = "save it again from the sheet"
    try:
        value = strict_json(data.decode("utf-8-sig"))
    except (UnicodeDecodeError, ValueError, RecursionError) as error:
        reason = " ".join(str(error).split())[:120]
        raise CorrectionsError(where, f"not JSON ({reason})", expected, mend) from error
    if not isinstance(value, dict) or value.get("format") != FORMAT:
        raise CorrectionsError(where, "not a corrections file", expected, mend)
    try:
        told = _Document.model_validate(value)
    except ValidationError as error:
        faults = faults_in_words(error, values=False)
        raise CorrectionsError(where, faults, mend=mend) from error
    given = tuple(_answer(told, answered) for answered in told.photos)
    return Corrections(told.trial, told.sheet, told.reviewer, given)


def _answer(told: _Document, answered: _Answered) -> Answer:
    return Answer(
        photo=answered.photo,
        reviewer=told.reviewer,
        proposal=answered.proposal,
        at=answered.at,
        answer=answered.answer,
        count=answered.count,
        marks=tuple(mark.fact() for mark in answered.marks),
        sheet=told.sheet,
        seconds=answered.seconds,
        clicks=answered.clicks,
        seen=answered.seen,
        zone=zone_of(answered.zone),
        looked=answered.looked,
    )


def _check_time(text: str) -> None:
    """Refuse what is no time, lacks its offset, or lies more than a day ahead."""
    time = read_time(text)
    if time is None:
        _wrong(f"{text!r} is no time")
    if time.tzinfo is None:
        _wrong("a time without its offset from UTC")
    if time.year <= _BEFORE:
        _wrong(f"the time {text} lies before any sheet; set the device's clock")
    if time > datetime.now(UTC) + _CLOCK_SLACK:
        _wrong(f"the time {text} lies ahead; set the device's clock and answer the photo again")


def _wrong(text: str) -> NoReturn:
    raise ValueError(text)
