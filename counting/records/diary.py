"""The diary: dated events, and the cautions that belong beside an application."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from counting import __version__
from counting.errors import TallyError
from counting.ledger import Ledger, facts
from counting.ledger.facts import Event, read_time
from counting.plan.codes import CodeBook
from counting.plan.trial import Trial
from counting.records.dilution import Dilution, dilution_of, read_dilution
from counting.spreadsheet import likely_year, number, read_sheet
from counting.tables import EVENTS, frame
from counting.text import plain_name

__all__ = [
    "CAUTIONS",
    "KINDS",
    "Written",
    "as_lines",
    "dilution",
    "events",
    "read_events",
    "strike",
    "write_events",
]

KINDS = (
    "application",
    "pruning",
    "leaf removal",
    "picking",
    "storm damage",
    "frost",
    "heat",
    "planting",
    "mulching",
    "watering",
    "feeding",
    "change of counter",
    "temperature",
    "other",
)
"""Kinds of event that are offered; any other word is taken as well."""

CAUTIONS = (
    "The product's label and the rules of your country come first: crop, dose, number of "
    "treatments; more than the label says is never better. Ask the local authority if in doubt.",
    "Keep the days between treatment and harvest, and the time before anyone goes back among the "
    "plants, that the label gives.",
    "Wear the protective clothing that the label names, gloves and eye protection at least, also "
    "for a home-made mix; never mix products unless the label allows it.",
    "In many places only a trained or licensed person may apply a product, above all for others.",
    "A home-made or unregistered mix may be against the law on plants that are eaten. Try any new "
    "mix on a few leaves two days before.",
    "Don't spray in wind, before rain, in heat, or on open flowers while bees fly.",
    "Keep the fruit of treated plants apart. Nobody eats, sells or gives it away until it is known "
    "to be safe and allowed.",
    "This record is no advice and no approval of the product or the dose.",
)
"""Shown whenever an application is recorded; after the advice of extension services and authorities
of several countries (NDSU H1096, UF/IFAS 2021, HSE, EU 1107/2009, California ENF 07-08) and common
practice."""

_COLUMNS = tuple(name for name in EVENTS if name != "event")
_NUMBERS = ("product_parts", "water_parts", "ml_per_litre", "amount_litre")
_TEMPERATURES = ("low_c", "high_c")
_COLDEST, _HOTTEST = -60.0, 70.0
"""Beyond what was ever measured near the ground, or under glass."""
_LONGEST = 2000
_CLOSE = 0.02
"""A dose in ml per litre may differ by this share from the parts given with it; covers rounding
and the gap between ``1 : 100`` and ``1 in 100``."""


@dataclass(frozen=True, slots=True)
class Written:
    """What became of the events.

    Attributes
    ----------
    events : DataFrame
        The events given, columns `counting.tables.EVENTS`.
    added : int
        How many were new.
    remarks : tuple of str
        What the person should see: dilutions in both readings, doubts.
    cautions : tuple of str
        `CAUTIONS` if an application is among them, else empty.
    """

    events: pd.DataFrame
    added: int
    remarks: tuple[str, ...]
    cautions: tuple[str, ...]


def write_events(
    trial: Trial, rows: Iterable[Mapping[str, str]], *, where: str = "diary"
) -> Written:
    """Write events into the ledger, all of them or, if any is bad, none.

    Parameters
    ----------
    trial : Trial
        The trial.
    rows : iterable of mapping
        Column to text, as typed: at, kind, scope, product, product_parts, water_parts, dilution,
        ml_per_litre, amount_litre, weather, by, note; event, its id, to correct an earlier one.
    where : str
        Named in messages; the rows' lines count from 1.

    Raises
    ------
    TallyError
        If any event cannot be used; every bad one is named.
    """
    listed = [(f"line {line}", row) for line, row in enumerate(rows, start=1)]
    return _write(trial, listed, where)


def read_events(trial: Trial, path: Path) -> Written:
    """Write the events of a sheet (CSV, XLSX, ODS) into the ledger; see `write_events`.

    Raises
    ------
    TallyError
        If the sheet cannot be read, has an unknown column, or any event cannot be used.
    """
    sheet = read_sheet(path, TallyError)
    known = {*EVENTS, "dilution"}
    unknown = [name for name in sheet.columns if name not in known]
    missing = [name for name in ("at", "kind") if name not in sheet.columns]
    if unknown or missing:
        found = f"unknown column {', '.join(unknown)}" if unknown else f"no column {missing[0]}"
        raise TallyError(path, found, f"columns among {', '.join((*_COLUMNS, 'dilution'))}")
    rows = []
    for row in sheet.rows:
        cells = dict(row.cells)
        if sheet.decimal_comma:
            names = (*_NUMBERS, *_TEMPERATURES)
            cells |= {name: _pointed(cells.get(name, "")) for name in names}
        rows.append((f"line {row.line}", cells))
    return _write(trial, rows, str(path))


def _pointed(text: str) -> str:
    """Return a number of a sheet with decimal commas with a decimal point; other text as it is."""
    try:
        return repr(number(text, decimal_comma=True)) if text else ""
    except ValueError:
        return text


def _write(trial: Trial, rows: Sequence[tuple[str, Mapping[str, str]]], where: str) -> Written:
    scopes = _scopes(trial)
    told, faults, remarks = [], [], []
    for line, row in rows:
        try:
            event, said = _event(row, scopes)
        except ValueError as error:
            faults.append(f"{line}: {error}" if len(rows) > 1 or where != "diary" else str(error))
            continue
        told.append(event)
        remarks += said
    if faults:
        mend = "nothing was written"
        raise TallyError(where, "\n  ".join(faults), mend=mend)
    with trial.ledger() as ledger:
        added = ledger.add(told, by=f"counting {__version__}")
    applied = any(event.kind_of == "application" for event in told)
    table = frame((event.row for event in told), EVENTS)
    return Written(table, added, tuple(dict.fromkeys(remarks)), CAUTIONS if applied else ())


def events(ledger: Ledger) -> pd.DataFrame:
    """Return the diary by time, columns `counting.tables.EVENTS`; struck lines are left out."""
    told = sorted(facts.events(ledger), key=lambda event: (event.at, event.event))
    return frame((event.row for event in told), EVENTS)


def strike(trial: Trial, event: str, reason: str, *, by: str) -> None:
    """Strike a line out of the diary; the ledger keeps it with the reason.

    Raises
    ------
    TallyError
        If there is no such event or no reason is given.
    """
    option = "--strike"
    with trial.ledger() as ledger:
        standing = facts.event_of(ledger, event)
        if standing is None:
            mend = "list the diary to see the ids"
            raise TallyError(option, f"no event {event!r}", mend=mend)
        try:
            reason, by = plain_name(reason, "the reason"), plain_name(by, "by")
        except ValueError as error:
            raise TallyError(option, str(error)) from error
        if not reason:
            raise TallyError(option, "no reason given", mend="say why with --note")
        ledger.add([replace(standing, struck=True, why=reason)], by=by)


def dilution(event: Mapping[str, Any]) -> Dilution | None:
    """Return an event's dilution, None where it has no parts."""
    parts, water = event["product_parts"], event["water_parts"]
    if pd.isna(parts) or pd.isna(water):
        return None
    return Dilution(float(parts), float(water), f"{parts:g} : {water:g}")


