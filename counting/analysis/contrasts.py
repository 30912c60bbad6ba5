"""One group against the control, by every method that the comparison reports."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from statsmodels.stats.multitest import multipletests

from counting.analysis.data.selection import Selection
from counting.analysis.data.units import Units
from counting.analysis.estimates import (
    NO_ESTIMATE,
    Estimate,
    Randomisation,
    ShareDifference,
)
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
from counting.analysis.methods.student import detectable
from counting.analysis.models import Models
from counting.analysis.question import Question
from counting.analysis.result import Adjustment, Basis, Contrast, GroupSummary

__all__ = ["contrast_of", "detectable_ratio", "each_adjusted", "without_p"]

Floats = NDArray[np.float64]

_ENDLESS = 10.0
"""Log ratio beyond which nobody speaks of what could have been found."""


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
    table, level, name = units.table, question.level, summary.group
    both = (_values(table, name), _values(table, control.group))
    ordinal = selection.kind == "grade"
    difference = NO_ESTIMATE if ordinal else welch(*both, level)
    blocks = NO_ESTIMATE if ordinal else _within_blocks(models.design, table, name, level)
    ratio = _ratio(models, selection, name, both, level)
    ratio = ratio.jointly(models.ratios_adjusted.get(name))
    several = len(selection.groups) > 2
    dunnett = models.dunnett.get(name) if several else None
    within = (_blocks(table, name), _blocks(table, control.group))
    higher = superiority(*both, level, within if models.grades_within else None)
    if ordinal:
        higher = higher.jointly(dunnett)
    elif blocks.value is None:
        difference = difference.jointly(dunnett)
    else:
        blocks = blocks.jointly(dunnett)
    found = Contrast(
        group=name,
        control=control.group,
        basis=_basis(selection, blocks, ratio, difference),
        difference=difference,
        ratio=ratio,
        within_blocks=blocks,
        shift=NO_ESTIMATE if ordinal else hodges_lehmann(*both, level),
        quasi_poisson=models.check.ratio(name, level) if models.check else NO_ESTIMATE,
        likelihood=models.main.likely_ratio(name, level) if models.main else NO_ESTIMATE,
        superiority=higher,
        randomisation=_randomisation(units, question, name, control.group),
        share_difference=_shares(summary, control, models, level),
        adjustment=_adjustment(several, ordinal),
        common_variance_p=models.pooled.get(name) if several else None,
        detectable=None,
        unadjusted=_plain(models.plain, selection, table, name, level) if models.plain else None,
    )
    return replace(found, detectable=_detectable(found, control.mean, level))


def _adjustment(several: bool, ordinal: bool) -> Adjustment:
    return ("Steel" if ordinal else "Dunnett") if several else "none"


def _basis(selection: Selection, blocks: Estimate, ratio: Estimate, difference: Estimate) -> Basis:
    """Return on which estimate the answer rests: of the kind of measure and the layout alone.

    Where one of the two groups carried none there is no ratio, and the lots decide.
    """
    if selection.kind == "grade":
        return "superiority"
    if selection.kind == "count":
        return "lots" if ratio.value is None and difference.value is not None else "ratio"
    return "difference" if blocks.value is None else "within blocks"


def _values(table: pd.DataFrame, group: str) -> Floats:
    return table.loc[table["group"] == group, "value"].to_numpy("float64")


def _blocks(table: pd.DataFrame, group: str) -> list[str]:
    return table.loc[table["group"] == group, "block"].tolist()


def _ratio(
    models: Models,
    selection: Selection,
    group: str,
    both: tuple[Floats, Floats],
    level: float,
) -> Estimate:
    if selection.kind == "count":
        return models.main.ratio(group, level) if models.main else NO_ESTIMATE
    return NO_ESTIMATE if selection.kind == "grade" else ratio_of_means(*both, level)


def _shares(
    group: GroupSummary, control: GroupSummary, models: Models, level: float
) -> ShareDifference | None:
    if group.share_above is None or control.share_above is None:
        return None
    return newcombe(group.share_above, control.share_above, level, models.design_effect)


def _within_blocks(
    design: Design | None, table: pd.DataFrame, group: str, level: float
) -> Estimate:
    if design is None or group not in design.groups or not (design.blocked or design.adjusted):
        return NO_ESTIMATE
    values = table["value"].to_numpy("float64")
    found = within_blocks(design.matrix, 1 + design.groups.index(group), values, level)
    if design.adjusted:
        where = " within blocks" if design.blocked else ""
        method = f"difference{where}, allowing for the values from before (least squares)"
        found = replace(found, method=method)
    return found


def _plain(
    models: Models, selection: Selection, table: pd.DataFrame, group: str, level: float
) -> Estimate:
    """Return the headline without the covariate, to stand beside it."""
    if selection.kind == "count":
        return models.main.ratio(group, level) if models.main else NO_ESTIMATE
    found = _within_blocks(models.design, table, group, level)
    if found.value is not None:
        return found
    return welch(_values(table, group), _values(table, selection.control), level)


def _randomisation(units: Units, question: Question, group: str, control: str) -> Randomisation:
    both = units.table[units.table["group"].isin([group, control])]
    treated = (both["group"] == group).to_numpy()
    squared = bool((both["across"] != "").any())  # its lots were not drawn within blocks alone
    if len(both) < 2 or treated.all() or not treated.any() or squared:
        return Randomisation(None, True, None, None, None, None)
    return randomisation_test(
        both["value"].to_numpy("float64"),
        treated,
        both["block"].tolist() if units.blocked else None,
        draws=question.draws,
        seed=question.seed,
    )


def _detectable(found: Contrast, control_mean: float | None, level: float) -> float | None:
    """Difference, as a share of the control, that the trial would have found with 80 % power."""
    best = found.headline()
    if found.basis == "within blocks" and not best.se:
        best = found.difference
    if found.basis in {"superiority", "lots"} or not best.se or not best.df:
        return None
    if found.basis == "ratio":
        return detectable_ratio(best, level)
    size = detectable(best.se, best.df, level, _reach(best, ratio=False))
    return size / abs(control_mean) if control_mean else None


def detectable_ratio(ratio: Estimate, level: float) -> float | None:
    """Return the difference, as a share of the control, that a ratio would have shown.

    Parameters
    ----------
    ratio : Estimate
        Its error is that of its logarithm.
    level : float

    Returns
    -------
    float or None
        With 80 % power; None without an error, or where it is beyond all that is spoken of.
    """
    if not ratio.se or not ratio.df:
        return None
    size = detectable(ratio.se, ratio.df, level, _reach(ratio, ratio=True))
    return math.expm1(size) if size < _ENDLESS else None


def _reach(best: Estimate, *, ratio: bool) -> float | None:
    """Return how many standard errors must be passed among several groups; None of a single one."""
    low, high = best.low_joint, best.high_joint
    if low is None or high is None or not best.se or (ratio and low <= 0):
        return None
    return (math.log(high / low) if ratio else high - low) / 2 / best.se


def each_adjusted(contrasts: tuple[Contrast, ...]) -> tuple[Contrast, ...]:
    """Adjust the p values for which no joint distribution is known for the number of groups.

    By Holm (1979) Scand. J. Statist. 6:65-70: groups that carried none, and what has no error.
    """
    places = [
        place
        for place, contrast in enumerate(contrasts)
        if contrast.headline().p is not None and contrast.headline().p_adjusted is None
    ]
    if len(contrasts) < 2 or not places:
        return contrasts
    # a group that has its adjusted p already counts among the number all the same
    known = [contrasts[place].headline().p or 0.0 for place in places]
    spare = [1.0] * (len(contrasts) - len(places))
    adjusted = multipletests([*known, *spare], method="holm")[1]
    found = list(contrasts)
    for place, p in zip(places, adjusted, strict=False):
        found[place] = _with_adjusted(contrasts[place], float(p))
    return tuple(found)


def _with_adjusted(contrast: Contrast, p: float) -> Contrast:
    """Put an adjusted p into the headline."""
    best = replace(contrast.headline(), p_adjusted=p)
    if contrast.basis == "lots":
        return replace(contrast, lots_adjusted=p, adjustment="Holm")
    if contrast.basis == "superiority":
        return replace(contrast, superiority=best, adjustment="Holm")
    if contrast.basis == "ratio":
        return replace(contrast, ratio=best)
    if contrast.basis == "true counts":
        return replace(contrast, true_counts=best)
    if contrast.basis == "within blocks":
        return replace(contrast, within_blocks=best)
    return replace(contrast, difference=best)


def without_p(contrast: Contrast) -> Contrast:
    """Take out every p value: there is nothing to test with one plot for each group."""

    def bare(estimate: Estimate) -> Estimate:
        return replace(estimate, p=None, p_adjusted=None, low_joint=None, high_joint=None)

    return replace(
        contrast,
        difference=bare(contrast.difference),
        ratio=bare(contrast.ratio),
        randomisation=Randomisation(None, True, None, None, None, None),
        within_blocks=NO_ESTIMATE,
        basis="difference" if contrast.basis == "within blocks" else contrast.basis,
        quasi_poisson=bare(contrast.quasi_poisson),
        likelihood=bare(contrast.likelihood),
        superiority=bare(contrast.superiority),
        detectable=None,
    )
