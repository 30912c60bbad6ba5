"""What a checked file or plan has wrong, in a grower's words instead of the checker's."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from pydantic import ValidationError

__all__ = ["faults_in_words"]

_MOST = 5
_SAID: Mapping[str, Callable[[Mapping[str, Any]], str]] = {
    "missing": lambda _: "is missing",
    "extra_forbidden": lambda _: "is not an entry that is known",
    "greater_than": lambda c: f"must be above {c['gt']:g}",
    "greater_than_equal": lambda c: f"must be {c['ge']:g} or more",
    "less_than": lambda c: f"must be under {c['lt']:g}",
    "less_than_equal": lambda c: f"must be {c['le']:g} or less",
    "string_too_short": lambda _: "is empty" if _.get("min_length") == 1 else "is too short",
    "string_too_long": lambda c: f"is longer than {c['max_length']} letters",
    "too_short": lambda c: f"needs {c['min_length']} or more",
    "too_long": lambda c: f"holds more than {c['max_length']}",
    "literal_error": lambda c: f"must be {c['expected']}",
    "string_pattern_mismatch": lambda _: "is not written as it should be",
    "bool_type": lambda _: "must be true or false",
    "bool_parsing": lambda _: "must be true or false",
    "finite_number": lambda _: "must be a number",
    "value_error": lambda c: str(c["error"]),
}
_WANTED = {
    "date": "must be a date, year-month-day, as in 2026-07-01",
    "int": "must be a whole number",
    "float": "must be a number",
    "string": "must be text",
    "list": "must be a list",
    "tuple": "must be a list",
    "model": "must be a group of entries",
    "dict": "must be a group of entries",
}
"""By the first word of the checker's own name for the kind of fault."""
_TOLD = (str, int, float)


def faults_in_words(error: ValidationError, *, values: bool = True, whole: str = "file") -> str:
    """Return what a check found, the first faults in one line, each with its place.

    Parameters
    ----------
    error : ValidationError
        What the check raised.
    values : bool
        Whether to tell the value found; not for what a stranger may have written.
    whole : str
        What the thing checked is called, for a fault of all of it.
    """
    found = error.errors(include_url=False)
    said = [_one(fault, values, whole) for fault in found[:_MOST]]
    return "; ".join([*said, *([f"and {len(found) - _MOST} more"] if len(found) > _MOST else [])])


def _one(fault: Any, values: bool, whole: str) -> str:
    kind, context = str(fault["type"]), fault.get("ctx", {})
    say = _SAID.get(kind)
    words = say(context) if say else _WANTED.get(kind.split("_")[0], "is not as it should be")
    place = _place(fault["loc"]) or ("" if kind == "value_error" else whole)
    value = fault.get("input")
    told = values and place and kind != "extra_forbidden" and isinstance(value, _TOLD)
    link = ": " if kind == "value_error" and place else " "
    return f"{place}{link}{words}".strip() + (f", found {_written(value)}" if told else "")


def _written(value: object) -> str:
    """Return a value as a person writes it in the file."""
    return str(value).lower() if isinstance(value, bool) else repr(value)


def _place(location: tuple[int | str, ...]) -> str:
    """Return where a fault stands: ``groups 2, name`` for the name of the second group."""
    words: list[str] = []
    for part in location:
        if isinstance(part, int) and words:
            words[-1] += f" {part + 1}"
        else:
            words.append(str(part))
    return ", ".join(words)
