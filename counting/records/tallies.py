"""Hand counts and other measures from a sheet, wide or long, into the ledger."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from counting import __version__
from counting.errors import TallyError
from counting.measures import MEASURES, Measure, measure
from counting.plan.trial import Trial
from counting.records.truss_columns import unfold_trusses
from counting.spreadsheet import Row, Sheet, iso_date, number, read_sheet, truss_number, whole
from counting.tables import OBSERVATIONS, frame

__all__ = ["Tallied", "take_tallies"]

_LONG = ("survey", "plant", "truss", "measure", "value", "unit", "source", "by", "at", "note")
_ROW = ("survey", "plant", "truss", "by", "at", "note")
_PLAN = ("group", "block", "plot", "row", "position")
"""Columns of the plan that may stand beside; they must agree with it."""
_REMARKS = ("weather",)
"""Columns of the field sheet that are kept with the note."""
_BLANK = {"", "-", "na", "n/a"}
_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0}
_IN_UNIT = re.compile(r"(?P<name>\w+?)(?:[ _]*\(?(?P<unit>mm|cm|m|%)\)?)")
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


@dataclass(frozen=True, slots=True)
class _Value:
    """One value and the line it stands on."""

    where: str
    key: str
    body: dict[str, Any]


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
    values: list[_Value] = []
    faults: list[str] = []
    names = []
    for path in files:
        names.append(str(path))
        sheet = unfold_trusses(read_sheet(path, TallyError))
        reader = _Reader(trial, sheet, survey, by)
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


def _write(trial: Trial, values: Sequence[_Value]) -> Tallied:
    facts = {value.key: value.body for value in values}
    with trial.ledger() as ledger:
        standing = {entry.key: entry.body for entry in ledger.standing("observation")}
        added = ledger.append_many(
            (("observation", key, body) for key, body in facts.items()),
            by=f"counting {__version__}",
        )
    corrected = sum(
        key in standing and standing[key]["value"] != body["value"] for key, body in facts.items()
    )
    columns = ("group", "block", "plot")
    places = {
        str(code): dict(zip(columns, place, strict=True))
        for code, *place in trial.plants[["code", *columns]].itertuples(index=False)
    }
    table = frame(({**body, **places[body["plant"]]} for body in facts.values()), OBSERVATIONS)
    return Tallied(table, added, corrected, len(facts) - added)


def _contradictions(values: Sequence[_Value]) -> Iterator[str]:
    """Yield a fault for every value that stands twice and differs."""
    seen: dict[str, _Value] = {}
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


class _Reader:
    """Reads one sheet's rows, gathering all of their faults."""

    def __init__(self, trial: Trial, sheet: Sheet, survey: str, by: str) -> None:
        self._sheet = sheet
        self._survey = survey
        self._by = by
        self._known = dict(MEASURES)
        main = trial.plan.main_measure
        self._known.setdefault(main, measure(main))
        self._plants = {
            str(row["code"]).casefold(): {str(name): row[name] for name in ("code", *_PLAN)}
            for row in trial.plants.to_dict("records")
        }
        self._long = "measure" in sheet.columns or "value" in sheet.columns
        self._measures = self._headings()

    def _headings(self) -> dict[str, tuple[Measure, str]]:
        """Return the measures that stand as columns, with their units; refuse unknown columns."""
        sheet = self._sheet
        known = {*(_LONG if self._long else _ROW), *_PLAN, *_REMARKS, "source"}
        found = {}
        unknown = []
        for name in sheet.columns:
            if name in known:
                continue
            named = None if self._long else self._measure_heading(name)
            if named:
                found[name] = named
            else:
                unknown.append(name)
        if unknown:
            wanted = ", ".join(_LONG if self._long else (*_ROW, *self._known))
            mend = "; ".join(filter(None, map(self._meant, unknown))) or "rename or remove it"
            text = f"unknown column {', '.join(map(repr, unknown))}"
            raise TallyError(sheet.path, text, f"columns among {wanted}", mend)
        needed = ["plant", *(["measure", "value"] if self._long else [])]
        needed += [] if self._survey else ["survey"]
        missing = [name for name in needed if name not in sheet.columns]
        if missing:
            mend = f"add it; the columns are {', '.join(_LONG if self._long else _ROW)}"
            raise TallyError(sheet.path, f"no column {', '.join(missing)}", mend=mend)
        if not self._long and not found:
            wanted = f"a column for each measure: {', '.join(self._known)}"
            raise TallyError(sheet.path, "no measure among the columns", wanted)
        return found

    def _measure_heading(self, name: str) -> tuple[Measure, str] | None:
        plain = name.replace(" ", "_")
        if plain in self._known:
            return self._known[plain], ""
        parts = _IN_UNIT.fullmatch(name)
        if parts and parts["name"].strip("_") in self._known:
            entry = self._known[parts["name"].strip("_")]
            if (parts["unit"] == "%") == (entry.kind == "percent") and entry.kind != "count":
                return entry, "percent" if parts["unit"] == "%" else parts["unit"]
        return None

    def _meant(self, name: str) -> str:
        close = difflib.get_close_matches(name, [*self._known, *_LONG], n=1, cutoff=0.7)
        return f"{name!r} may mean {close[0]!r}" if close else ""

    def read(self) -> tuple[list[_Value], list[str]]:
        """Return the values and one sentence for each row that cannot be used."""
        values: list[_Value] = []
        faults: list[str] = []
        for row in self._sheet.rows:
            where = f"{self._sheet.path.name}, line {row.line}"
            bad: list[str] = []
            try:
                base = self._base(row)
            except ValueError as error:
                faults.append(f"{where}: {error}")
                continue
            for name, text, unit in self._cells(row):
                try:
                    body = self._body(base, name, text, unit, row)
                except ValueError as error:
                    bad.append(str(error))
                    continue
                if body:
                    values.append(_Value(where, _key(body), body))
            if bad:
                faults.append(f"{where}: {'; '.join(bad)}")
        return values, faults

    def _base(self, row: Row) -> dict[str, Any]:
        """Return what all values of a row share; every fault of it in one message."""
        faults = []
        survey = row.get("survey") or self._survey
        truss = None
        for check, text in ((iso_date, survey), (truss_number, row.get("truss"))):
            try:
                outcome = check(text)
            except ValueError as error:
                faults.append(str(error) if text else "no survey date")
                continue
            if check is truss_number:
                truss = outcome
        plan = self._plants.get(row.get("plant").casefold())
        if plan is None:
            named = repr(row.get("plant")) if row.get("plant") else "(none)"
            faults.append(f"plant {named} is not in the plan")
        else:
            faults += self._against_plan(row, plan)
        if row.get("source") not in {"", "tally"}:
            faults.append(
                f"source {row.get('source')!r}: only hand tallies enter here, photo counts are "
                "confirmed"
            )
        if faults:
            raise ValueError("; ".join(faults))
        remarks = [row.get("note"), *(f"{name}: {row.get(name)}" for name in _REMARKS)]
        note = "; ".join(text for text in remarks if text and not text.endswith(": "))
        by = row.get("by") or self._by
        code = plan["code"] if plan else ""
        shared = {"survey": survey, "plant": code, "truss": truss, "by": by}
        return {**shared, "at": row.get("at"), "note": note, "source": "tally"}

    def _against_plan(self, row: Row, plan: dict[str, Any]) -> list[str]:
        faults = []
        for name in _PLAN:
            text = row.get(name)
            if text and pd.notna(plan[name]) and text.casefold() != str(plan[name]).casefold():
                faults.append(f"{name} {text!r}, but the plan says {str(plan[name])!r}")
        return faults

    def _cells(self, row: Row) -> Iterator[tuple[str, str, str]]:
        """Yield the row's values: measure, text, unit."""
        if self._long:
            yield row.get("measure"), row.get("value"), row.get("unit")
            return
        for heading, (entry, unit) in self._measures.items():
            yield entry.name, row.get(heading), unit

    def _body(
        self, base: dict[str, Any], name: str, text: str, unit: str, row: Row
    ) -> dict[str, Any] | None:
        """Return an observation's body, None where the cell says nothing."""
        entry = self._known.get(name.lower().replace(" ", "_"))
        if entry is None:
            hint = self._meant(name)
            known = f"the measures are {', '.join(self._known)}"
            message = f"unknown measure {name!r}; {hint or known}"
            raise ValueError(message)
        if text.lower() in _BLANK:
            if not row.get("note"):
                if not self._long:
                    return None
                message = f"{entry.name} has neither a value nor, in note, the reason it is missing"
                raise ValueError(message)
            value = None
        else:
            value = self._value(entry, text, unit)
        return {**base, "measure": entry.name, "value": value, "unit": entry.unit}

    def _value(self, entry: Measure, text: str, unit: str) -> float:
        """Return a cell's number in the measure's own unit."""
        comma = self._sheet.decimal_comma
        try:
            if entry.kind == "count":
                value = float(whole(text, decimal_comma=comma))
            else:
                value = number(text.removesuffix("%").strip(), decimal_comma=comma)
        except ValueError as error:
            message = f"{entry.name}: {error}"
            raise ValueError(message) from error
        factor = self._factor(entry, unit.strip().lower())
        if value < 0:
            message = f"{entry.name} is {text}, less than nothing"
            raise ValueError(message)
        if entry.kind == "percent" and value > 100:
            message = f"{entry.name} is {text} percent, more than all"
            raise ValueError(message)
        return round(value * factor, 6)

    def _factor(self, entry: Measure, unit: str) -> float:
        if entry.unit == "mm" and unit in _MM:
            return _MM[unit]
        if unit in {"", entry.unit} or (entry.unit == "percent" and unit == "%") or not entry.unit:
            return 1.0
        message = f"{entry.name} in {unit!r}: expected {entry.unit}"
        raise ValueError(message)


def _key(body: dict[str, Any]) -> str:
    truss = "" if body["truss"] is None else body["truss"]
    parts = (body["survey"], body["plant"], truss, body["measure"], body["source"], body["by"])
    return "|".join(map(str, parts))
