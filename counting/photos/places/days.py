"""The camera's days held against the survey that photos are to belong to."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Self

from counting.photos.binding import FROM_CAMERA
from counting.photos.claims import Found
from counting.text import few

__all__ = ["Days"]

_FEW = 3


@dataclass(frozen=True, slots=True)
class Days:
    """On which days the photos of a batch were taken, and where that is doubtful.

    Attributes
    ----------
    surveys : tuple of str
        The surveys that the photos would belong to.
    taken : mapping of str to sequence of str
        The camera's day to the names of the photos taken on it, the earliest day first.
    other : mapping of str to sequence of str
        Those of them that would belong to another day's survey.
    spread : bool
        The days alone, no date of the command, of a list or a folder, made several surveys.
    """

    surveys: tuple[str, ...]
    taken: Mapping[str, Sequence[str]]
    other: Mapping[str, Sequence[str]]
    spread: bool

    @classmethod
    def of(cls, found: Sequence[Found], survey: str) -> Self:
        """Hold photos against their surveys; `survey` is what was said for all, empty if nothing.

        Parameters
        ----------
        found : sequence of Found
            The photos that would enter.
        survey : str
            A date, ``from-camera`` or nothing.
        """
        taken: dict[str, list[str]] = defaultdict(list)
        other: dict[str, list[str]] = defaultdict(list)
        by_camera = set()
        for item in found:
            day, binding = item.examined.taken.time[:10], item.binding
            if not day:
                continue
            taken[day].append(item.path.name)
            if binding.survey != day:
                other[day].append(item.path.name)
            if binding.dated_by == "camera":
                by_camera.add(day)
        surveys = tuple(sorted({item.binding.survey for item in found}))
        spread = survey != FROM_CAMERA and len(by_camera) > 1
        return cls(surveys, dict(sorted(taken.items())), dict(sorted(other.items())), spread)

    @property
    def doubtful(self) -> bool:
        """Whether a person should say what is meant."""
        return bool(self.other) or self.spread

    @property
    def sentence(self) -> str:
        """What is doubtful, in words; empty if nothing is."""
        if self.other:
            days = "; ".join(
                f"{len(names)} on {day} ({few(names, _FEW)})" for day, names in self.other.items()
            )
            surveys = ", ".join(self.surveys)
            return f"By the camera these photos are of another day than survey {surveys}: {days}."
        if self.spread:
            days = "; ".join(f"{day} ({few(names, _FEW)})" for day, names in self.taken.items())
            return f"The photos were taken on {len(self.taken)} days: {days}."
        return ""

    @property
    def choices(self) -> tuple[tuple[str, str], ...]:
        """What may be meant: the survey to say for each reading, and the reading in words."""
        many, kept = len(self.taken), min(self.surveys)
        if many > 1:
            split = (FROM_CAMERA, f"{many} days, {many} surveys: each photo to the camera's day")
        else:
            split = (FROM_CAMERA, f"survey {next(iter(self.taken))}, the camera's day")
        why = "the camera's clock is wrong, or one survey took several days"
        if len(self.surveys) > 1 and not self.spread:  # lists or folders say them
            return split, ("", f"the surveys {', '.join(self.surveys)} as said ({why})")
        return split, (kept, f"all to survey {kept} ({why})")

    @property
    def remark(self) -> str:
        """What is doubtful once the photos were taken in, with the mend; empty if nothing is."""
        many = len(self.taken)
        if self.other:
            day = next(iter(self.other))
            mend = (
                f"{many} days: {many} surveys? Take them in again with --survey from-camera"
                " --replace."
                if many > 1
                else f"Is {day} meant? Take them in again with --survey from-camera --replace."
            )
            return f"{self.sentence} {mend} If the camera's clock is wrong, nothing is to do."
        if self.spread:
            return (
                f"{self.sentence} They became {many} surveys. One survey? Take them in again with"
                f" --survey {min(self.taken)} --replace."
            )
        return ""
