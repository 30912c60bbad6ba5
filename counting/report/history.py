"""Who did what when for one plant, from the ledger alone."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

from counting.errors import PlanError
from counting.ledger import Entry, Ledger
from counting.ledger.facts import (
    Answer,
    Event,
    Exclusion,
    Photo,
    Proposal,
    Sheet,
    Tally,
    fact_of,
)
from counting.plan.codes import CodeBook
from counting.plan.trial import PLANTS_NAME, Trial
from counting.records.observations import observations

__all__ = ["Step", "history"]


@dataclass(frozen=True, slots=True)
class Step:
    """One fact about a plant.

    Attributes
    ----------
    at, by : str
        When it was written into the ledger, and by whom.
    what : str
        What happened, in words.
    entry : int
        The entry's place in the ledger.
    stands : bool
        False where a later entry took its place.
    """

    at: str
    by: str
    what: str
    entry: int
    stands: bool

    def line(self) -> str:
        """Return the step as a line to read."""
        later = "" if self.stands else " [corrected later]"
        return f"  {self.at[:19].replace('T', ' ')} {self.by}: {self.what}{later}"


def history(trial: Trial, plant: str) -> tuple[list[Step], list[str]]:
    """Return all that the ledger holds about a plant, and the values that follow from it.

    Parameters
    ----------
    trial : Trial
        The trial.
    plant : str
        The plant's code.

    Returns
    -------
    steps : list of Step
        In the order written.
    values : list of str
        A sentence for each of the plant's observations, as the comparison takes them.

    Raises
    ------
    PlanError
        If the plan has no such plant.
    """
    plant = CodeBook(trial.plants["code"]).find(plant) or plant
    rows = trial.plants[trial.plants["code"] == plant]
    if rows.empty:
        mend = f"the codes stand in {PLANTS_NAME}"
        raise PlanError(trial.directory, f"no plant {plant!r} in the plan", mend=mend)
    row = rows.iloc[0]
    scopes = {"", plant, str(row["plot"]), str(row["block"]), str(row["group"])}
    with trial.ledger() as ledger:
        newest = {(entry.kind, entry.key): entry.seq for entry in ledger.entries()}
        steps = [
            Step(entry.at, who, what, entry.seq, newest[entry.kind, entry.key] == entry.seq)
            for entry, who, what in _facts(ledger, plant, scopes)
        ]
        table = observations(trial, ledger)
    values = []
    for value in table[table["plant"] == plant].to_dict("records"):
        missing = value["value"] != value["value"]
        number = "missing" if missing else _told(value["value"], str(value["unit"]))
        truss = "" if value["truss"] is None or value["truss"] != value["truss"] else value["truss"]
        place = f", truss {truss}" if str(truss).isdecimal() else ""
        note = f" ({value['note']})" if value["note"] else ""
        name = str(value["measure"]).replace("_", " ")
        values.append(f"{value['survey']}{place}: {name} {number}, by {value['source']}{note}")
    return steps, values


def _told(value: float, unit: str) -> str:
    """Return a value with its unit; a count has none."""
    return f"{value:g}" if unit in {"", "count"} else f"{value:g} {unit}"


def _facts(ledger: Ledger, plant: str, scopes: set[str]) -> Iterator[tuple[Entry, str, str]]:
    """Yield the entries that concern a plant, who wrote them and what they say."""
    files: dict[str, str] = {}
    for entry in ledger.entries():
        match fact_of(entry):
            case Photo() as photo if photo.plant == plant:
                files[photo.photo] = photo.file
                yield entry, entry.by, _photo(photo)
            case Photo() as photo if photo.photo in files:
                yield entry, entry.by, f"moved {files.pop(photo.photo)} to plant {photo.plant}"
            case Proposal() as proposal if proposal.photo in files:
                yield entry, entry.by, _proposal(proposal, files[proposal.photo])
            case Sheet() as sheet:
                shown = [files[photo] for photo in sheet.photos if photo in files]
                if shown:
                    yield entry, entry.by, f"put {', '.join(shown)} on sheet {sheet.sheet}"
            case Answer() as answer if answer.photo in files:
                yield entry, answer.reviewer, _answer(answer, files[answer.photo])
            case Tally() as tally if tally.plant == plant:
                yield entry, tally.by or entry.by, _tally(tally)
            case Event() as event if event.scope in scopes:
                yield entry, event.by or entry.by, _event(event)
            case Exclusion() as said if said.plant == plant or said.photo in files:
                yield entry, entry.by, _exclusion(said, files)


def _photo(photo: Photo) -> str:
    words = [f"survey {photo.survey}"]
    words += [f"truss {photo.truss}"] if photo.truss is not None else []
    words += [f"side {photo.side}"] if photo.side else []
    words += [f"taken {photo.taken_at}"] if photo.taken_at else []
    words += [f"bound by {photo.bound_by}"]
    if photo.view_of:
        return f"counts on {photo.file}, taken of a plant beside: {', '.join(words)}"
    return f"took in {photo.file}: {', '.join(words)}"


def _proposal(proposal: Proposal, file: str) -> str:
    interval = f"{proposal.count_low:g} to {proposal.count_high:g}"
    expected = f"{proposal.count:g} expected, {interval}; {proposal.version}"
    if proposal.made_with.lesson:
        expected = f"{expected}; lesson {proposal.made_with.lesson}"
    return f"proposed {proposal.proposed} fruit on {file} ({expected})"


def _answer(answer: Answer, file: str) -> str:
    if not answer.counted:
        return f"answered {answer.answer!r} for {file} (at {answer.at})"
    states = Counter(mark.state for mark in answer.marks)
    marks = ", ".join(f"{number} {state}" for state, number in sorted(states.items()))
    return f"counted {answer.count} fruit on {file} at {answer.at}: {marks or 'no marks'}"


def _tally(tally: Tally) -> str:
    truss = "" if tally.truss is None else f", truss {tally.truss}"
    value = "missing" if tally.value is None else f"{tally.value:g}"
    note = f" ({tally.note})" if tally.note else ""
    name = tally.measure.replace("_", " ")
    return f"tallied {name} at {tally.survey}{truss}: {value}{note}"


def _event(event: Event) -> str:
    words = [f"{event.kind_of} at {event.at}", event.scope or "whole trial"]
    words += [text for text in (event.product, event.note) if text]
    struck = f"; struck: {event.why}" if event.struck else ""
    return f"diary: {', '.join(words)}{struck}"


def _exclusion(said: Exclusion, files: dict[str, str]) -> str:
    what = files[said.photo] if said.photo else "the plant"
    what += f" at {said.survey}" if said.survey else ""
    return f"counted {what} again" if said.lifted else f"left out {what}: {said.reason}"
