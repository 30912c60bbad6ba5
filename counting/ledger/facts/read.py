"""Facts out of the ledger, each as its own type; nobody else reads a body."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TypeVar

from counting.errors import LedgerError
from counting.ledger.facts.answer import Answer, Judged, newest_answers
from counting.ledger.facts.beside import each_fruit_once
from counting.ledger.facts.event import Event
from counting.ledger.facts.exclusion import Exclusion, LeftOut
from counting.ledger.facts.lesson import Lesson
from counting.ledger.facts.photo import Photo
from counting.ledger.facts.plan import PlanRecord
from counting.ledger.facts.proposal import Glance, Proposal
from counting.ledger.facts.sheet import Sheet
from counting.ledger.facts.tally import Tally
from counting.ledger.store import Entry, Ledger

__all__ = [
    "Fact",
    "all_answers",
    "all_proposals",
    "answers",
    "answers_that_stand",
    "entries_of",
    "event_of",
    "events",
    "exclusion_of",
    "fact_of",
    "glances",
    "left_out",
    "lessons",
    "photo_of",
    "photos",
    "plan_record",
    "proposal_of",
    "proposals",
    "sheet_of",
    "sheets",
    "standing_answers",
    "tallies",
    "tally_of",
]

Fact = PlanRecord | Photo | Proposal | Glance | Sheet | Answer | Tally | Event | Lesson | Exclusion
"""What an entry of the ledger can tell."""
T = TypeVar(
    "T", PlanRecord, Photo, Proposal, Glance, Sheet, Answer, Tally, Event, Lesson, Exclusion
)


def fact_of(entry: Entry) -> Fact:
    """Return what an entry tells.

    Raises
    ------
    LedgerError
        If its body is none of its kind.
    """
    try:
        match entry.kind:
            case "proposal":
                return Proposal.of_body(entry.body, entry.hash)
            case "glance":
                return Glance.of_body(entry.body)
            case "exclusion":
                return Exclusion.of_body(entry.body, entry.key, entry.by, entry.at)
            case "photo":
                return Photo.of_body(entry.body)
            case "confirmation":
                return Answer.of_body(entry.body, entry.seq)
            case "observation":
                return Tally.of_body(entry.body, entry.seq, entry.at)
            case "sheet":
                return Sheet.of_body(entry.body)
            case "event":
                return Event.of_body(entry.body)
            case "tuning":
                return Lesson.of_body(entry.body)
            case _:
                return PlanRecord.of_body(entry.body)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        where = f"ledger.sqlite, entry {entry.seq}"
        mend = "run counting audit, and restore the trial's folder from a copy"
        found = f"damaged ({error!r})"
        raise LedgerError(where, found, f"the fact of a {entry.kind}", mend) from error


def entries_of(ledger: Ledger, wanted: type[T]) -> Iterator[tuple[Entry, T]]:
    """Yield the facts of one type that stand, each with the entry that holds it.

    For what asks about the writing itself, such as the audit; else take the fact alone.
    """
    for entry in ledger.standing(wanted.kind):
        for fact in _of_kind(wanted, [entry]):
            yield entry, fact


def photos(ledger: Ledger) -> dict[str, Photo]:
    """Return the trial's photos by SHA-256, those left out too, in the order taken in."""
    return {each.photo: each for each in _standing(ledger, Photo)}


def photo_of(ledger: Ledger, photo: str) -> Photo | None:
    """Return one photo by its SHA-256, None if the trial has none such."""
    return _get(ledger, Photo, photo)


def proposals(ledger: Ledger) -> dict[str, Proposal]:
    """Return the proposal that stands for each photo, by the photo's SHA-256."""
    return {each.photo: each for each in _standing(ledger, Proposal)}


def all_proposals(ledger: Ledger) -> Iterator[Proposal]:
    """Yield every proposal in the order written, those that no longer stand too."""
    return _of_kind(Proposal, ledger.entries(Proposal.kind))


def proposal_of(ledger: Ledger, photo: str) -> Proposal | None:
    """Return the proposal that stands for a photo, None if there is none."""
    return _get(ledger, Proposal, photo)


