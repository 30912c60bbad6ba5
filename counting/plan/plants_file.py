"""``plants.csv``: one line per plant, read with every fault named by its line."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from counting.errors import PlanError
from counting.files import read_text
from counting.plan.card import MOST_TAGS
from counting.tables import PLANTS, frame
from counting.text import plain_name

__all__ = ["plants_text", "read_plants"]

_NEEDED = ("code", "group", "block", "plot")
_MOST_DIGITS = 9
"""No bed has a row or place of more digits, and nine fit every integer column."""
_NUMBERS = ("row", "position", "tag")
_YES = frozenset({"true", "yes", "1"})
_NO = frozenset({"false", "no", "0", ""})
_CODE = re.compile(r"[^\W_][\w.-]{0,39}")
"""A plant's code is also the name of a folder, on any system."""
_MOST_FAULTS = 20
"""So many faults are spelled out; the rest are counted."""


@dataclass(frozen=True, slots=True)
class _Line:
    """One plant as it stands in the file."""

    number: int
    cells: Mapping[str, str]

    @property
    def guard(self) -> bool:
        return self.cells["guard"].lower() in _YES


def plants_text(plants: pd.DataFrame) -> str:
    """Return the plants' table as the text of a ``plants.csv``.

    Parameters
    ----------
    plants : DataFrame
        Columns `counting.tables.PLANTS`.
    """
    words = plants["guard"].map({True: "true", False: "false"})
    return plants.assign(guard=words).to_csv(index=False, lineterminator="\n")


def read_plants(path: Path, groups: Sequence[str], allotted_to: str) -> pd.DataFrame:
    """Read the plants of a trial.

    Commas, semicolons and tabs are all taken as separators, since spreadsheet programs save any
    of them. The columns row, position, guard and tag may be missing.

    Parameters
    ----------
    path : Path
        The file.
    groups : sequence of str
        The groups of the plan.
    allotted_to : {"plant", "plot", "block"}
        What the treatment was allotted to; decides what a plot or block may hold.

    Returns
    -------
    DataFrame
        One row per plant, columns `counting.tables.PLANTS`.

    Raises
    ------
    PlanError
        If the file is missing or contradicts the plan or itself; all faults in one message.
    """
    lines, faults = _lines(path, read_text(path))
    faults += _faults(lines, groups)
    if not faults:
        faults = _layout_faults([line for line in lines if not line.guard], groups, allotted_to)
    if faults:
        more = len(faults) - _MOST_FAULTS
        text = "; ".join(faults[:_MOST_FAULTS]) + (f"; and {more} more" if more > 0 else "")
        raise PlanError(path, text, mend="mend what is named")
    return frame(map(_row, lines), PLANTS)


def _lines(path: Path, text: str) -> tuple[list[_Line], list[str]]:
    """Cut the text into plants; lines of the wrong length are faults."""
    first = next((line for line in text.splitlines() if line.strip()), "")
    separator = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text), delimiter=separator)
    try:
        rows = [(reader.line_num, [cell.strip() for cell in row]) for row in reader]
    except csv.Error as error:
        raise PlanError(path, f"line {reader.line_num}: not a table ({error})") from error
    rows = [(number, row) for number, row in rows if any(row)]
    names = [name.lower() for name in rows[0][1]] if rows else []
    missing = [name for name in _NEEDED if name not in names]
    if missing:
        expected = f"a first line with the columns {','.join(PLANTS)}"
        raise PlanError(path, f"no column {', '.join(missing)}", expected)
    twice = sorted({name for name in names if name in PLANTS and names.count(name) > 1})
    if twice:
        raise PlanError(path, f"two columns {', '.join(twice)}", mend="take one of them out")
    lines, faults = [], []
    for number, row in rows[1:]:
        if len(row) > len(names):
            faults.append(
                f"line {number}: {len(row)} cells under {len(names)} columns"
                " (a comma inside a number or name? put the cell in double quotes)"
            )
            continue
        try:
            row = [plain_name(cell, name) for name, cell in zip(names, row, strict=False)]
        except ValueError as error:
            faults.append(f"line {number}: {error}")
            continue
        cells = dict.fromkeys(PLANTS, "") | dict(zip(names, row, strict=False))
        lines.append(_Line(number, cells))
    return lines, faults


