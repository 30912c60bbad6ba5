"""One sheet of hand counts: its headings understood, its rows held against the plan."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from counting.errors import TallyError
from counting.ledger.facts import Tally
from counting.measures import MEASURES, Measure, measure
from counting.plan.codes import CodeBook
from counting.plan.trial import Trial
from counting.records.sheets.doubt import Doubt
from counting.spreadsheet import Row, Sheet, iso_date, number, truss_number, whole
from counting.text import one_line, plain_name

__all__ = ["TallySheet", "Value"]

_LONG = ("survey", "plant", "truss", "measure", "value", "unit", "source", "by", "at", "note")
_ROW = ("survey", "plant", "truss", "by", "at", "note")
_PLAN = ("group", "block", "plot", "row", "position")
"""Columns of the plan that may stand beside; they must agree with it."""
_REMARKS = ("weather",)
"""Columns of the field sheet that are kept with the note."""
_MOST = 1_000_000.0
"""No plant bears or measures more: a large apple tree bears some thousand fruit, and in mm this is
a kilometre (common practice)."""
_BLANK = {"", "-", "na", "n/a"}
_TRUSS = re.compile(r"(?P<name>.+?)[ _]truss[ _]?(?P<truss>[1-9]\d{0,2})", re.ASCII)
"""Heading of a measure of one truss, such as ``fruit truss 2``."""
_NOWHERE = Tally("", "", "", None, "")
"""Stands for the rest of a row that is unclear, so that its cells are checked as well."""
_UNITS: dict[str, dict[str, float]] = {
    "mm": {"mm": 1.0, "cm": 10.0, "m": 1000.0},
    "g": {"g": 1.0, "kg": 1000.0},
    "percent": {"percent": 1.0, "%": 1.0},
}
"""Units that people write, in the measure's own."""
_IN_UNIT = re.compile(r"(?P<name>\w+?)(?:[ _]*\(?(?P<unit>mm|cm|m|kg|g|%)\)?)")


@dataclass(frozen=True, slots=True)
class _Column:
    """A heading that is a measure: in which unit, and of which truss if it says."""

    measure: Measure
    unit: str = ""
    truss: int | None = None


@dataclass(frozen=True, slots=True)
class _Cell:
    """What stands in one cell of a measure."""

    name: str
    text: str
    unit: str
    truss: int | None


@dataclass(frozen=True, slots=True)
class Value:
    """One value and where it stands.

    Attributes
    ----------
    file : str
    line : int
    tally : Tally
        The value.
    """

    file: str
    line: int
    tally: Tally

    @property
    def where(self) -> str:
        """File and line, for messages."""
        return f"{self.file}, line {self.line}"


