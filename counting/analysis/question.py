"""What is asked of the observations."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

import pandas as pd

from counting.measures import Kind
from counting.measures import measure as known
from counting.plan.trial import Plan, Trial

__all__ = [
    "ALL_SURVEYS",
    "DRAWS",
    "SEED",
    "TOTAL",
    "Before",
    "Course",
    "Question",
    "Unit",
    "before_of",
    "question_of",
]

Unit = Literal["plant", "plot", "block"]
Course = Literal["area", "slope", "peak", "first", "change", "total", "half"]
"""One value of a plant's surveys: area under the curve (value times days), rise by the week,
highest value, days to the first that is not none, last over first; of picks their sum, and the days
to half of it."""

ALL_SURVEYS = "all"
TOTAL = "fruit_total"
"""Fruit hanging and picked so far, as the records make it where the rule adds picked fruit."""
DRAWS = 10_000
"""Random arrangements drawn where all cannot be counted; the chance error of a p near 0.05 is then
0.002."""
SEED = 20_260_601
"""Any number does; it is kept with the result."""


@dataclass(frozen=True, slots=True)
class Before:
    """What was recorded on the same plants before the treatment, to be allowed for.

    Attributes
    ----------
    measure : str
    survey : str or None
        A date; None: the table has it as a column.
    count : bool
        Whether it is a count, which enters the count model by its logarithm.
    planned : bool
        Whether the plan names it, so that nobody chose it by what it brings.
    """

    measure: str
    survey: str | None
    count: bool
    planned: bool = False


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
    smallest_difference : float or None
        The smallest difference worth having, as a share of the control's mean.
    course : Course or None
        How all surveys are brought to one value for each plant; None: their mean or rate.
    surveys : tuple of str
        Those that are planned.
    before : Before or None
        An earlier record of the same plants that the comparison allows for.
    deciding : str or None
        The survey that the plan lets decide; earlier ones get no verdict.
    doses : tuple of (str, float)
        Amounts of the groups that have one, for a trend.
    untested : str
        Why the rows cannot be taken for units, where they cannot: nothing is tested then.
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
    deciding: str | None = None
    surveys: tuple[str, ...] = ()
    course: Course | None = None
    before: Before | None = None
    doses: tuple[tuple[str, float], ...] = ()
    untested: str = ""
    seed: int = SEED
    draws: int = DRAWS


def question_of(trial: Trial, table: pd.DataFrame, measure: str | None = None) -> Question:
    """Return the question that the plan asks: its main measure, control, groups and unit.

    Parameters
    ----------
    trial : Trial
    table : DataFrame
        Observations, to see whether the total with picked fruit is there.
    measure : str, optional
        Another measure than the main one.
    """
    plan = trial.plan
    chosen = measure or plan.main_measure
    if measure is None and chosen == "fruit" and plan.rule.add_picked:
        has = (table["measure"] == TOTAL) & table["value"].notna()
        chosen = TOTAL if has.any() else chosen
    unit: Unit = plan.allotted_to
    return Question(
        measure=chosen,
        kind="count" if chosen == TOTAL else None,
        control=plan.control,
        allotted_to=unit,
        groups=tuple(group.name for group in plan.groups),
        doses=tuple((group.name, group.dose) for group in plan.groups if group.dose is not None),
        main=chosen in {plan.main_measure, TOTAL if plan.main_measure == "fruit" else ""},
        smallest_difference=plan.smallest_difference,
        deciding=_iso(plan.deciding_survey),
        surveys=tuple(day.isoformat() for day in plan.surveys),
        before=before_of(plan, _iso(plan.before), chosen),
        baseline=_baseline(trial, table, chosen),
        seed=plan.seed,
    )


def _iso(day: date | None) -> str | None:
    return None if day is None else day.isoformat()


def before_of(plan: Plan, survey: str | None, measure: str) -> Before | None:
    """Return what to allow for: the plan's earlier measure, or the measure compared.

    Parameters
    ----------
    plan : Plan
    survey : str or None
        The survey before the treatment; None: nothing is allowed for.
    measure : str
        The one compared.
    """
    if survey is None:
        return None
    name = plan.before_measure or ("fruit" if measure == TOTAL else measure)
    return Before(name, survey, known(name).kind == "count", survey == _iso(plan.before))


def _baseline(trial: Trial, table: pd.DataFrame, measure: str) -> str | None:
    """Return the last survey before the first treatment at which the measure was recorded."""
    first = trial.plan.first_treatment
    if first is None:
        return None
    surveys = table.loc[(table["measure"] == measure) & table["value"].notna(), "survey"]
    return max((day for day in surveys if day <= first.isoformat()), default=None)
