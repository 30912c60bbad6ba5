"""Whether an answer rests on a single plant."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from counting.analysis.contrasts import contrast_of, each_adjusted
from counting.analysis.data.selection import Selection
from counting.analysis.data.units import Units
from counting.analysis.models import fit_models
from counting.analysis.question import Question
from counting.analysis.result import Comparison, Contrast
from counting.analysis.words.phrases import number
from counting.analysis.words.sentence import worded

__all__ = ["with_influence"]

_FAR = 5.0
"""Robust standard deviations from the middle of its group from which on a unit is looked at; with
half of that nearly every skewed set of counts would have one (chosen)."""
_MAD = 1.4826
"""Median absolute deviation to standard deviation of a normal curve (Hampel 1974)."""


def with_influence(
    found: Comparison, units: Units, selection: Selection, question: Question
) -> Comparison:
    """Say of each difference told whether it would be told without its most extreme unit.

    Parameters
    ----------
    found : Comparison
        Worded.
    units : Units
    selection : Selection
    question : Question
    """
    told = [each for each in found.comparisons if each.verdict in {"more", "fewer"}]
    extreme = _extreme(units.table, {name for c in told for name in (c.group, c.control)})
    if extreme is None:
        return found
    group = str(units.table["group"].iloc[extreme])
    fewer = replace(units, table=units.table.drop(index=units.table.index[extreme]))
    if units.unit == "plant":
        fewer = replace(fewer, plants=units.plants.drop(index=units.plants.index[extreme]))
    quick = replace(question, draws=1)
    models, _ = fit_models(fewer, selection, quick)
    summaries = {each.group: each for each in found.groups}
    control = summaries[found.control]
    others = each_adjusted(
        tuple(
            contrast_of(fewer, selection, quick, models, (control, summaries[each.group]))
            for each in found.comparisons
        )
    )
    without = worded(replace(found, comparisons=others))
    name = _named(units, extreme)
    contrasts = tuple(
        replace(each, rests_on=_line(name, bare))
        if each in told and group in {each.group, each.control} and bare.verdict != each.verdict
        else each
        for each, bare in zip(found.comparisons, without.comparisons, strict=True)
    )
    return worded(replace(found, comparisons=contrasts))


def _extreme(table: pd.DataFrame, groups: set[str]) -> int | None:
    """Return the unit that lies farthest from the middle of its group, if it lies far."""
    rows = table[table["group"].isin(groups)]
    if rows.empty:
        return None
    by = rows.groupby("group")["value"]
    off = (rows["value"] - by.transform("median")).abs()
    spread = off.groupby(rows["group"]).transform("median") * _MAD
    n = by.transform("size")
    away = np.where(spread > 0, off / spread.where(spread > 0, 1.0), np.where(off > 0, np.inf, 0))
    far = pd.Series(np.where(n > 2, away, 0.0), rows.index)
    if not (far > _FAR).any():
        return None
    # among units without a spread about them the largest
    place = int(np.argmax(np.where(far == far.max(), off, -1.0)))
    return int(np.flatnonzero(table.index == off.index[place])[0])


def _named(units: Units, extreme: int) -> str:
    value = number(float(units.table["value"].iloc[extreme]))
    code = str(units.plants["plant"].iloc[extreme]) if units.unit == "plant" else ""
    name = code or str(units.table["unit"].iloc[extreme])
    return f"one {units.unit}, {name} ({value})"


def _line(name: str, bare: Contrast) -> str:
    text = bare.sentence
    return f"This rests on {name}. Without it: {text[:1].lower()}{text[1:]}"