class TallySheet:
    """A sheet of hand counts, long or wide.

    Parameters
    ----------
    trial : Trial
        The plan that its rows must fit.
    sheet : Sheet
        The cells.
    survey, by : str
        Date and counter of the rows that name none; may be empty.

    Raises
    ------
    TallyError
        If a column is unknown or lacking.
    """

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
        self._codes = CodeBook(trial.plants["code"])
        self._plots = _plots(trial)
        self._by_plot = trial.plan.allotted_to != "plant"
        self._long = "measure" in sheet.columns or "value" in sheet.columns
        self._measures = {
            heading: column
            for heading, column in self._headings().items()
            if (column.measure.name == main and column.truss is None)
            or any(row.get(heading).lower() not in _BLANK for row in sheet.rows)
        }

    def _headings(self) -> dict[str, _Column]:
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
            meant = ", ".join(f"{name!r}{self._meant(name)}" for name in unknown)
            mend = f'say what it is, --column "{unknown[0]}=fruit" (or ignore), or remove it'
            raise TallyError(sheet.path, f"unknown column {meant}", f"some of {wanted}", mend)
        missing = [name for name in self._needed() if name not in sheet.columns]
        if missing:
            mend = f"add it; the columns are {', '.join(_LONG if self._long else _ROW)}"
            raise TallyError(sheet.path, f"no column {', '.join(missing)}", mend=mend)
        if not self._long and not found:
            expected = f"a column for each measure: {', '.join(self._known)}"
            raise TallyError(sheet.path, "no measure among the columns", expected)
        return found

    def _needed(self) -> list[str]:
        needed = ["plant", *(["measure", "value"] if self._long else [])]
        return needed if self._survey else [*needed, "survey"]

    def _measure_heading(self, name: str) -> _Column | None:
        of_truss = _TRUSS.fullmatch(name)
        if of_truss:
            entry = self._known.get(of_truss["name"].replace(" ", "_"))
            return _Column(entry, truss=int(of_truss["truss"])) if entry else None
        plain = name.replace(" ", "_")
        if plain in self._known:
            return _Column(self._known[plain])
        parts = _IN_UNIT.fullmatch(name)
        entry = self._known.get(parts["name"].strip("_")) if parts else None
        if not parts or not entry or entry.kind == "count":
            return None
        if parts["unit"] not in _UNITS.get(entry.unit, ()):
            return None
        return _Column(entry, parts["unit"])

    def _meant(self, name: str) -> str:
        close = difflib.get_close_matches(name, [*self._known, *_LONG], n=1, cutoff=0.7)
        return f" (is {close[0]!r} meant?)" if close else ""

    def read(self) -> tuple[list[Value], list[Doubt]]:
        """Return the values and what is wrong with each row that cannot be used."""
        values: list[Value] = []
        faults: list[Doubt] = []
        file = self._sheet.path.name
        for row in self._sheet.rows:
            try:
                row = _plain(row)
            except ValueError as error:
                faults.append(Doubt(file, row.line, str(error), one_line(row.get("plant"))))
                continue
            plant = row.get("plant")
            bad: list[Doubt] = []
            found: list[Tally] = []
            base: Tally | None
            try:
                base = self._base(row)
            except ValueError as error:
                faults.append(Doubt(file, row.line, str(error), plant))
                base = None
            for cell in self._cells(row):
                try:
                    found += self._tallies(base or _NOWHERE, cell, row)
                except ValueError as error:
                    bad.append(Doubt(file, row.line, str(error), plant, cell.name, cell.text))
            if not bad:
                bad = [Doubt(file, row.line, text, plant) for text in _too_many(found)]
            faults += bad
            if base is None:
                continue
            shared = [each for tally in found for each in self._shared_out(tally, row)]
            values += [Value(file, row.line, tally) for tally in shared]
        return values, faults

    def _shared_out(self, tally: Tally, row: Row) -> list[Tally]:
        """Return a plot's pick as equal parts of its plants; any other tally as it is."""
        plot = self._plot(row)
        if not plot:
            return [tally]
        note = f"{plot[0]['plot']} picked together, {len(plot)} plants"
        note = f"{tally.note}; {note}" if tally.note else note
        part = None if tally.value is None else tally.value / len(plot)
        return [replace(tally, plant=each["code"], value=part, note=note) for each in plot]

    def _plot(self, row: Row) -> list[dict[str, Any]]:
        """Return the plants of the plot that a row is of; none where it is of a plant."""
        code = row.get("plant").casefold()
        return [] if code in self._plants else self._plots.get(code, [])

    def _base(self, row: Row) -> Tally:
        """Return what all values of a row share; every fault of it in one message."""
        faults = []
        survey = row.get("survey") or self._survey
        truss: int | None = None
        for check, text in ((iso_date, survey), (truss_number, row.get("truss"))):
            try:
                check(text)
            except ValueError as error:
                faults.append(str(error) if text else "no survey date; write it, or pass --survey")
                continue
            if check is truss_number:
                truss = truss_number(text)
        plot = self._plot(row)
        plan = plot[0] if plot else self._plants.get(row.get("plant").casefold())
        if plot:
            faults += self._against_plan(row, plan or {}, _PLAN[:3])
        elif plan is None:
            faults.append(self._codes.unknown(row.get("plant")))
        else:
            faults += self._against_plan(row, plan, _PLAN)
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
        return Tally(survey, code, "", None, "", truss, by, row.get("at"), note)

    def _against_plan(self, row: Row, plan: dict[str, Any], names: tuple[str, ...]) -> list[str]:
        faults = []
        for name in names:
            text = row.get(name)
            if text and pd.notna(plan[name]) and text.casefold() != str(plan[name]).casefold():
                faults.append(f"{name} {text!r}, but the plan says {str(plan[name])!r}")
        return faults

    def _cells(self, row: Row) -> Iterator[_Cell]:
        """Yield the row's values."""
        if self._long:
            yield _Cell(row.get("measure"), row.get("value"), row.get("unit"), None)
            return
        for heading, column in self._measures.items():
            yield _Cell(column.measure.name, row.get(heading), column.unit, column.truss)

    def _tallies(self, base: Tally, cell: _Cell, row: Row) -> list[Tally]:
        """Return a cell's observation, none where it says nothing."""
        entry = self._known.get(cell.name.lower().replace(" ", "_"))
        if entry is None:
            known = f"the measures are {', '.join(self._known)}"
            message = f"unknown measure {cell.name!r}{self._meant(cell.name)}; {known}"
            raise ValueError(message)
        of_plot = self._plot(row)
        if of_plot and not (entry.harvest and self._by_plot):
            message = (
                f"{row.get('plant')!r} is a plot: only what is picked can be told of a whole plot"
                + ("" if self._by_plot else ", and here plants were treated one by one")
            )
            if cell.text.lower() in _BLANK:
                return []
            raise ValueError(message)
        if cell.truss is not None and base.truss is not None:
            message = f"{entry.name} truss {cell.truss} in a row of truss {base.truss}"
            raise ValueError(message)
        value = None
        if cell.text.lower() not in _BLANK:
            value = self._value(entry, cell.text, cell.unit)
        elif cell.truss is not None or (not self._long and not row.get("note")):
            return []
        elif not row.get("note"):
            message = f"{entry.name} has neither a value nor, in note, the reason it is missing"
            raise ValueError(message)
        truss = cell.truss if cell.truss is not None else base.truss
        return [replace(base, truss=truss, measure=entry.name, value=value, unit=entry.unit)]

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
        if value * factor > _MOST:
            message = f"{entry.name} is {text} on one plant: is that meant? Count it again"
            raise ValueError(message)
        if value < 0:
            message = f"{entry.name} is {text}, less than nothing"
            raise ValueError(message)
        if entry.kind == "percent" and value > 100:
            message = f"{entry.name} is {text} percent, more than all"
            raise ValueError(message)
        return round(value * factor, 6)

    def _factor(self, entry: Measure, unit: str) -> float:
        known = _UNITS.get(entry.unit, {})
        if unit in known:
            return known[unit]
        if unit in {"", entry.unit} or not entry.unit:
            return 1.0
        message = f"{entry.name} in {unit!r}: expected {entry.unit}"
        raise ValueError(message)


