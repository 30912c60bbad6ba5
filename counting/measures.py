"""What can be recorded on a plant: the known measures, their units and their kinds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["MEASURES", "Kind", "Measure", "measure"]

Kind = Literal["count", "length", "percent", "grade"]


@dataclass(frozen=True, slots=True)
class Measure:
    """One variable recorded on a plant or truss.

    Attributes
    ----------
    name : str
        The word used in files and screens.
    unit : str
        ``"count"``, ``"mm"``, ``"percent"`` or ``"grade"``.
    kind : {"count", "length", "percent", "grade"}
        Decides the analysis: counts by a count model, grades by ranks.
    sentence : str
        What is recorded, in a grower's words.
    """

    name: str
    unit: str
    kind: Kind
    sentence: str


MEASURES: dict[str, Measure] = {
    entry.name: entry
    for entry in (
        Measure("fruit", "count", "count", "fruit hanging, at or above the smallest size"),
        Measure("small_fruit", "count", "count", "fruit hanging, under the smallest size"),
        Measure("damaged_fruit", "count", "count", "damaged fruit among those hanging"),
        Measure("picked_fruit", "count", "count", "fruit picked since the last survey"),
        Measure("fallen_fruit", "count", "count", "fruit found fallen since the last survey"),
        Measure("fruit_total", "count", "count", "fruit picked so far and fruit hanging, together"),
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
