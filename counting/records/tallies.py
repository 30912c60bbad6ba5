"""Hand counts and other measures from sheets, wide or long, into the ledger."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import pandas as pd

from counting import __version__
from counting.errors import TallyError
from counting.ledger.facts import Tally, newest_tallies, tallies
from counting.plan.trial import Trial
from counting.records.sheets.doubt import Doubt, doubts_as_lines
from counting.records.sheets.told import NOTHING_TOLD, Told
from counting.records.sheets.understand import Reading, understand
from counting.records.tally_sheet import TallySheet, Value
from counting.records.tapped import TAKEN_BACK
from counting.tables import OBSERVATIONS, frame
from counting.text import plain_name
from counting.typed import day_readings

__all__ = ["Tallied", "read_values", "take_back", "take_tallies"]

_FEW = 3
"""Values named one by one."""


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
        Values that differ from the one that stood before, whoever told it; the ledger keeps both.
    again : int
        Values that the ledger held already, just so.
    overruled : tuple of str
        Of each value that does not stand, since another person told a later one: which one does.
    readings : tuple of Reading
        How each file was understood.
    """

    rows: pd.DataFrame
    added: int
    corrected: int
    again: int
    overruled: tuple[str, ...] = ()
    readings: tuple[Reading, ...] = ()

    @property
    def corrections(self) -> list[str]:
        """What a person should know of values told twice or of a day to come, a sentence each."""
        today = date.today().isoformat()  # it may be the machine's clock: told, not refused
        said = [
            f"Survey {day} is yet to come by this machine's clock. If the date is wrong, empty its"
            " cells on the desk's page Tallies, and take the values in under the right one."
            for day in sorted(set(self.rows["survey"].astype(str)))
            if day > today
        ]
        if self.corrected:
            correct = "corrects" if self.corrected == 1 else "correct"
            said.append(f"{self.corrected} {correct} an earlier value; the ledger keeps both.")
        more = len(self.overruled) - _FEW
        said += self.overruled[:_FEW]
        return said + ([f"{more} more were told anew later, and do not stand."] if more > 0 else [])


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
        before = {each.of_what: each for each in newest_tallies(tallies(ledger))}
        added = ledger.add(facts.values(), by=f"counting {__version__}")
        after = {each.of_what: each for each in newest_tallies(tallies(ledger))}
    told = {tally.of_what: after[tally.of_what] for tally in facts.values()}
    corrected = sum(
        what in before and before[what].value != now.value for what, now in told.items()
    )
    overruled = [
        f"{tally.measure.replace('_', ' ')} of {tally.plant}: {_shown(now.value)}"
        f" ({now.by or 'no name'}) stands; {_shown(tally.value)} ({tally.by or 'no name'})"
        " was told earlier. If that is right, give it a later time, in a column at."
        for tally in facts.values()
        if (now := told[tally.of_what]).value != tally.value
    ]
    columns = ("group", "block", "plot")
    places = {
        str(code): dict(zip(columns, place, strict=True))
        for code, *place in trial.plants[["code", *columns]].itertuples(index=False)
    }
    table = frame((each.row | places[each.plant] for each in facts.values()), OBSERVATIONS)
    return Tallied(table, added, corrected, len(facts) - added, tuple(overruled))


def take_back(trial: Trial, what: Iterable[tuple[str, str, str]], *, by: str = "") -> list[Tally]:
    """Take tallies back: the ledger keeps them, and says who took them back.

    Parameters
    ----------
    trial : Trial
    what : iterable of tuple of str
        Survey, plant and measure, of the whole plant; where nothing stands nothing is done.
    by : str

    Returns
    -------
    list of Tally
        Those taken back, as they stood.

    Raises
    ------
    TallyError
        If one was told truss by truss; then none is taken back.
    """
    try:
        by = plain_name(by, "who counted")
    except ValueError as error:
        raise TallyError("the name", str(error)) from error  # noqa: EM101
    with trial.ledger() as ledger:
        standing = {each.of_what: each for each in newest_tallies(tallies(ledger))}
        by_truss = {each[:2] + each[3:] for each, now in standing.items() if each[2] and now.value}
        back = []
        for survey, plant, name in what:
            tally = standing.get((survey, plant, None, name))
            if tally and tally.value is not None:
                back.append(tally)
            elif (survey, plant, name) in by_truss:
                found = f"{name.replace('_', ' ')} of {plant} was told truss by truss"
                mend = "mend it in the table it came from, and take that in again"
                raise TallyError(survey, found, mend=mend)
        gone = [replace(each, value=None, by=by, at="", note=TAKEN_BACK) for each in back]
        ledger.add(gone, by=f"counting {__version__}")
    return back


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
