"""The unit of analysis: plants, or the plots or blocks to which the treatment was allotted."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from counting.analysis.data.selection import Selection
from counting.analysis.question import Unit

__all__ = ["Units", "to_units", "with_before"]


@dataclass(frozen=True, slots=True)
class Units:
    """What counts as one independent piece of evidence.

    Attributes
    ----------
    table : DataFrame
        One line per unit: ``group, block, unit`` (text), ``total, exposure, value, before,
        dose`` (float64; value = total / exposure), ``n`` plants (int64).
    plants : DataFrame
        One line per plant: ``group, block, unit, total, exposure, value, before``.
    unit : {"plant", "plot", "block"}
        What a line of `table` is.
    blocked : bool
        Whether blocks are strata of the comparison.
    """

    table: pd.DataFrame
    plants: pd.DataFrame
    unit: Unit
    blocked: bool
    notes: tuple[str, ...]


def to_units(selection: Selection, allotted_to: Unit | None) -> Units:
    """Bring the plants to the unit the treatment was allotted to.

    Counts are added up with their exposure, measures averaged, grades brought to their median.
    """
    notes: list[str] = []
    plants = selection.plants.assign(value=selection.plants["total"] / selection.plants["exposure"])
    unit = allotted_to or ("plot" if (plants["plot"] != "").any() else "plant")
    if unit != "block" and _whole_blocks(plants):
        notes.append(
            "Each block holds one group only: what got the treatment is then the block, and "
            f"blocks are compared, not {unit}s."
        )
        unit = "block"
    if unit != "plant" and not (plants[unit] != "").any():
        notes.append(
            f"The treatment was allotted to {unit}s, but the table names no {unit}s; "
            "plants stand as if each had been allotted alone, which makes chance look too small."
        )
        unit = "plant"
    if unit == "plant" and _in_several_groups(plants):
        notes.append(
            "The same plant names occur in several groups; these were taken for different plants. "
            "If one plant really had several treatments, name the plants as the block."
        )
    plants = _with_place(plants, unit, unit, notes)
    blocked = unit != "block" and len(set(plants["block"]) - {""}) > 1
    if blocked:
        plants = _with_place(plants, "block", unit, notes)
    plants = plants.assign(unit=_names(plants, unit, notes))
    return Units(_collapse(plants, unit, selection.kind), plants, unit, blocked, tuple(notes))


def _whole_blocks(plants: pd.DataFrame) -> bool:
    """Whether there are blocks and each holds one group only, so that nothing repeats in them."""
    placed = plants[plants["block"] != ""]
    held = placed.groupby("block")["group"].nunique()
    return len(held) > 1 and bool((held == 1).all()) and len(set(placed["group"])) > 1


def _in_several_groups(plants: pd.DataFrame) -> bool:
    """Whether most plant names occur in several groups, and nothing else tells their places."""
    if (plants[["block", "plot"]] != "").any(axis=None):
        return False
    held = plants.groupby("plant")["group"].nunique()
    return len(held) > 1 and bool((held > 1).mean() > 0.5)


def _with_place(plants: pd.DataFrame, column: str, unit: str, notes: list[str]) -> pd.DataFrame:
    """Leave out plants of which the place is not known, and say so."""
    if column == "plant":
        return plants
    nowhere = plants[column] == ""
    if nowhere.any():
        notes.append(f"{nowhere.sum()} plants left out: their {column} is not known.")
    return plants[~nowhere]


def _names(plants: pd.DataFrame, unit: Unit, notes: list[str]) -> pd.Series:
    """Name each unit so that the same plot name in another group or block is another plot."""
    if unit == "plant":
        return pd.Series([str(number) for number in range(len(plants))], plants.index, dtype="str")
    parts = ["group", "block", "plot"] if unit == "plot" else ["group", "block"]
    place = [name for name in parts if name != "group"]
    if plants[[*place, "group"]].drop_duplicates().duplicated(place).any():
        notes.append(
            f"The same {unit} name occurs in several groups; these were taken for different "
            f"{unit}s. If one {unit} really held several groups, name it as the block."
        )
    return plants[parts].agg(" / ".join, axis=1).astype("str")


def _collapse(plants: pd.DataFrame, unit: Unit, kind: str) -> pd.DataFrame:
    if unit == "plant":
        columns = ["group", "block", "unit", "total", "exposure", "value", "before", "dose"]
        columns.append("across")
        return plants[columns].assign(n=1)
    table = plants.groupby(["group", "block", "unit"], sort=False, as_index=False).agg(
        total=("total", "sum"),
        exposure=("exposure", "sum"),
        middle=("value", "median"),
        before=("before", "mean"),
        dose=("dose", "mean"),
        across=("across", "first"),
        n=("total", "size"),
    )
    value = table["middle"] if kind == "grade" else table["total"] / table["exposure"]
    return table.assign(value=value).drop(columns="middle")


def with_before(units: Units) -> Units:
    """Leave out units of which nothing is known from before the treatment, and say so."""
    known = units.table["before"].notna()
    lost = int((~known).sum())
    if not lost:
        return units
    noun = units.unit if lost == 1 else f"{units.unit}s"
    note = f"{lost} {noun} left out: no value from before the treatment."
    table = units.table[known]
    plants = units.plants[units.plants["unit"].isin(set(table["unit"]))]
    return Units(table, plants, units.unit, units.blocked, (*units.notes, note))
