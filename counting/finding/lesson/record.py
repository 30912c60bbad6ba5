"""How the finder does in one trial: its counts held against those that people confirmed."""

from __future__ import annotations

from dataclasses import dataclass

from counting.ledger import Ledger
from counting.ledger.facts import all_proposals, answers_that_stand

__all__ = ["Record", "record"]


@dataclass(frozen=True, slots=True)
class Record:
    """Photos of a trial that people counted, and what the finder had said of them.

    Attributes
    ----------
    photos : int
        Photos counted by a person.
    proposed, counted : int
        Fruit proposed on them, and fruit that the people counted.
    held : int
        Photos whose count lies in the interval that was given.
    """

    photos: int
    proposed: int
    counted: int
    held: int

    def sentence(self) -> str:
        """Return what a person should know of it; empty without photos."""
        if not self.photos:
            return ""
        if not self.counted:
            usual = f"proposed {self.proposed} fruit where people counted none"
        else:
            percent = round(100 * (self.proposed / self.counted - 1))
            many = "too many" if percent > 0 else "too few"
            usual = f"counts {abs(percent)} % {many}" if percent else "counts as many as people do"
        photos = "photo" if self.photos == 1 else "photos"
        return (
            f"In this trial the finder {usual}; its intervals held on "
            f"{self.held} of {self.photos} reviewed {photos}."
        )


def record(ledger: Ledger) -> Record:
    """Return how the finder did on the photos that people counted."""
    standing = answers_that_stand(ledger)
    wanted = {answer.proposal for answer in standing.values()}
    made = {each.entry: each for each in all_proposals(ledger) if each.entry in wanted}
    photos = proposed = counted = held = 0
    for answer in standing.values():
        told = made.get(answer.proposal)
        if not answer.counted or told is None:
            continue
        # a photo too crowded to mark carries a count alone
        fruit = len(answer.fruit) if answer.marks else answer.count
        photos += 1
        proposed += len(told.counted)
        counted += fruit
        if told.count_low is not None and told.count_high is not None:
            held += told.count_low <= fruit <= told.count_high
    return Record(photos, proposed, counted, held)