def _plots(trial: Trial) -> dict[str, list[dict[str, Any]]]:
    """Return the plants of each plot that are counted, by the plot's code."""
    found: dict[str, list[dict[str, Any]]] = {}
    for row in trial.plants.to_dict("records"):
        if not (pd.notna(row["guard"]) and row["guard"]):
            plant = {str(name): row[name] for name in ("code", *_PLAN)}
            found.setdefault(str(row["plot"]).casefold(), []).append(plant)
    return found


def _plain(row: Row) -> Row:
    """Return a row with its texts as they are compared.

    Raises
    ------
    ValueError
        If a cell holds a control character.
    """
    return Row(row.line, {name: plain_name(text, name) for name, text in row.cells.items()})


def _too_many(tallied: Sequence[Tally]) -> list[str]:
    """Return a fault if a row's trusses bear more than the plant in all."""
    whole_plant = {tally.measure: tally for tally in tallied if tally.truss is None}
    faults = []
    for name, plant in whole_plant.items():
        parts = [each.value for each in tallied if each.measure == name and each.truss is not None]
        known = sum(part for part in parts if part is not None)
        if plant.value is not None and plant.unit == "count" and known > plant.value:
            faults.append(
                f"the trusses bear {known:g} {name}, more than the {plant.value:g} in all"
            )
    return faults
