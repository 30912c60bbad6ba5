"""Hand counts and other measures from sheets, wide or long, into the ledger."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from counting import __version__
from counting.errors import TallyError
from counting.plan.trial import Trial
from counting.records.tally_sheet import TallySheet, Value
from counting.spreadsheet import read_sheet
from counting.tables import OBSERVATIONS, frame

__all__ = ["Tallied", "take_tallies"]

_MOST_FAULTS = 50
"""Bad rows named one by one; of more only the number is told."""


@dataclass(frozen=True, slots=True)
class Tallied:
    """What became of the sheets.

    Attributes
    ----------
    rows : DataFrame
        The values read, columns `counting.tables.OBSERVATIONS`.
    added : int
        Values new to the ledger, those that correct an earlier one among them.
    corrected : int
        Values that differ from an earlier one of the same counter; the ledger keeps both.
    again : int
        Values that the ledger held already, just so.
    """

    rows: pd.DataFrame
    added: int
    corrected: int
    again: int


def take_tallies(trial: Trial, files: Iterable[Path], *, survey: str = "", by: str = "") -> Tallied:
    """Take sheets of hand counts in, all of them or, if any row is bad, none.

    Parameters
    ----------
    trial : Trial
        The trial.
    files : iterable of Path
        CSV, XLSX or ODS. Long: survey, plant, truss, measure, value, unit, source, by, at, note.
        Wide: survey, plant, truss, by, at, note and a column for each measure. Lengths are in mm
        unless the unit (or the heading, ``height cm``) says cm or m.
    survey, by : str, optional
        Date and counter of the rows that name none.

    Returns
    -------
    Tallied

    Raises
    ------
    TallyError
        If a file cannot be read or any row cannot be used; every bad row is named.
    """
    values: list[Value] = []
    faults: list[str] = []
    names = []
    for path in files:
        names.append(str(path))
        sheet = read_sheet(path, TallyError)
        reader = TallySheet(trial, sheet, survey, by)
        found, bad = reader.read()
        values += found
        faults += bad
    faults += _contradictions(values)
    if faults:
        raise _refusal(names, faults)
    return _write(trial, values)


def _refusal(names: Sequence[str], faults: Sequence[str]) -> TallyError:
    """Return the error that names every bad row, each on a line of its own if there are several."""
    mend = "nothing was written; mend and take it in again"
    where = ", ".join(names)
    if len(faults) == 1:
        return TallyError(where, faults[0], mend=mend)
    more = len(faults) - _MOST_FAULTS
    shown = [*faults[:_MOST_FAULTS], *([f"and {more} more"] if more > 0 else [])]
    lines = [f"{len(faults)} rows cannot be used; {mend}", *shown]
    return TallyError(where, "\n  ".join(lines))


def _write(trial: Trial, values: Sequence[Value]) -> Tallied:
    facts = {value.key: value.body for value in values}
    with trial.ledger() as ledger:
        found = {key: ledger.get("observation", key) for key in facts}
        added = ledger.append_many(
            (("observation", key, body) for key, body in facts.items()),
            by=f"counting {__version__}",
        )
    corrected = sum(
        before is not None and before.body["value"] != facts[key]["value"]
        for key, before in found.items()
    )
    columns = ("group", "block", "plot")
    places = {
        str(code): dict(zip(columns, place, strict=True))
        for code, *place in trial.plants[["code", *columns]].itertuples(index=False)
    }
    table = frame(({**body, **places[body["plant"]]} for body in facts.values()), OBSERVATIONS)
    return Tallied(table, added, corrected, len(facts) - added)


def _contradictions(values: Sequence[Value]) -> Iterator[str]:
    """Yield a fault for every value that stands twice and differs."""
    seen: dict[str, Value] = {}
    for value in values:
        before = seen.setdefault(value.key, value)
        if before.body["value"] != value.body["value"]:
            body = value.body
            yield (
                f"{value.where}: {body['measure']} of plant {body['plant']} is "
                f"{_shown(body['value'])} here and {_shown(before.body['value'])} in {before.where}"
            )


def _shown(value: float | None) -> str:
    return "missing" if value is None else f"{value:g}"
