"""Who did what when for one plant, from the ledger alone."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from counting.errors import PlanError
from counting.ledger import Entry, Ledger
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
        number = "missing" if missing else f"{value['value']:g} {value['unit']}".strip()
        truss = "" if value["truss"] is None or value["truss"] != value["truss"] else value["truss"]
        place = f", truss {truss}" if str(truss).isdecimal() else ""
        note = f" ({value['note']})" if value["note"] else ""
        name = str(value["measure"]).replace("_", " ")
        values.append(f"{value['survey']}{place}: {name} {number}, by {value['source']}{note}")
    return steps, values


def _facts(ledger: Ledger, plant: str, scopes: set[str]) -> Iterator[tuple[Entry, str, str]]:
    """Yield the entries that concern a plant, who wrote them and what they say."""
    files: dict[str, str] = {}
    for entry in ledger.entries():
        body = entry.body
        if entry.kind == "photo" and body["plant"] == plant:
            files[entry.key] = str(body["file"])
            yield entry, entry.by, _photo(body)
        elif entry.kind == "photo" and entry.key in files:
            yield entry, entry.by, f"moved {files.pop(entry.key)} to plant {body['plant']}"
        elif entry.kind == "proposal" and entry.key in files:
            yield entry, entry.by, _proposal(body, files[entry.key])
        elif entry.kind == "sheet":
            shown = [files[row["photo"]] for row in body["photos"] if row["photo"] in files]
            if shown:
                yield entry, entry.by, f"put {', '.join(shown)} on sheet {body['sheet']}"
        elif entry.kind == "confirmation" and body["photo"] in files:
            yield entry, str(body["reviewer"]), _confirmation(body, files[body["photo"]])
        elif entry.kind == "observation" and body["plant"] == plant:
            yield entry, str(body["by"]) or entry.by, _tally(body)
        elif entry.kind == "event" and body.get("scope", "") in scopes:
            yield entry, str(body["by"]) or entry.by, _event(body)
        elif entry.kind == "exclusion" and entry.key.partition("|")[0] in {plant, *files}:
            yield entry, entry.by, _exclusion(entry, files)


def _photo(body: dict[str, Any]) -> str:
    words = [f"survey {body['survey']}"]
    words += [f"truss {body['truss']}"] if body["truss"] is not None else []
    words += [f"side {body['side']}"] if body["side"] else []
    words += [f"taken {body['taken_at']}"] if body["taken_at"] else []
    words += [f"bound by {body['bound_by']}"]
    return f"took in {body['file']}: {', '.join(words)}"


def _proposal(body: dict[str, Any], file: str) -> str:
    expected = f"{body['count']:g} expected, {body['count_low']:g} to {body['count_high']:g}"
    return f"proposed {body.get('proposed', 0)} fruit on {file} ({expected}; {body['version']})"


def _confirmation(body: dict[str, Any], file: str) -> str:
    if body["answer"] != "counted":
        return f"answered {body['answer']!r} for {file} (at {body['at']})"
    states = Counter(mark["state"] for mark in body["marks"])
    marks = ", ".join(f"{number} {state}" for state, number in sorted(states.items()))
    return f"counted {body['count']} fruit on {file} at {body['at']}: {marks or 'no marks'}"


def _tally(body: dict[str, Any]) -> str:
    truss = "" if body["truss"] is None else f", truss {body['truss']}"
    value = "missing" if body["value"] is None else f"{body['value']:g}"
    note = f" ({body['note']})" if body["note"] else ""
    return f"tallied {body['measure']} at {body['survey']}{truss}: {value}{note}"


def _event(body: dict[str, Any]) -> str:
    words = [f"{body['kind']} at {body['at']}"]
    words += [body["scope"] or "whole trial"]
    words += [str(body[name]) for name in ("product", "note") if body.get(name)]
    struck = f"; struck: {body.get('why', '')}" if body.get("struck") else ""
    return f"diary: {', '.join(words)}{struck}"


def _exclusion(entry: Entry, files: dict[str, str]) -> str:
    plant, bar, survey = entry.key.partition("|")
    what = (f"the plant at {survey}" if survey else "the plant") if bar else files[plant]
    if entry.body.get("lifted"):
        return f"counted {what} again"
    return f"left out {what}: {entry.body.get('reason', '')}"
