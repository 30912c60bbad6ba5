"""Single cells as people fill them: reasons instead of numbers, units beside them, any date."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from counting.crops import Crop
from counting.typed import MM, day_readings, plain_number

__all__ = ["Cell", "day_of", "decimal_commas", "dates_in_order", "hard_to_believe", "read_cell"]

BLANK = {"", "-", "–", "—", "--", ".", "/", "na", "n/a", "n.a."}
"""Nobody looked; that is no zero."""
_REASON = re.compile(
    r"dead|died|missing|gone|broken( off)?|lost|removed|not (found|there|counted|measured|seen)"
    r"|no plant|stolen|eaten|cut( down)?|pulled( out)?|dried up|blown over|fell over|snapped|†",
    re.IGNORECASE,
)
_WITH_UNIT = re.compile(r"(?P<number>[+-]?[\d.,]*\d)\s*(?P<unit>mm|cm|m)\.?", re.IGNORECASE)
_COMMA = re.compile(r"[+-]?\d+,\d{1,2}|[+-]?\d{1,}\,\d{4,}|[+-]?0,\d+|[+-]?\d{4,},\d+", re.ASCII)
_TIMED = re.compile(r"(?P<day>\S.*?)[ T]+\d{1,2}[:.]\d{2}([:.]\d{2})?")
_POINT = re.compile(r"[+-]?\d+\.\d+", re.ASCII)


@dataclass(frozen=True, slots=True)
class Cell:
    """What a cell of a measure says.

    Attributes
    ----------
    text : str
        The number as text, empty where there is none; lengths with a unit of their own in mm.
    reason : str
        Why there is no number.
    unit : str
        ``mm`` where the cell itself named a unit.
    """

    text: str
    reason: str = ""
    unit: str = ""


def read_cell(text: str, *, length: bool, decimal_comma: bool) -> Cell:
    """Return what a cell says; what is no number, unit or known reason stays as it is."""
    plain = text.strip()
    if plain.lower() in BLANK:
        return Cell("")
    if _REASON.fullmatch(plain):
        return Cell("", reason=plain.lower())
    found = _WITH_UNIT.fullmatch(plain) if length else None
    if found:
        number = found["number"]
        if "," not in number or (decimal_comma and number.count(",") == 1 and "." not in number):
            try:
                value = plain_number(number) * MM[found["unit"].lower()]
            except ValueError:
                return Cell(plain)
            return Cell(f"{round(value, 6):.10g}", unit="mm")
    return Cell(plain)


def decimal_commas(cells: Iterable[str]) -> bool:
    """Whether the numbers of a sheet have decimal commas: some are none but that, none a point."""
    comma = False
    for text in cells:
        if _POINT.fullmatch(text):
            return False
        comma = comma or bool(_COMMA.fullmatch(text))
    return comma


def dates_in_order(texts: Iterable[str]) -> bool | None:
    """Return whether the dates of a column stand day first; None where that cannot be told.

    One date that has a single reading tells for all of the column.
    """
    orders = set()
    for text in texts:
        if len(day_readings(text)) != 1 or not re.match(r"\d{1,2}\s*[/-]", text.strip()):
            continue
        first, second = (int(part) for part in re.findall(r"\d+", text)[:2])
        if first != second:
            orders.add(first > 12)
    return orders.pop() if len(orders) == 1 else None


def day_of(text: str, *, day_first: bool | None) -> str:
    """Return a date as year-month-day; text that has no single reading as it is."""
    timed = _TIMED.fullmatch(text.strip())
    readings = day_readings(timed["day"] if timed else text)
    if len(readings) == 1:
        return readings[0].isoformat()
    if len(readings) == 2 and day_first is not None:
        return readings[0 if day_first else 1].isoformat()
    return text


def hard_to_believe(mm: float, crop: Crop) -> str:
    """Return what is odd about a height, empty if nothing is."""
    low, high = crop.height_mm
    if mm <= 0 or low <= mm <= high:
        return ""
    for unit in ("cm", "m"):
        if low <= mm * MM[unit] <= high:
            return unit
    return "other"