def as_lines(table: pd.DataFrame, *, ids: bool = True) -> list[str]:
    """Return the diary as lines to read, one or two per event; with its id, by which it is struck.

    Parameters
    ----------
    table : DataFrame
        As `events` returns it.
    ids : bool
    """
    lines = []
    for row in table.to_dict("records"):
        event = {str(name): value for name, value in row.items()}
        words = [event["at"].replace("T", " "), event["kind"], event["scope"] or "whole trial"]
        words += [event[name] for name in ("product",) if event[name]]
        if pd.notna(event["amount_litre"]):
            words.append(f"{event['amount_litre']:g} litres")
        words += [event[name] for name in ("weather", "note") if event[name]]
        if pd.notna(event["low_c"]):
            words.append(f"{event['low_c']:g} to {event['high_c']:g} °C")
        words += [f"by {event['by']}"] if event["by"] else []
        lines.append(f"{event['event']}  {', '.join(words)}" if ids else ", ".join(words))
        mix = dilution(event)
        if mix:
            lines.append(f"{' ' * 18}{mix.sentence}")
        elif pd.notna(event["ml_per_litre"]):
            lines.append(f"{' ' * 18}{event['ml_per_litre']:.2f} ml per litre of mix")
    return lines or ["The diary is empty."]


def _scopes(trial: Trial) -> CodeBook:
    columns = ("group", "block", "plot", "code")
    return CodeBook(str(name) for column in columns for name in trial.plants[column])


