"""Hand counts and other measures from sheets, wide or long, into the ledger."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from counting import __version__
from counting.errors import TallyError
from counting.ledger.facts import tally_of
from counting.plan.trial import Trial
from counting.records.sheets.doubt import Doubt, doubts_as_lines
from counting.records.sheets.told import NOTHING_TOLD, Told
from counting.records.sheets.understand import Reading, understand
from counting.records.tally_sheet import TallySheet, Value
from counting.tables import OBSERVATIONS, frame
from counting.typed import day_readings

__all__ = ["Tallied", "read_values", "take_tallies"]


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
    readings : tuple of Reading
        How each file was understood.
    """

    rows: pd.DataFrame
    added: int
    corrected: int
    again: int
    readings: tuple[Reading, ...] = ()


def take_tallies(
    trial: Trial,
    files: Iterable[Path],
    *,
    survey: str = "",
    by: str = "",
    told: Told = NOTHING_TOLD,
) -> Tallied:
    """Take sheets of hand counts in, all of them or, if any row is bad, none.

    Parameters
    ----------
    trial : Trial
        The trial.
    files : iterable of Path
        CSV, XLSX or ODS. Long: survey, plant, truss, measure, value, unit, source, by, at, note.
        Wide: survey, plant, truss, by, at, note and a column for each measure. Lengths are in mm
        unless the unit (or the heading, ``height cm``, or the cell) says cm or m.
    survey, by : str, optional
        Date and counter of the rows that name none.
    told : Told, optional
        How a person said that such files are to be read.

    Returns
    -------
    Tallied

    Raises
    ------
    TallyError
        If a file cannot be read or any row cannot be used; every bad row is named.
    """
    values: list[Value] = []
    doubts: list[Doubt] = []
    readings = []
    for path in files:
        reading = understand(trial, path, told)
        found, unclear = read_values(trial, reading, survey, by)
        readings.append(reading)
        values += found
        doubts += unclear
    doubts += _contradictions(values)
    if doubts:
        raise _refusal([str(reading.path) for reading in readings], doubts)
    return replace(_write(trial, values), readings=tuple(readings))


def read_values(
    trial: Trial, reading: Reading, survey: str, by: str
) -> tuple[list[Value], list[Doubt]]:
    """Return the values of a spreadsheet that was understood, and all that is unclear in it.

    Raises
    ------
    TallyError
        If a column is unknown or lacking, or nobody said how its dates are meant.
    """
    if reading.dates == "?":
        texts = (row.get("survey") for row in reading.sheet.rows)
        text = next(text for text in texts if len(day_readings(text)) == 2)
        one, other = day_readings(text)
        found = f"{text} may be {one.day} {one:%B} or {other.day} {other:%B} {one:%Y}"
        mend = "pass --dates day-first or --dates month-first; it is remembered"
        raise TallyError(reading.path, found, mend=mend)
    try:
        found_values, unclear = TallySheet(trial, reading.sheet, survey, by).read()
    except TallyError as error:
        if not reading.notes:
            raise
        raise TallyError(
            error.where, error.found, error.expected, ". ".join([error.mend, *reading.notes])
        ) from error
    return found_values, [*reading.doubts, *unclear]


def _refusal(names: Sequence[str], doubts: Sequence[Doubt]) -> TallyError:
    """Return the error that names all that is unclear: a sentence, or a table of several."""
    mend = "nothing was written; mend and take it in again"
    where = ", ".join(names)
    if len(doubts) == 1:
        return TallyError(where, str(doubts[0]), mend=mend)
    rows = len({(doubt.file, doubt.line) for doubt in doubts})
    head = f"{rows} rows cannot be used" if rows > 1 else "1 row cannot be used"
    lines = [f"{head}; {mend}", *doubts_as_lines(doubts)]
    return TallyError(where, "\n  ".join(lines))


def _write(trial: Trial, values: Sequence[Value]) -> Tallied:
    facts = {value.tally.key: value.tally for value in values}
    with trial.ledger() as ledger:
        found = {key: tally_of(ledger, key) for key in facts}
        added = ledger.add(facts.values(), by=f"counting {__version__}")
    corrected = sum(
        before is not None and before.value != facts[key].value for key, before in found.items()
    )
    columns = ("group", "block", "plot")
    places = {
        str(code): dict(zip(columns, place, strict=True))
        for code, *place in trial.plants[["code", *columns]].itertuples(index=False)
    }
    table = frame((each.row | places[each.plant] for each in facts.values()), OBSERVATIONS)
    return Tallied(table, added, corrected, len(facts) - added)


def _contradictions(values: Sequence[Value]) -> Iterator[Doubt]:
    """Yield a doubt for every value that stands twice and differs."""
    seen: dict[str, Value] = {}
    for value in values:
        tally = value.tally
        before = seen.setdefault(tally.key, value)
        if before.tally.value != tally.value:
            what = (
                f"{tally.measure} of plant {tally.plant} is "
                f"{_shown(tally.value)} here and {_shown(before.tally.value)} in {before.where}"
            )
            yield Doubt(value.file, value.line, what, tally.plant, tally.measure)


def _shown(value: float | None) -> str:
    return "missing" if value is None else f"{value:g}"
