"""One group against the control, by every method that the comparison reports."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from counting.analysis.data.selection import Selection
from counting.analysis.data.units import Units
from counting.analysis.methods.design import Design
from counting.analysis.methods.differences import (
    hodges_lehmann,
    ratio_of_means,
    welch,
    within_blocks,
)
from counting.analysis.methods.grades import superiority
from counting.analysis.methods.randomisation import randomisation_test
from counting.analysis.methods.shares import newcombe
from counting.analysis.models import Models
from counting.analysis.question import Question
from counting.analysis.result import (
    NO_ESTIMATE,
    Contrast,
    Estimate,
    GroupSummary,
    Randomisation,
    ShareDifference,
)

__all__ = ["POWER", "contrast_of", "without_p"]

Floats = NDArray[np.float64]

POWER = 0.8
"""Of the difference that a trial could have found; common practice."""


def contrast_of(
    units: Units,
    selection: Selection,
    question: Question,
    models: Models,
    pair: tuple[GroupSummary, GroupSummary],
) -> Contrast:
    """Compare one group with the control.

    Parameters
    ----------
    units : Units
    selection : Selection
    question : Question
    models : Models
        Fitted to all groups together.
    pair : (GroupSummary, GroupSummary)
        The control and the group.
    """
    control, summary = pair
    table, level = units.table, question.level
    both = (_values(table, summary.group), _values(table, control.group))
    ordinal = selection.kind == "grade"
    difference = NO_ESTIMATE if ordinal else welch(*both, level)
    shift = NO_ESTIMATE if ordinal else hodges_lehmann(*both, level)
    blocks = NO_ESTIMATE if ordinal else _within_blocks(models.design, table, summary.group, level)
    ratio, method = _ratio(models, selection, summary.group, both, level)
    check, likelihood = _other_ratios(models, summary.group, level)
    draw = _randomisation(units, question, summary.group, control.group)
    several = len(selection.groups) > 2
    return Contrast(
        group=summary.group,
        control=control.group,
        difference=difference.value,
        difference_low=difference.low,
        difference_high=difference.high,
        difference_p=difference.p,
        difference_df=difference.df,
        ratio=ratio.value,
        ratio_low=ratio.low,
        ratio_high=ratio.high,
        ratio_p=ratio.p,
        ratio_df=ratio.df,
        ratio_method=method,
        randomisation_p=draw.p,
        shift=shift.value,
        shift_low=shift.low,
        shift_high=shift.high,
        p_adjusted=models.dunnett.get(summary.group) if several else difference.p,
        adjustment="Dunnett" if several else "none",
        ratio_p_adjusted=models.ratios_adjusted.get(summary.group),
        share_difference=_shares(summary, control),
        randomisation=draw,
        within_blocks=blocks,
        quasi_poisson=check,
        likelihood=likelihood,
        superiority=superiority(*both, level),
        detectable=_detectable(selection, ratio, blocks, difference, control, question),
    )


def _values(table: pd.DataFrame, group: str) -> Floats:
    return table.loc[table["group"] == group, "value"].to_numpy("float64")


def _ratio(
    models: Models,
    selection: Selection,
    group: str,
    both: tuple[Floats, Floats],
    level: float,
) -> tuple[Estimate, str | None]:
    if selection.kind == "count":
        if models.main is None or group not in models.main.groups:
            return NO_ESTIMATE, None
        return models.main.ratio(group, level), models.main.method
    if selection.kind == "grade":
        return NO_ESTIMATE, None
    ratio = ratio_of_means(*both, level)
    return ratio, None if ratio.value is None else "ratio of means"


def _other_ratios(models: Models, group: str, level: float) -> tuple[Estimate, Estimate]:
    """Ratios beside the headline: the quasi-Poisson's and plain maximum likelihood's."""
    check = models.check.ratio(group, level) if models.check else NO_ESTIMATE
    return check, models.main.likely_ratio(group, level) if models.main else NO_ESTIMATE


def _shares(group: GroupSummary, control: GroupSummary) -> ShareDifference | None:
    if group.share_above is None or control.share_above is None:
        return None
    return newcombe(group.share_above, control.share_above)


def _within_blocks(
    design: Design | None, table: pd.DataFrame, group: str, level: float
) -> Estimate:
    if design is None or not design.blocked or group not in design.groups:
        return NO_ESTIMATE
    values = table["value"].to_numpy("float64")
    return within_blocks(design.matrix, 1 + design.groups.index(group), values, level)


def _randomisation(units: Units, question: Question, group: str, control: str) -> Randomisation:
    both = units.table[units.table["group"].isin([group, control])]
    treated = (both["group"] == group).to_numpy()
    if len(both) < 2 or treated.all() or not treated.any():
        return Randomisation(None, True, None, None, None, None)
    return randomisation_test(
        both["value"].to_numpy("float64"),
        treated,
        both["block"].tolist() if units.blocked else None,
        draws=question.draws,
        seed=question.seed,
    )


def _detectable(
    selection: Selection,
    ratio: Estimate,
    blocks: Estimate,
    difference: Estimate,
    control: GroupSummary,
    question: Question,
) -> float | None:
    """Difference, as a share of the control, that the trial would have found with 80 % power."""
    best = ratio
    if selection.kind != "count":
        best = blocks if blocks.se else difference
    if not best.se or not best.df:
        return None
    quantiles = stats.t.ppf([(1 + question.level) / 2, POWER], best.df)
    size = float(quantiles.sum()) * best.se
    if selection.kind == "count":
        return math.expm1(size) if size < 10 else None
    return size / abs(control.mean) if control.mean else None


def without_p(contrast: Contrast) -> Contrast:
    """Take out every p value: there is nothing to test with one plot for each group."""
    return replace(
        contrast,
        difference_p=None,
        ratio_p=None,
        randomisation_p=None,
        p_adjusted=None,
        ratio_p_adjusted=None,
        randomisation=Randomisation(None, True, None, None, None, None),
        within_blocks=NO_ESTIMATE,
        quasi_poisson=replace(contrast.quasi_poisson, p=None),
        likelihood=replace(contrast.likelihood, p=None),
        superiority=replace(contrast.superiority, p=None),
        detectable=None,
    )
