"""What was picked: all picks of each group added up, its quality, and how early it came."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from counting.analysis.estimates import Estimate
from counting.analysis.methods.student import student
from counting.analysis.question import ALL_SURVEYS, Question, question_of
from counting.analysis.result import Comparison, as_json
from counting.analysis.trial import compare_trial
from counting.measures import MEASURES
from counting.plan.trial import Trial

__all__ = ["Harvest", "Ratio", "harvest_of", "ratio_of_sums"]

_RATIOS = (
    ("share fit for sale, by weight", "marketable_weight", "picked_weight", "percent"),
    ("share fit for sale, by number", "marketable_fruit", "picked_fruit", "percent"),
    ("share damaged, by weight", "damaged_weight", "picked_weight", "percent"),
    ("share damaged, by number", "picked_damaged", "picked_fruit", "percent"),
    ("mean weight of a fruit", "picked_weight", "picked_fruit", "g"),
)
_LEADING = ("picked_weight", "picked_fruit")
"""Of these the first that was recorded gives the course and the days to half of the crop."""


@dataclass(frozen=True, slots=True)
class Ratio:
    """One sum of a group over another: a share, or the mean weight of a fruit.

    Attributes
    ----------
    name, group : str
    unit : {"percent", "g"}
        A share is told in percent; its value is 0 to 1.
    found : Estimate
        With its interval over the units of analysis.
    """

    name: str
    group: str
    unit: str
    found: Estimate


@dataclass(frozen=True, slots=True)
class Harvest:
    """The picks of a trial.

    Attributes
    ----------
    totals : tuple of Comparison
        Each measure that was recorded, all picks added up, each plant once.
    half : Comparison or None
        Days from the first pick to half of the crop; None with fewer than two picks.
    ratios : tuple of Ratio
    picks : tuple of str
        Their dates.
    curve : DataFrame
        Columns ``group, survey, value``: each unit's sum so far, for the picture.
    """

    totals: tuple[Comparison, ...]
    half: Comparison | None
    ratios: tuple[Ratio, ...]
    picks: tuple[str, ...]
    curve: pd.DataFrame

    @property
    def leading(self) -> str:
        """The measure of the course and of the days to half."""
        return self.totals[0].measure

    def to_json(self) -> dict[str, Any]:
        """Return the figures as JSON values."""
        value: dict[str, Any] = as_json(
            {
                "picks": self.picks,
                "totals": [each.to_json() for each in self.totals],
                "half": self.half and self.half.to_json(),
                "ratios": [asdict(each) for each in self.ratios],
            }
        )
        return value


def harvest_of(
    trial: Trial, table: pd.DataFrame, made: Sequence[Comparison] = ()
) -> Harvest | None:
    """Add up the picks of a trial.

    Parameters
    ----------
    trial : Trial
    table : DataFrame
        Columns `counting.tables.OBSERVATIONS`.
    made : sequence of Comparison
        Those made already, with their p values adjusted for one another.

    Returns
    -------
    Harvest or None
        None where no pick was recorded.
    """
    rows = table[table["truss"].isna() & table["value"].notna()]
    names = [name for name in MEASURES if MEASURES[name].harvest]
    names = [*_LEADING, *(name for name in names if name not in _LEADING)]
    there = [name for name in names if (rows["measure"] == name).any()]
    if not there:
        return None
    known = {each.measure: each for each in made if each.course == "total"}
    totals = tuple(known.get(name) or _compared(trial, table, name) for name in there)
    lead = rows[rows["measure"] == there[0]]
    picks = tuple(sorted(set(lead["survey"])))
    half = _compared(trial, table, there[0], course="half") if len(picks) > 1 else None
    unit = totals[0].unit_of_analysis
    groups = [each.group for each in totals[0].groups]
    return Harvest(totals, half, tuple(_ratios(rows, groups, unit)), picks, _curve(lead, unit))


def _compared(trial: Trial, table: pd.DataFrame, name: str, **changes: Any) -> Comparison:
    asked: Question = replace(question_of(trial, table, name), main=False, before=None, **changes)
    if changes:
        asked = replace(asked, survey=ALL_SURVEYS)
    return compare_trial(table, asked)


def _place(unit: str) -> list[str]:
    return {
        "plant": ["group", "block", "plot", "plant"],
        "plot": ["group", "block", "plot"],
        "block": ["group", "block"],
    }[unit]


def _ratios(rows: pd.DataFrame, groups: list[str], unit: str) -> list[Ratio]:
    """Return every share that the records allow, for each group."""
    found = []
    for name, above, below, told_in in _RATIOS:
        pair = rows[rows["measure"].isin([above, below])]
        each_pick = pair.pivot_table(
            index=[*_place("plant"), "survey"], columns="measure", values="value", aggfunc="mean"
        ).dropna()
        if each_pick.empty or not {above, below} <= set(each_pick.columns):
            continue
        sums = each_pick.groupby(level=_place(unit)).sum().reset_index()
        for group in groups:
            mine = sums[sums["group"] == group]
            y, x = (mine[column].to_numpy("float64") for column in (above, below))
            found.append(Ratio(name, group, told_in, ratio_of_sums(y, x)))
    return found


def ratio_of_sums(y: np.ndarray, x: np.ndarray) -> Estimate:
    """Return a ratio of totals with its interval over the units.

    Parameters
    ----------
    y, x : (n,) float64
        Sums of each unit.

    References
    ----------
    Cochran (1977) Sampling Techniques, 3rd ed., sec. 6.3.
    """
    n = len(x)
    if not n or x.sum() <= 0:
        return Estimate(None)
    ratio = float(y.sum() / x.sum())
    if n < 2:
        return Estimate(ratio, method="ratio of totals")
    off = (y - ratio * x) / x.mean()
    se = math.sqrt(float(off @ off) / (n - 1) / n)
    return student(ratio, se, n - 1, method="ratio of totals") if se else Estimate(ratio)


def _curve(lead: pd.DataFrame, unit: str) -> pd.DataFrame:
    """Return each unit's mean sum so far at each pick; units that lack a pick are left out."""
    wide = lead.pivot_table(index=_place("plant"), columns="survey", values="value", aggfunc="mean")
    upto = wide.dropna().cumsum(axis=1)
    units = upto.groupby(level=_place(unit)).mean()
    long = units.reset_index().melt(_place(unit), var_name="survey", value_name="value")
    return long[["group", "survey", "value"]]
