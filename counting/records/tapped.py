"""Values tapped on a phone in the row: taken one by one, asked about where two people differ."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from counting import __version__
from counting.errors import TallyError
from counting.files import sha256_bytes
from counting.ledger.facts import Event, Tally, event_of, tallies
from counting.ledger.facts.times import read_time
from counting.plan.trial import Trial
from counting.records.tally_sheet import TallySheet
from counting.spreadsheet import Row, Sheet, iso_date
from counting.text import plain_name

__all__ = ["NOTE", "TAKEN_BACK", "Standing", "Tapped", "skew"]

_COLUMNS = ("survey", "plant", "truss", "measure", "value", "unit", "by", "at", "note")
_WHERE = "the value"
TAKEN_BACK = "taken back"
"""Reason of a value that was recorded and then undone."""
NOTE = "note"
"""Kind of event by which the diary holds a note on a plant."""
_LONGEST = 300
_CLOSE = timedelta(minutes=10)
"""Clocks that differ by less are taken for right: phones on no network drift by seconds a day."""


class Standing(TallyError):
    """Another person recorded the same on this plant: which stands is asked, nothing is summed.

    Parameters
    ----------
    other : Tally
        The other person's.
    """

    def __init__(self, other: Tally) -> None:
        shown = "missing" if other.value is None else f"{other.value:g}"
        self.told = {"by": other.by, "value": shown}
        super().__init__(_WHERE, f"{other.by} recorded {shown} here")

    def __str__(self) -> str:
        """Say who recorded what."""
        return self.found


def skew(now: str) -> timedelta:
    """Return by how much a phone's clock is behind this machine's; nothing where they agree.

    Parameters
    ----------
    now : str
        What the phone's clock said when it sent.
    """
    told = read_time(now)
    if told is None or told.tzinfo is None:
        return timedelta()
    behind = datetime.now(UTC) - told
    return behind if abs(behind) > _CLOSE else timedelta()


class Tapped:
    """Takes values of a walk into a trial's ledger.

    Parameters
    ----------
    trial : Trial
    behind : timedelta
        By how much the phone's clock is behind: the time of each value is set right by it, so that
        of two walkers' values the later one is known; what the phone said stays in the note.
    """

    def __init__(self, trial: Trial, behind: timedelta) -> None:
        self._trial = trial
        self._behind = behind
        with trial.ledger() as ledger:
            self._held = {tally.key: tally for tally in tallies(ledger)}

    def take(self, told: Mapping[str, Any]) -> None:
        """Take one value, or a note, as `counting tally` takes a sheet of one line.

        Parameters
        ----------
        told : mapping
            survey, plant, truss, measure, value, unit, by, at, note; no measure: a note on the
            plant; ``over``: it stands although another person recorded the same.

        Raises
        ------
        Standing
            If another person recorded the same and nobody said which stands.
        TallyError
            If it cannot be used.
        """
        cells = {name: str(told.get(name) or "").strip() for name in _COLUMNS}
        if not cells["measure"]:
            self._note(cells)
            return
        back = not cells["value"] and not cells["note"]
        cells["note"] = TAKEN_BACK if back else cells["note"]
        tally = self._clocked(self._read(cells))
        held = self._held.get(tally.key)
        if back and (held is None or held.value is None):
            return  # taken back before it was sent
        if held and replace(held, at="") == replace(tally, at=""):
            return  # sent again after a lost reply
        if not told.get("over") and not back:
            self._ask(tally)
        with self._trial.ledger() as ledger:
            ledger.add([tally], by=f"counting {__version__}")
        self._held[tally.key] = tally

    def _note(self, cells: Mapping[str, str]) -> None:
        """Write a note on a plant into the diary, in place of an earlier one of the same person."""
        if cells["plant"] not in set(self._trial.plants["code"]):
            raise TallyError(_WHERE, f"no plant {cells['plant']!r} in the plan")
        try:
            day = iso_date(cells["survey"])
            note = plain_name(cells["note"], "note")[:_LONGEST]
            by = plain_name(cells["by"], "by")
        except ValueError as error:
            raise TallyError(_WHERE, str(error)) from error
        own = "|".join((day, cells["plant"], by))
        name = sha256_bytes(own.encode("utf-8"))[:16]
        with self._trial.ledger() as ledger:
            held = event_of(ledger, name)
            if not note and held is None:
                return
            told = Event(day, NOTE, cells["plant"], by=by, note=note).named(name)
            if not note and held:
                told = replace(held, struck=True, why=TAKEN_BACK)
            ledger.add([told], by=f"counting {__version__}")

    def _read(self, cells: Mapping[str, str]) -> Tally:
        sheet = Sheet(Path(_WHERE), _COLUMNS, (Row(1, cells),), decimal_comma=False)
        values, doubts = TallySheet(self._trial, sheet, "", "").read()
        if doubts:
            raise TallyError(_WHERE, doubts[0].what)
        return values[0].tally

    def _clocked(self, tally: Tally) -> Tally:
        at = read_time(tally.at)
        if not self._behind or at is None or at.tzinfo is None:
            return tally
        said = f"the phone's clock said {tally.at[:16].replace('T', ' ')}"
        note = "; ".join(filter(None, (tally.note, said)))
        return replace(tally, at=(at + self._behind).isoformat(timespec="seconds"), note=note)

    def _ask(self, tally: Tally) -> None:
        """Ask where another person's value of the same thing stands, unless they agree."""
        for other in self._held.values():
            same = other.of_what == tally.of_what and other.by != tally.by
            if same and other.note != TAKEN_BACK and other.value != tally.value:
                raise Standing(other)
