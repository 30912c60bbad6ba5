"""Column names and dtypes of every table that passes from one room to another."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import pandas as pd

from counting.errors import CountingError

__all__ = [
    "ANSWERS",
    "CANDIDATES",
    "EVENTS",
    "EXCLUSIONS",
    "MARKS",
    "OBSERVATIONS",
    "PHOTOS",
    "PLANTS",
    "Schema",
    "as_text",
    "check",
    "empty",
    "frame",
    "people_of",
    "people_text",
]

Schema = Mapping[str, str]
"""Column name to pandas dtype, in the order of the columns."""

PLANTS: Schema = {
    "code": "str",
    "group": "str",
    "block": "str",
    "plot": "str",
    "row": "Int64",
    "position": "Int64",
    "guard": "boolean",
    "tag": "Int64",
}
"""The plan: one row per plant; `tag` is its marker's number, `guard` plants are not counted."""

PHOTOS: Schema = {
    "photo": "str",  # SHA-256 of the file; of a view of a plant beside, an id of its own
    "file": "str",  # path inside the trial, forward slashes
    "width": "Int64",  # px, of the upright photo
    "height": "Int64",
    "taken_at": "str",  # ISO 8601, empty when the photo does not say
    "survey": "str",  # ISO date
    "plant": "str",
    "truss": "Int64",  # <NA> when the photo shows the whole plant
    "side": "str",
    "bound_by": "str",  # tag, manifest, folder, beside (a view of a plant beside) or a person
    "mm_per_px": "float64",  # NaN without a tag
    "flags": "str",  # words of `Flag`, separated by "; "
    "view_of": "str",  # SHA-256 of the file of a view of a plant beside; else empty
}
"""One row per photo taken in, and one per view of a plant beside."""

CANDIDATES: Schema = {
    "photo": "str",
    "candidate": "Int64",  # 0, 1, 2 ... within the photo, most confident first
    "x": "float64",  # px, centre of the box, upright full-size photo
    "y": "float64",
    "width": "float64",  # px, box
    "height": "float64",
    "diameter_px": "float64",
    "diameter_mm": "float64",  # NaN without a scale
    "colour": "str",  # green, turning, or the crop's ripe colour
    "red_share": "float64",  # share of the visible surface that is of its ripe colour, 0..1
    "confidence": "float64",  # probability that it is a fruit to count, 0..1
    "stages": "str",  # stages that proposed it, joined by "+"
    "truss": "Int64",
    "flags": "str",
    "whose": "str",  # this plant, neighbour, behind, fallen or unknown
    "neighbour": "str",  # code of the neighbour whose fruit it is, where its tag is in view
    "own_share": "float64",  # probability that it is this plant's, if it is a fruit, 0..1
}
"""One row per fruit the finder proposes."""

MARKS: Schema = {
    "photo": "str",
    "reviewer": "str",
    "mark": "Int64",
    "candidate": "Int64",  # <NA> for a fruit that a person added
    "x": "float64",
    "y": "float64",
    "width": "float64",
    "height": "float64",
    "state": "str",  # confirmed, added, removed or unsure
    "truss": "Int64",
    "twin": "str",  # "PHOTO-SHA:MARK" of the same fruit in another photo, or empty
    "small": "boolean",  # below the counting rule; shown, not counted
}
"""One row per mark of a reviewer."""

OBSERVATIONS: Schema = {
    "survey": "str",
    "plant": "str",
    "truss": "Int64",  # <NA> for the whole plant
    "measure": "str",
    "value": "float64",  # NaN when missing, with the reason in `note`
    "unit": "str",
    "source": "str",  # photo or tally
    "by": "object",  # tuple of str: a value can rest on several people
    "at": "str",
    "note": "str",
    "group": "str",
    "block": "str",
    "plot": "str",
}
"""One value of one measure on one plant or truss at one survey; the plan's columns joined on."""

_AND = "; "
"""Between the names where a value rests on several people, as between flags."""

ANSWERS: Schema = {
    "photo": "str",
    "reviewer": "str",
    "answer": "str",  # counted, cannot tell or retake
    "count": "Int64",
    "at": "str",
    "seconds": "float64",
    "clicks": "Int64",
    "sheet": "str",
    "looked": "str",  # together where it was confirmed with others on one screen
}
"""One row per reviewer and photo: the answer that stands, and how long it took."""

EXCLUSIONS: Schema = {
    "plant": "str",  # empty for a photo
    "survey": "str",  # empty for all of them
    "photo": "str",
    "reason": "str",
    "by": "str",
    "at": "str",
}
"""What is left out, and why."""

EVENTS: Schema = {
    "event": "str",
    "at": "str",
    "kind": "str",
    "scope": "str",  # group, block, plot or plant the event touched; empty for the whole trial
    "product": "str",
    "product_parts": "float64",
    "water_parts": "float64",
    "ml_per_litre": "float64",
    "amount_litre": "float64",
    "weather": "str",
    "by": "str",
    "note": "str",
    "low_c": "float64",  # lowest and highest temperature of the day, degrees Celsius
    "high_c": "float64",
}
"""The diary: one row per dated event."""


def people_text(people: Iterable[str]) -> str:
    """Return several people's names as one text, for a file; a name may hold a comma."""
    return _AND.join(people)


def as_text(table: pd.DataFrame) -> pd.DataFrame:
    """Return a table for a file: where a cell holds several people, their names as one text."""
    if "by" not in table or table["by"].dtype != "object":
        return table
    told = [people_text(people) for people in table["by"]]
    return table.assign(by=pd.Series(told, table.index, dtype="str"))


def people_of(text: str) -> tuple[str, ...]:
    """Return the names in a text out of a file, as `people_text` writes it."""
    return tuple(name.strip() for name in text.split(_AND.strip()) if name.strip())


def empty(schema: Schema) -> pd.DataFrame:
    """Return a table with no rows, all columns and the right dtypes."""
    return pd.DataFrame({name: pd.Series([], dtype=dtype) for name, dtype in schema.items()})


def frame(rows: Iterable[Mapping[str, Any]], schema: Schema) -> pd.DataFrame:
    """Return rows as a table of the schema; what a row lacks is missing, what it has more is left.

    Parameters
    ----------
    rows : iterable of mapping
        Column name to value.
    schema : Schema
        The columns and dtypes wanted.

    Returns
    -------
    DataFrame
        Columns of `schema` in order, a fresh 0-based index.
    """
    listed = list(rows)
    if not listed:
        return empty(schema)
    columns = {}
    for name, dtype in schema.items():
        blank: Any = {"str": "", "object": ()}.get(dtype)
        values = [row.get(name, blank) for row in listed]
        if dtype == "str":
            values = ["" if value is None else str(value) for value in values]
        columns[name] = pd.Series(values, dtype=dtype)
    return pd.DataFrame(columns)


def check(table: pd.DataFrame, schema: Schema, where: str) -> pd.DataFrame:
    """Return `table` with exactly the schema's columns and dtypes.

    Raises
    ------
    CountingError
        If a column is missing or cannot take its dtype.
    """
    missing = [name for name in schema if name not in table.columns]
    if missing:
        found = f"no column {', '.join(missing)}"
        raise CountingError(where, found, f"the columns {', '.join(schema)}")
    try:
        return table[list(schema)].astype(dict(schema)).reset_index(drop=True)
    except (TypeError, ValueError) as error:
        raise CountingError(where, f"a column of the wrong type ({error})") from error