def _faults(lines: Sequence[_Line], groups: Sequence[str]) -> list[str]:
    """Return one sentence for each plant that is wrong by itself or stands there twice."""
    faults = []
    codes: dict[str, int] = {}
    tags: dict[str, int] = {}
    for line in lines:
        at, cells = f"line {line.number}", line.cells
        faults += [f"{at}: {fault}" for fault in _own_faults(line, groups)]
        faults += _twice(codes, cells["code"].casefold(), line.number, f"plant {cells['code']}")
        faults += _twice(tags, cells["tag"].lstrip("0"), line.number, f"tag {cells['tag']}")
    counted = {line.cells["group"] for line in lines if not line.guard}
    faults += [
        f"group {name!r} has no plant: add its plants or take it out of the plan"
        for name in groups
        if name not in counted
    ]
    return faults


def _twice(seen: dict[str, int], value: str, number: int, what: str) -> Iterable[str]:
    """Yield a fault if a value was seen on a line before; remember it otherwise."""
    if value and value in seen:
        yield f"line {number}: {what} stands on line {seen[value]} already; give it its own"
    elif value:
        seen[value] = number


def _own_faults(line: _Line, groups: Sequence[str]) -> Iterable[str]:
    """Yield what is wrong with one plant by itself."""
    cells = line.cells
    if not _CODE.fullmatch(cells["code"]):
        found = f"code {cells['code']!r}" if cells["code"] else "no plant code"
        yield f"{found}; use letters, digits, '-', '_' and '.', such as A1-3"
    if cells["guard"].lower() not in _YES | _NO:
        yield f"guard {cells['guard']!r}; write true or false"
    if cells["group"] not in groups and not (line.guard and not cells["group"]):
        yield f"group {cells['group']!r} is none of {', '.join(sorted(groups))}"
    for name in ("block", "plot"):
        if not cells[name] and not line.guard:
            yield f"no {name}"
    for name in _NUMBERS:
        if cells[name] and not (cells[name].isascii() and cells[name].isdecimal()):
            yield f"{name} {cells[name]!r} is not a whole number; write it like 3"
        elif len(cells[name]) > _MOST_DIGITS:
            yield f"{name} {cells[name][:20]} is too large a number"
    tag = cells["tag"]
    if tag.isascii() and tag.isdecimal() and len(tag) <= _MOST_DIGITS and int(tag) >= MOST_TAGS:
        yield f"tag {tag}; tags go from 0 to {MOST_TAGS - 1}"


def _layout_faults(counted: Sequence[_Line], groups: Sequence[str], allotted_to: str) -> list[str]:
    """Return what is wrong with plots and blocks, guard plants left aside."""
    faults = []
    blocks: dict[str, dict[str, int]] = {}
    plots: dict[str, _Line] = {}
    for line in counted:
        block, plot, group = (line.cells[name] for name in ("block", "plot", "group"))
        blocks.setdefault(block, {}).setdefault(group, line.number)
        first = plots.setdefault(plot, line)
        if first.cells["block"] != block:
            other = f"block {first.cells['block']!r} on line {first.number}"
            faults.append(f"line {line.number}: plot {plot!r} in block {block!r} but in {other}")
        if first.cells["group"] != group and allotted_to != "plant":
            other = f"{first.cells['group']!r} on line {first.number}"
            faults.append(f"line {line.number}: plot {plot!r} holds {group!r} but {other}")
    for block, found in blocks.items():
        number = min(found.values())
        if allotted_to == "block" and len(found) > 1:
            faults.append(
                f"line {number}: block {block!r} holds {', '.join(sorted(found))}, though the"
                " treatment is allotted to whole blocks"
            )
        if allotted_to != "block":
            faults += [
                f"line {number}: block {block!r} has no plant of group {name!r};"
                " every block must hold every group"
                for name in groups
                if name not in found
            ]
    return faults


def _row(line: _Line) -> dict[str, object]:
    numbers = {name: int(line.cells[name]) if line.cells[name] else None for name in _NUMBERS}
    return {**line.cells, **numbers, "guard": line.guard}
