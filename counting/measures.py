"""What can be recorded on a plant: the known measures, their units and their kinds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["MEASURES", "Kind", "Measure", "measure", "wholes"]

Kind = Literal["count", "length", "weight", "percent", "grade"]


@dataclass(frozen=True, slots=True)
class Measure:
    """One variable recorded on a plant or truss.

    Attributes
    ----------
    name : str
        The word used in files and screens.
    unit : str
        ``"count"``, ``"mm"``, ``"g"``, ``"percent"`` or ``"grade"``.
    kind : {"count", "length", "weight", "percent", "grade"}
        Decides the analysis: counts by a count model, grades by ranks.
    sentence : str
        What is recorded, in a grower's words.
    harvest : bool
        Whether it is of what was picked since the last pick, so that picks are added up.
    part_of : str
        The measure that it is a part of, where the records make both out of the same counts.
    """

    name: str
    unit: str
    kind: Kind
    sentence: str
    harvest: bool = False
    part_of: str = ""


MEASURES: dict[str, Measure] = {
    entry.name: entry
    for entry in (
        Measure(
            "fruit",
            "count",
            "count",
            "fruit hanging, at or above the smallest size",
            part_of="fruit_total",
        ),
        Measure("small_fruit", "count", "count", "fruit hanging, under the smallest size"),
        Measure("damaged_fruit", "count", "count", "damaged fruit among those hanging"),
        Measure("picked_fruit", "count", "count", "fruit picked since the last survey", True),
        Measure("fallen_fruit", "count", "count", "fruit found fallen since the last survey"),
        Measure("fruit_total", "count", "count", "fruit picked so far and fruit hanging, together"),
        Measure("green_fruit", "count", "count", "fruit hanging, still green", part_of="fruit"),
        Measure(
            "turning_fruit",
            "count",
            "count",
            "fruit hanging, some colour but not ripe",
            part_of="fruit",
        ),
        Measure("ripe_fruit", "count", "count", "fruit hanging, ripe to pick", part_of="fruit"),
        Measure("picked_weight", "g", "weight", "weight of the fruit picked", True),
        Measure("marketable_fruit", "count", "count", "picked fruit fit for sale", True),
        Measure("marketable_weight", "g", "weight", "weight of picked fruit fit for sale", True),
        Measure("picked_damaged", "count", "count", "damaged fruit among those picked", True),
        Measure("damaged_weight", "g", "weight", "weight of the damaged fruit picked", True),
        Measure("trusses", "count", "count", "trusses with at least one fruit set"),
        Measure("flowers", "count", "count", "open flowers"),
        Measure("aborted_flowers", "count", "count", "flowers that dried up or fell"),
        Measure(
            "leaves_removed", "count", "count", "leaves taken off or dead since the last survey"
        ),
        Measure("height", "mm", "length", "from the ground to the growing tip"),
        Measure("disease", "percent", "percent", "share of the leaf area that is diseased"),
        Measure("vigour", "grade", "grade", "a grade, on a scale the trial names"),
    )
}


def measure(name: str) -> Measure:
    """Return the measure called `name`; an unknown name is a length-like number without a unit."""
    known = MEASURES.get(name)
    return known if known else Measure(name, "", "length", name)


def wholes(name: str) -> tuple[str, ...]:
    """Return the measures that a measure is a part of, the nearest first."""
    found: list[str] = []
    while whole := measure(found[-1] if found else name).part_of:
        found.append(whole)
    return tuple(found)