def _event(row: Mapping[str, str], scopes: CodeBook) -> tuple[Event, list[str]]:
    """Return an event and what the person should see about it."""
    text = {name: plain_name(str(row.get(name, "") or ""), name) for name in (*EVENTS, "dilution")}
    too_long = [name for name, value in text.items() if len(value) > _LONGEST]
    if too_long:
        message = f"{too_long[0]} is longer than {_LONGEST} letters"
        raise ValueError(message)
    at, kind = _at(text["at"]), text["kind"].lower()
    if not kind:
        message = f"no kind; any word will do, such as {', '.join(KINDS)}"
        raise ValueError(message)
    scope = scopes.find(text["scope"]) if text["scope"] else ""
    if text["scope"] and not scope:
        near = scopes.meant(text["scope"])
        ask = f"did you mean {near}? Or " if near else ""
        message = (
            f"scope {text['scope']!r} is no group, block, plot or plant of the plan; {ask}"
            "leave it empty for the whole trial"
        )
        raise ValueError(message)
    numbers, remarks = _dose(text)
    numbers |= _temperatures(text)
    if kind == "application" and not text["product"]:
        message = "an application without a product; name the product or recipe"
        raise ValueError(message)
    if kind == "application" and len(at) == 10:
        remarks.append("No hour is noted; heat, dew and bees depend on it.")
    event = Event(
        at=at,
        kind_of=kind,
        scope=scope,
        product=text["product"],
        weather=text["weather"],
        by=text["by"],
        note=text["note"],
        **numbers,
    )
    return event.named(text["event"]), remarks


def _temperatures(text: Mapping[str, str]) -> dict[str, float | None]:
    """Return a day's lowest and highest temperature, both or none."""
    found: dict[str, float | None] = dict.fromkeys(_TEMPERATURES)
    for name in _TEMPERATURES:
        if not text[name]:
            continue
        try:
            value = number(text[name])
        except ValueError as error:
            message = f"{name}: {error}"
            raise ValueError(message) from None
        if not _COLDEST <= value <= _HOTTEST:
            message = f"{name} is {text[name]}; degrees Celsius are expected"
            raise ValueError(message)
        found[name] = value
    low, high = (found[name] for name in _TEMPERATURES)
    if (low is None) != (high is None):
        message = "low_c and high_c go together: the day's lowest and highest temperature"
        raise ValueError(message)
    if low is not None and high is not None and low > high:
        message = f"low_c {low:g} is above high_c {high:g}"
        raise ValueError(message)
    return found


def _at(text: str) -> str:
    """Return a date, or a date and time, in ISO 8601; an offset is kept where there is one."""
    time = read_time(text.replace(" ", "T", 1))
    if time is None:
        message = f"at {text!r} is no date and time; write 2026-07-01 or 2026-07-01 07:30"
        raise ValueError(message)
    likely_year(time.year)
    return time.date().isoformat() if len(text) == 10 else time.isoformat(timespec="minutes")


def _dose(text: Mapping[str, str]) -> tuple[dict[str, Any], list[str]]:
    """Return product and water as numbers, held against each other."""
    numbers: dict[str, Any] = dict.fromkeys(_NUMBERS)
    for name in _NUMBERS:
        if not text[name]:
            continue
        try:
            numbers[name] = number(text[name])
        except ValueError as error:
            message = f"{name}: {error}"
            raise ValueError(message) from None
        if numbers[name] <= 0:
            message = f"{name} is {text[name]}; it must be above 0, or left out"
            raise ValueError(message)
    parts, water = numbers["product_parts"], numbers["water_parts"]
    if (parts is None) != (water is None):
        message = "product_parts and water_parts go together; give both"
        raise ValueError(message)
    mix = dilution_of(parts, water) if parts is not None else None
    if text["dilution"]:
        if mix:
            message = "give either dilution or product_parts and water_parts"
            raise ValueError(message)
        mix = read_dilution(text["dilution"])
    if mix is None:
        return numbers, []
    dose = numbers["ml_per_litre"]
    if dose and abs(dose / mix.ml_per_litre - 1) > _CLOSE:
        message = (
            f"ml_per_litre {dose:g} does not fit the dilution: {mix.sentence} Correct one of them"
        )
        raise ValueError(message)
    remarks = [mix.sentence]
    if mix.upside_down:
        remarks.append("That is more product than water; are the parts the wrong way round?")
    numbers |= {
        "product_parts": mix.product_parts,
        "water_parts": mix.water_parts,
        "ml_per_litre": round(mix.ml_per_litre, 4),
        "dilution": mix.words,
    }
    return numbers, remarks
