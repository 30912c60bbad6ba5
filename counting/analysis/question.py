"""What is asked of the observations."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from counting.measures import Kind

__all__ = ["ALL_SURVEYS", "DRAWS", "SEED", "Question", "Unit"]

Unit = Literal["plant", "plot", "block"]

ALL_SURVEYS = "all"
DRAWS = 10_000
"""Random arrangements drawn where all cannot be counted; the chance error of a p near 0.05 is then
0.002."""
SEED = 20_260_601
"""Any number does; it is kept with the result."""


@dataclass(frozen=True, slots=True)
class Question:
    """What to compare, and how the trial was made.

    Attributes
    ----------
    measure : str
        Which measure of the table.
    kind : str or None
        ``"count"``, ``"length"``, ``"percent"`` or ``"grade"``; None: the known kind of the
        measure, else ``"count"`` when all values are whole numbers from 0.
    control : str or None
        The group that the others are compared with; None: one called control, else the first.
    allotted_to : {"plant", "plot", "block"} or None
        What the treatment was given to by lot; None: the plot where plots are known.
    survey : str or None
        A date, ``"all"``, or None for the last one with values.
    source : str or None
        ``"photo"`` or ``"tally"``; None: the one with most plants.
    per : str or None
        A measure to divide by: ``"trusses"`` for fruit per truss.
    above : float or None
        Share of plants above this number.
    groups : tuple of str
        The groups of the plan, so that one without values is named.
    baseline : str or None
        A survey before the first treatment, at which the groups should be alike.
    main : bool
        Whether this is the measure that the plan names as the main one.
    """

    measure: str = "fruit"
    kind: Kind | None = None
    unit: str = ""
    control: str | None = None
    allotted_to: Unit | None = None
    survey: str | None = None
    source: str | None = None
    per: str | None = None
    above: float | None = None
    level: float = 0.95
    groups: tuple[str, ...] = ()
    main: bool = True
    smallest_difference: float | None = None
    baseline: str | None = None
    seed: int = SEED
    draws: int = DRAWS
