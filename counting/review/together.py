"""Likely photos confirmed several at a time: only where the trial's own reviews allow it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from counting.flags import Flag
from counting.ledger import Ledger
from counting.ledger.facts import Answer, Proposal, all_proposals, entries_of, sheets
from counting.review.frames import Frame, doubtful

__all__ = ["FEWEST", "SHARE", "Looked", "likely", "looked_at", "needed_none"]

FEWEST = 8
SHARE = 0.9
"""At least so many likely photos looked at one by one, and at least this share of them right.

Measured on labelled photos (tests/together.md): a set whose likely photos were right in 85 of 100
is let in by the first eight in a quarter of the draws, one with 59 of 100 in one draw of a
hundred, rows full of other plants (15 of 100) never; and photos opened later and found wrong close
the way again."""


@dataclass(frozen=True, slots=True)
class Looked:
    """What looking at likely photos one by one has shown.

    Attributes
    ----------
    photos, right : int
        Looked at, and those of them on which nothing had to be changed.
    """

    photos: int = 0
    right: int = 0

    @property
    def allows(self) -> bool:
        """Whether others like them may be confirmed several at a time."""
        return self.photos >= FEWEST and self.right >= SHARE * self.photos

    @classmethod
    def of(cls, told: Iterable[bool]) -> Looked:
        """Count photos of which each was right or not."""
        listed = list(told)
        return cls(len(listed), sum(listed))


def likely(listed: Sequence[Frame]) -> set[str]:
    """Return the photos of a sheet that are likely right as proposed.

    They are those that are not doubtful and on which something was proposed. A photo that shares
    fruit with another one is left out: a person has to say which are the same; so is one that was
    taken of a plant beside, where only a part counts.
    """
    shared = {frame.photo for frame in listed if frame.likely}
    shared |= {photo for frame in listed for _, photo, _ in frame.likely}
    first = doubtful(listed)
    return {
        frame.photo
        for frame in listed
        if frame.shown
        and frame.photo not in first
        and frame.photo not in shared
        and Flag.BESIDE.value not in frame.flags
    }


def needed_none(answer: Answer, proposal: Proposal | None) -> bool:
    """Tell whether a reviewer left a photo as it was proposed.

    A ring that was moved or made larger is still the same fruit.

    Parameters
    ----------
    answer : Answer
    proposal : Proposal or None
        The one that the answer began from; without it nothing can be said, so False.
    """
    if not answer.counted or proposal is None:
        return False
    counted = {each.candidate for each in proposal.counted}
    told = {mark.candidate for mark in answer.marks if mark.counts}
    unsure = any(mark.state == "unsure" for mark in answer.marks)
    return not unsure and len(told) == answer.count and told == counted


def looked_at(ledger: Ledger, *, before: int | None = None) -> dict[str, bool]:
    """Return the likely photos that were looked at one by one, and whether each was right.

    Parameters
    ----------
    ledger : Ledger
    before : int, optional
        Only what stood in the chain before this place.
    """
    asked = {sheet.sheet: set(sheet.likely) for sheet in sheets(ledger).values()}
    alone = {
        answer.photo: answer
        for _, answer in entries_of(ledger, Answer)
        if answer.alone
        and answer.photo in asked.get(answer.sheet, ())
        and (before is None or answer.seq < before)
    }
    if not alone:
        return {}
    began = {answer.proposal for answer in alone.values()}
    known = {each.entry: each for each in all_proposals(ledger) if each.entry in began}
    return {
        photo: needed_none(answer, known.get(answer.proposal)) for photo, answer in alone.items()
    }
