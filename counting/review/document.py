"""The corrections file: what it may hold, read from text that anyone may have written."""

from __future__ import annotations

import json
import unicodedata
from datetime import UTC, datetime, timedelta
from typing import Annotated, Literal, NoReturn

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from counting.errors import CorrectionsError
from counting.faults import faults_in_words

__all__ = ["FORMAT", "LARGEST_BYTES", "Answered", "Document", "Mark", "parse"]

FORMAT = "counting corrections"
LARGEST_BYTES = 32_000_000
"""About 500 photos with 400 marks each; what is larger is no reviewer's work."""
_CLOCK_SLACK = timedelta(days=1)
"""A phone's clock may be wrong by its zone, not by more."""

Sha = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Length = Annotated[float, Field(gt=0, le=1e6)]
Place = Annotated[float, Field(ge=0, le=1e6)]
Line = Annotated[list[Annotated[float, Field(ge=-1e6, le=1e6)]], Field(min_length=4, max_length=4)]
Number = Annotated[int, Field(ge=0, le=1_000_000)]


class _Strict(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class Mark(_Strict):
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

    @property
    def counts(self) -> bool:
        """Whether the mark is a fruit that counts."""
        return self.state in {"confirmed", "added"} and not self.small


class Answered(_Strict):
    """What a reviewer said about one photo."""

    photo: Sha
    proposal: Annotated[str, Field(pattern=r"^([0-9a-f]{64})?$")]
    at: Annotated[str, Field(max_length=40)]
    answer: Literal["counted", "cannot tell", "retake"]
    count: Number
    seconds: Annotated[float, Field(ge=0, le=1e7)]
    clicks: Number
    marks: Annotated[list[Mark], Field(max_length=5000)]
    seen: bool | None = None
    zone: Annotated[list[Line], Field(min_length=2, max_length=2)] | None = None

    @field_validator("at")
    @classmethod
    def _a_time_with_offset(cls, text: str) -> str:
        moment(text)
        return text

    @model_validator(mode="after")
    def _adds_up(self) -> Answered:
        numbers = [mark.mark for mark in self.marks]
        if len(set(numbers)) != len(numbers):
            _wrong("two marks have the same number")
        begun = [mark.candidate for mark in self.marks if mark.candidate is not None]
        if len(set(begun)) != len(begun):
            _wrong("two marks stand for the same candidate")
        counted = sum(mark.counts for mark in self.marks) if self.answer == "counted" else 0
        if counted != self.count:
            _wrong(f"the count is {self.count} but {counted} marks count")
        return self


class Document(_Strict):
    """A corrections file."""

    format: Literal["counting corrections"]
    version: Literal[1]
    trial: Annotated[str, Field(max_length=64)]
    sheet: Annotated[str, Field(max_length=64)]
    reviewer: Annotated[str, Field(min_length=1, max_length=80)]
    saved_at: Annotated[str, Field(max_length=40)]
    photos: Annotated[list[Answered], Field(max_length=100_000)]

    @field_validator("reviewer")
    @classmethod
    def _a_name(cls, text: str) -> str:
        name = unicodedata.normalize("NFC", text).strip()
        if not name or "|" in name or any(unicodedata.category(c) in {"Cc", "Cs"} for c in name):
            _wrong("a name of letters, without | and line breaks, is wanted")
        return name

    @field_validator("saved_at")
    @classmethod
    def _a_time_with_offset(cls, text: str) -> str:
        moment(text)
        return text

    @model_validator(mode="after")
    def _photos_once(self) -> Document:
        named = [answered.photo for answered in self.photos]
        if len(set(named)) != len(named):
            _wrong("a photo is there twice")
        return self


def parse(data: bytes, where: str) -> Document:
    """Return the document in a file's bytes.

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
        value = json.loads(data.decode("utf-8-sig"), parse_constant=_no_number)
    except (UnicodeDecodeError, ValueError, RecursionError) as error:
        reason = " ".join(str(error).split())[:120]
        raise CorrectionsError(where, f"not JSON ({reason})", expected, mend) from error
    if not isinstance(value, dict) or value.get("format") != FORMAT:
        raise CorrectionsError(where, "not a corrections file", expected, mend)
    try:
        return Document.model_validate(value)
    except ValidationError as error:
        faults = faults_in_words(error, values=False)
        raise CorrectionsError(where, faults, mend=mend) from error


def moment(text: str) -> datetime:
    """Return an ISO 8601 time with offset, in UTC.

    Raises
    ------
    ValueError
        If it is none, lacks the offset, or lies more than a day ahead.
    """
    value = datetime.fromisoformat(text)
    if value.tzinfo is None:
        _wrong("a time without its offset from UTC")
    value = value.astimezone(UTC)
    if value > datetime.now(UTC) + _CLOCK_SLACK:
        _wrong(f"the time {text} lies ahead; set the device's clock and answer the photo again")
    return value


def _no_number(text: str) -> NoReturn:
    _wrong(f"{text} is no number")


def _wrong(text: str) -> NoReturn:
    raise ValueError(text)
