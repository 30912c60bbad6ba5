"""What is left out of a trial: a photo, a plant at a survey, a plant altogether."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Self

from counting.ledger.facts.photo import Photo
from counting.ledger.store import EntryKind

__all__ = ["Exclusion", "LeftOut"]


@dataclass(frozen=True, slots=True)
class Exclusion:
    """One plant or photo that does not count.

    Attributes
    ----------
    plant : str
        Code of the plant; empty for a photo.
    survey : str
        The survey it is left out of; empty for all of them, and for a photo.
    photo : str
        SHA-256 of the photo; empty for a plant.
    reason : str
        Why.
    by_photo : str
        SHA-256 of the photo that took its place; empty where none did.
    lifted : bool
        It counts again.
    by, at : str
        Who said so and when, as the ledger wrote it; empty until then.
    """

    kind: ClassVar[EntryKind] = "exclusion"

    plant: str = ""
    survey: str = ""
    photo: str = ""
    reason: str = ""
    by_photo: str = ""
    lifted: bool = False
    by: str = ""
    at: str = ""

    @property
    def key(self) -> str:
        """The ledger's key: ``PLANT|SURVEY``, or the photo."""
        return self.photo or f"{self.plant}|{self.survey}"

    def named(self, photos: Mapping[str, Photo]) -> tuple[str, str]:
        """Return what is left out in words, a photo with its plant, and the survey if of one.

        Parameters
        ----------
        photos : mapping of str to Photo
            The trial's photos by SHA-256.
        """
        photo = photos.get(self.photo)
        if self.plant or photo is None:
            return self.plant or f"photo {self.photo[:8]}", self.survey
        return f"{photo.plant}, photo {photo.file.rsplit('/', 1)[-1]}", photo.survey

    @classmethod
    def of_body(cls, body: Mapping[str, Any], key: str, by: str = "", at: str = "") -> Self:
        """Return the exclusion that an entry's key and body tell of."""
        plant, bar, survey = key.partition("|")
        return cls(
            plant=plant if bar else "",
            survey=survey,
            photo="" if bar else key,
            reason=str(body.get("reason", "")),
            by_photo=body.get("by_photo", ""),
            lifted=bool(body.get("lifted", False)),
            by=by,
            at=at,
        )

    def to_body(self) -> dict[str, Any]:
        """Return the exclusion as the ledger keeps it, beside its key."""
        body: dict[str, Any] = {"reason": self.reason}
        if self.by_photo:
            body["by_photo"] = self.by_photo
        if self.lifted:
            body["lifted"] = True
        return body


@dataclass(frozen=True, slots=True)
class LeftOut:
    """All that is left out of a trial at present.

    Attributes
    ----------
    exclusions : tuple of Exclusion
        Those in force, in the order in which they were said.
    """

    exclusions: tuple[Exclusion, ...]
    _keys: frozenset[str]

    @classmethod
    def of(cls, standing: Iterable[Exclusion]) -> Self:
        """Return what is left out, those lifted again not among them."""
        held = tuple(each for each in standing if not each.lifted)
        return cls(held, frozenset(each.key for each in held))

    def photo(self, photo: str) -> bool:
        """Whether a photo (SHA-256) is left out itself."""
        return photo in self._keys

    def plant(self, plant: str, survey: str) -> bool:
        """Whether a plant is left out of a survey."""
        return f"{plant}|" in self._keys or f"{plant}|{survey}" in self._keys

    def why(self, photo: str) -> Exclusion | None:
        """Return the exclusion of a photo, None if it is not left out itself."""
        return next((each for each in self.exclusions if each.photo == photo), None)
