"""What a person types, read the one way it can be meant; in doubt the mend is to ask, not guess."""

from __future__ import annotations

import re
from datetime import date

__all__ = ["day", "day_readings", "length_mm", "plain_number", "share", "whole_number", "yes"]

_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)", re.ASCII)
_PERCENT = re.compile(r"(?P<number>.*?)\s*(%|per ?cent)", re.IGNORECASE)
_LENGTH = re.compile(r"(?P<number>.*?\d[.,]?)\s*(?P<unit>mm|cm|m)?", re.IGNORECASE)
MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0}
"""mm in each unit of length."""
_DATE = re.compile(r"(\d{1,4})\s*([./-])\s*(\d{1,2})\s*\2\s*(\d{1,4})", re.ASCII)
_DAY_MONTH_NAME = re.compile(r"(\d{1,2})\.?[ -]+([a-z]+)\.?[ ,-]+(\d{4}|\d{2})", re.ASCII)
_MONTH_NAME_DAY = re.compile(r"([a-z]+)\.? +(\d{1,2}),? +(\d{4})", re.ASCII)
_MONTHS = ("january", "february", "march", "april", "may", "june", "july", "august", "september",
           "october", "november", "december")  # fmt: skip


def plain_number(text: str) -> float:
    """Return a number typed with a point or a comma.

    Raises
    ------
    ValueError
        If it is none.
    """
    if not _NUMBER.fullmatch(text.strip()) or len(text) > 30:
        message = f"{text!r} is not a number"
        raise ValueError(message)
    return float(text.strip().replace(",", "."))


def whole_number(text: str, least: int = 0, most: int = 1_000_000) -> int:
    """Return a whole number from `least` to `most`.

    Raises
    ------
    ValueError
        If it is none of these.
    """
    plain = text.strip()
    if not (plain.isascii() and plain.isdecimal()) or len(plain) > 12:
        message = f"{text!r} is not a whole number"
        raise ValueError(message)
    if not least <= int(plain) <= most:
        message = f"{text!r} is not between {least} and {most}"
        raise ValueError(message)
    return int(plain)


def share(text: str) -> float:
    """Return "25 %", "25%", "0.25" and "0,25" alike as 0.25.

    Raises
    ------
    ValueError
        If it is no number; or if it is 1 or more and has no sign, since 25 might be 25 % or 25
        times as much. The text is the question.
    """
    plain = text.strip()
    signed = _PERCENT.fullmatch(plain)
    value = plain_number(signed["number"] if signed else plain)
    if signed:
        return value / 100
    if abs(value) > 1 or plain in {"1", "-1"}:
        message = (
            f"{text!r}: do you mean {plain}%? Then write {plain}% or {value / 100:g};"
            f" if {value:g} times as much is meant, write {value * 100:g}%"
        )
        raise ValueError(message)
    return value


def length_mm(text: str) -> float:
    """Return a length in mm; "10", "10 mm" and "1 cm" are alike.

    Raises
    ------
    ValueError
        If it is no length.
    """
    parts = _LENGTH.fullmatch(text.strip())
    if not parts:
        message = f"{text!r} is not a length; write 10 mm or 1 cm"
        raise ValueError(message)
    return round(plain_number(parts["number"]) * MM[(parts["unit"] or "mm").lower()], 6)


def yes(text: str) -> bool:
    """Return whether yes was typed, not no.

    Raises
    ------
    ValueError
        If it is neither.
    """
    words = {"y": True, "yes": True, "n": False, "no": False}
    if text.strip().lower() not in words:
        message = f"{text!r} is neither yes nor no"
        raise ValueError(message)
    return words[text.strip().lower()]


def day_readings(text: str) -> list[date]:
    """Return the days that a text can mean: one, two (01/07/2026), or none if it is no date.

    A year first or a month in letters leaves one reading; so do points (1.7.2026 is day, month,
    year wherever dates have points, as is common practice); dashes and strokes leave two where
    both numbers can be months.
    """
    plain = " ".join(text.strip().split())
    named = _DAY_MONTH_NAME.fullmatch(plain.lower())
    if named:
        return _days(named[3], _month(named[2]), named[1])
    named = _MONTH_NAME_DAY.fullmatch(plain.lower())
    if named:
        return _days(named[3], _month(named[1]), named[2])
    parts = _DATE.fullmatch(plain)
    if not parts:
        return []
    first, mark, second, third = parts.groups()
    if len(first) == 4:
        return _days(first, int(second), third)
    if len(first) > 2:
        return []
    readings = _days(third, int(second), first)
    if mark != ".":
        readings += [other for other in _days(third, int(first), second) if other not in readings]
    return readings


def _days(year: str, month: int, day_: str) -> list[date]:
    if len(year) not in (2, 4) or len(day_) > 2:
        return []
    try:
        return [date(int(year) if len(year) == 4 else 2000 + int(year), month, int(day_))]
    except ValueError:
        return []


def _month(word: str) -> int:
    """Return a month's number by its English name or the first three letters; 0 if it is none."""
    found = [n for n, name in enumerate(_MONTHS, start=1) if name.startswith(word)]
    return found[0] if len(word) >= 3 and found else 0


def day(text: str) -> date:
    """Return the one day that a text means.

    Raises
    ------
    ValueError
        If it is no date, or can be read as two; the text says how to write it.
    """
    readings = day_readings(text)
    if len(readings) == 1:
        return readings[0]
    if readings:
        one, other = (f"{found:%Y-%m-%d}" for found in readings)
        message = f"{text!r} may be {one} or {other}; write it as one of these"
        raise ValueError(message)
    message = f"{text!r} is not a date; write year-month-day, as in 2026-07-01"
    raise ValueError(message)