def glances(ledger: Ledger) -> dict[tuple[str, float, str], Proposal]:
    """Return what reviewed photos show otherwise, by photo, size of the look and weights.

    What weights that half of the photos taught show of another photo stands for what the weights
    of the whole lesson would have shown of it, had it not taught.
    """
    whole = {
        half: each.weights
        for each in _of_kind(Lesson, ledger.entries(Lesson.kind))
        for half in each.halves
    }
    found = [each.seen for each in _standing(ledger, Glance)]
    return {
        (
            each.photo,
            each.made_with.look,
            whole.get(each.made_with.weights, each.made_with.weights),
        ): each
        for each in found
    }


def answers(ledger: Ledger, *, after: int = 0) -> list[Answer]:
    """Return each reviewer's answer for each photo, in the order written.

    Parameters
    ----------
    ledger : Ledger
    after : int
        Leave out those written up to this place in the chain.
    """
    standing = (entry for entry in ledger.standing(Answer.kind) if entry.seq > after)
    return list(_of_kind(Answer, standing))


def all_answers(ledger: Ledger) -> Iterator[Answer]:
    """Yield every answer in the order written, those that no longer stand too."""
    return _of_kind(Answer, ledger.entries(Answer.kind))


def answers_that_stand(ledger: Ledger) -> dict[str, Answer]:
    """Return the answer that stands for each photo that has one and is not left out.

    See `newest_answers` for which answer stands.
    """
    out = left_out(ledger)
    newest = newest_answers(answers(ledger))
    return {photo: answer for photo, answer in newest.items() if not out.photo(photo)}


def standing_answers(ledger: Ledger) -> list[Judged]:
    """Return every photo that is not left out with the answer that stands for it.

    See `newest_answers` for which answer stands; a fruit on two plants' views of one photo counts
    for one of them (`each_fruit_once`).
    """
    out, standing = left_out(ledger), answers_that_stand(ledger)
    listed = (each for each in photos(ledger).values() if not out.photo(each.photo))
    return each_fruit_once(Judged(each, standing.get(each.photo)) for each in listed)


def sheets(ledger: Ledger) -> dict[str, Sheet]:
    """Return the contact sheets by id, in the order made."""
    return {each.sheet: each for each in _standing(ledger, Sheet)}


def sheet_of(ledger: Ledger, sheet: str) -> Sheet | None:
    """Return a contact sheet by its id, None if it was never made."""
    return _get(ledger, Sheet, sheet)


def tallies(ledger: Ledger) -> list[Tally]:
    """Return each counter's tallies, in the order written."""
    return list(_standing(ledger, Tally))


def tally_of(ledger: Ledger, key: str) -> Tally | None:
    """Return a counter's tally by its key, None if there is none."""
    return _get(ledger, Tally, key)


def events(ledger: Ledger) -> list[Event]:
    """Return the diary's events, those struck not among them, in the order written."""
    return [each for each in _standing(ledger, Event) if not each.struck]


def event_of(ledger: Ledger, event: str) -> Event | None:
    """Return an event by its id, None if there is none or it was struck."""
    found = _get(ledger, Event, event)
    return None if found is None or found.struck else found


def exclusion_of(ledger: Ledger, key: str) -> Exclusion | None:
    """Return what is left out under a key, None if nothing is at present."""
    found = _get(ledger, Exclusion, key)
    return None if found is None or found.lifted else found


def left_out(ledger: Ledger) -> LeftOut:
    """Return what is left out at present."""
    return LeftOut.of(_standing(ledger, Exclusion))


def lessons(ledger: Ledger) -> dict[str, Lesson]:
    """Return the lesson that stands for each survey, those that did not help too.

    One that an older version learnt for the whole trial stands under the empty name.
    """
    return {each.survey: each for each in _standing(ledger, Lesson)}


def plan_record(ledger: Ledger) -> PlanRecord | None:
    """Return the plan as it stood at the start, None if it was not recorded."""
    return _get(ledger, PlanRecord, "trial")


def _of_kind(wanted: type[T], entries: Iterable[Entry]) -> Iterator[T]:
    return (fact for fact in map(fact_of, entries) if isinstance(fact, wanted))


def _standing(ledger: Ledger, wanted: type[T]) -> Iterator[T]:
    return _of_kind(wanted, ledger.standing(wanted.kind))


def _get(ledger: Ledger, wanted: type[T], key: str) -> T | None:
    entry = ledger.get(wanted.kind, key)
    return next(_of_kind(wanted, [entry]), None) if entry else None
