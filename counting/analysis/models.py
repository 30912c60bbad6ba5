"""The models that all contrasts of a comparison share."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from counting.analysis.data.selection import Selection
from counting.analysis.data.units import Units
from counting.analysis.estimates import (
    NO_ESTIMATE,
    Dispersion,
    Estimate,
    Joint,
    Trend,
    Zeros,
    as_ratio,
)
from counting.analysis.methods.count_model import CountModel, dispersion, extra_zeros, fit_counts
from counting.analysis.methods.design import Design, design_of, trend_of
from counting.analysis.methods.differences import (
    dunnett,
    jointly,
    unequal_covariance,
    welch,
    within_blocks,
)
from counting.analysis.methods.grades import blocks_can_tell, grades_together
from counting.analysis.question import Before, Question

__all__ = ["Models", "count_model", "fit_models"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Models:
    """The models that all contrasts share.

    Attributes
    ----------
    before : Before or None
        What they allow for.
    slope : Estimate
        Of that covariate in the model that the answer rests on.
    plain : Models or None
        The same without the covariate, where they have one.
    trend : Trend or None
        Over doses, where there are amounts.
    dunnett : dict of str to Joint
        What holds of the differences of all groups together; of grades of the chances of lying
        higher.
    pooled : dict of str to float
        Dunnett's own p, of one common variance.
    grades_within : bool
        Whether grades are compared within blocks.
    """

    main: CountModel | None
    check: CountModel | None
    design: Design | None
    dispersion: Dispersion
    zeros: Zeros | None
    dunnett: dict[str, Joint]
    pooled: dict[str, float]
    ratios_adjusted: dict[str, Joint]
    design_effect: float = 1.0
    before: Before | None = None
    slope: Estimate = NO_ESTIMATE
    plain: Models | None = None
    trend: Trend | None = None
    grades_within: bool = False


def fit_models(units: Units, selection: Selection, question: Question) -> tuple[Models, list[str]]:
    """Fit what all contrasts share, and say where blocks or a covariate had to be left out."""
    notes: list[str] = []
    level = question.level
    table, groups, before = units.table, selection.groups, question.before
    blocked = units.blocked
    if len(table) and blocked and _design(table, groups, blocked=True) is None:
        notes.append(
            "Groups and blocks cannot be told apart (a group shares no block with the others): the "
            "blocks are left out."
        )
        blocked = False
    if before is not None and selection.kind == "grade":
        notes.append("Grades are compared by their order: nothing from before is allowed for.")
        before = None
    if before is not None and (
        not len(table) or _design(table, groups, blocked, _covariate(table, before)) is None
    ):
        notes.append(
            f"The {before.measure.replace('_', ' ')} from before does not vary within groups"
            f"{' and blocks' * blocked}: it is not allowed for."
        )
        before = None
    found = _fitted(replace(units, blocked=blocked), selection, question, before)
    if before is not None:
        plain = _fitted(replace(units, blocked=blocked), selection, question, None)
        found = replace(found, plain=plain)
    found = replace(found, trend=_trend(replace(units, blocked=blocked), selection, before, level))
    return found, notes


def _fitted(
    units: Units, selection: Selection, question: Question, before: Before | None
) -> Models:
    table, groups = units.table, selection.groups
    values = None if before is None else table["before"].to_numpy("float64")
    design = _design(table, groups, units.blocked, values) if len(table) else None
    samples = {
        name: table.loc[table["group"] == name, "value"].to_numpy("float64") for name in groups
    }
    adjusted: dict[str, Joint] = {}
    pooled: dict[str, float] = {}
    grades, blocks = selection.kind == "grade", None
    if grades and units.blocked:
        blocks = {name: table.loc[table["group"] == name, "block"].tolist() for name in groups}
        if not blocks_can_tell(samples, selection.control, blocks, question.level):
            blocks = None
    if sum(len(sample) > 0 for sample in samples.values()) > 2:
        if grades:
            adjusted = grades_together(
                samples, selection.control, question.level, question.seed, blocks
            )
        else:
            adjusted, pooled = _dunnett(design, table, samples, question)
    slope = NO_ESTIMATE
    if design is not None and design.adjusted:
        slope = within_blocks(
            design.matrix, design.matrix.shape[1] - 1, table["value"].to_numpy("float64")
        )
    nothing = Models(
        main=None,
        check=None,
        design=design,
        dispersion=Dispersion(None, None, None),
        zeros=None,
        dunnett=adjusted,
        pooled=pooled,
        ratios_adjusted={},
        before=before,
        slope=slope,
        grades_within=blocks is not None,
    )
    if selection.kind != "count" or design is None:
        return nothing
    main, check = count_model(units, groups, before), _check(units, groups, before)
    spread, zeros = _plant_counts(units, groups, before)
    ratios = _adjusted_ratios(main, question) if main else {}
    return replace(
        nothing,
        main=main,
        check=check,
        dispersion=spread,
        zeros=zeros,
        ratios_adjusted=ratios,
        slope=main.slope if main else NO_ESTIMATE,
    )


def _trend(units: Units, selection: Selection, before: Before | None, level: float) -> Trend | None:
    """Fit the trend over doses, in the model that gives the groups."""
    table = units.table[units.table["dose"].notna()]
    if table.empty or selection.kind == "grade":
        return None
    block = table["block"].tolist() if units.blocked else None
    dose = table["dose"].to_numpy("float64")
    gap = float(np.diff(np.unique(dose)).min(initial=np.inf))
    if selection.kind != "count":
        values = None if before is None else table["before"].to_numpy("float64")
        design = trend_of(dose, block, values)
        if design is None:
            return None
        found = within_blocks(design.matrix, 1, table["value"].to_numpy("float64"), level)
        return Trend(found, NO_ESTIMATE, ratio=False, gap=gap)
    design = trend_of(dose, block, _covariate(table, before))
    if design is None or not table["total"].sum():
        return None
    counts, exposure = (table[name].to_numpy("float64") for name in ("total", "exposure"))
    model = fit_counts(counts, exposure, design)
    step, likely = model.ratio("dose", level), model.likely_ratio("dose", level)
    return Trend(step, likely, ratio=True, gap=gap)


def _covariate(table: pd.DataFrame, before: Before | None) -> Floats | None:
    """Return what the count model allows for: the logarithm of a count, else the value itself."""
    if before is None:
        return None
    values = table["before"].to_numpy("float64")
    if not before.count:
        return values
    # half a fruit is added where one carried none
    return np.asarray(np.log(values if values.min() > 0 else np.maximum(values, 0) + 0.5))


def _design(
    table: pd.DataFrame,
    groups: tuple[str, ...],
    blocked: bool,
    covariate: Floats | None = None,
) -> Design | None:
    block = table["block"].tolist() if blocked else None
    across = table["across"].tolist() if blocked and (table["across"] != "").all() else None
    return design_of(table["group"].tolist(), block, groups, covariate, across)


def _dunnett(
    design: Design | None, table: pd.DataFrame, samples: dict[str, Floats], question: Question
) -> tuple[dict[str, Joint], dict[str, float]]:
    """Adjust the differences for their number, and give Dunnett's own p of a common variance.

    Within blocks, or allowing for earlier values, both are of the model that has them; else the
    differences are Welch's, and so is their adjustment.
    """
    control = next(iter(samples))
    if design is not None and (design.blocked or design.adjusted):
        values = table["value"].to_numpy("float64")
        estimates = [
            within_blocks(design.matrix, 1 + place, values) for place in range(len(design.groups))
        ]
        if any(not estimate.se or estimate.value is None for estimate in estimates):
            return {}, {}
        g = len(design.groups)
        inverse = np.asarray(np.linalg.inv(design.matrix.T @ design.matrix), "float64")
        named = dict(zip(design.groups, estimates, strict=True))
        shape = inverse[1 : 1 + g, 1 : 1 + g]
        found = jointly(named, shape, question.level, question.seed)
        return found, {name: each.p for name, each in found.items()}
    names, covariance = unequal_covariance(samples, control)
    differences = {name: welch(samples[name], samples[control]) for name in names}
    found = jointly(differences, covariance, question.level, question.seed)
    return found, dunnett(samples, control, question.seed)


def _live(table: pd.DataFrame, groups: tuple[str, ...], blocked: bool) -> pd.DataFrame:
    """Leave out groups (and blocks) without a single fruit: they have no place on a log scale."""
    total = table.groupby("group")["total"].transform("sum")
    table = table[total > 0]
    if blocked and len(table):
        table = table[table.groupby("block")["total"].transform("sum") > 0]
    return table


@dataclass(frozen=True, slots=True)
class _Counts:
    """Counts with a place on a log scale, and their model matrix."""

    counts: Floats
    exposure: Floats
    design: Design


def _counts_of(
    table: pd.DataFrame, groups: tuple[str, ...], blocked: bool, before: Before | None
) -> _Counts | None:
    """Return what a count model is fitted to; None where the control carries none."""
    table = _live(table, groups, blocked)
    if not (table["group"] == groups[0]).any():
        return None
    earlier = _covariate(table, before)
    design = _design(table, groups, blocked, earlier) or _design(table, groups, False, earlier)
    if design is None or not design.groups:
        return None
    counts, exposure = (table[name].to_numpy("float64") for name in ("total", "exposure"))
    return _Counts(counts, exposure, design)


def count_model(
    units: Units, groups: tuple[str, ...], before: Before | None = None
) -> CountModel | None:
    """Fit the negative binomial that gives the ratios, to plants or to the totals of plots.

    Parameters
    ----------
    units : Units
    groups : tuple of str
        The control first.
    before : Before, optional
        What is allowed for.

    Returns
    -------
    CountModel or None
        None where the control carries none.
    """
    found = _counts_of(units.table, groups, units.blocked, before)
    if found is None:
        return None
    totals = units.unit != "plant" and len(units.table) < len(units.plants)
    model = fit_counts(found.counts, found.exposure, found.design)
    return replace(model, method=f"{model.method}, on {units.unit} totals") if totals else model


def _check(units: Units, groups: tuple[str, ...], before: Before | None) -> CountModel | None:
    """Fit the quasi-Poisson beside it."""
    found = _counts_of(units.table, groups, units.blocked, before)
    if found is None:
        return None
    return fit_counts(found.counts, found.exposure, found.design, "mean")


def _plant_counts(
    units: Units, groups: tuple[str, ...], before: Before | None
) -> tuple[Dispersion, Zeros | None]:
    """Dispersion, k and zeros of the plants, whatever the unit of analysis."""
    table = _live(units.plants, groups, units.blocked)
    if before is not None:
        table = table[table["before"].notna()]
    present = tuple(name for name in groups if (table["group"] == name).any())
    earlier = _covariate(table, before) if present else None
    design = _design(table, present, units.blocked, earlier) if present else None
    design = design or (_design(table, present, False, earlier) if present else None)
    if design is None or len(table) <= design.matrix.shape[1]:
        return Dispersion(None, None, None), None
    counts, exposure = (table[name].to_numpy("float64") for name in ("total", "exposure"))
    model = fit_counts(counts, exposure, design)
    spread = dispersion(counts, exposure, design, model.k)
    spread = replace(spread, k_se=model.k_se, k_adjusted=model.k_adjusted)
    return spread, extra_zeros(counts, model)


def _adjusted_ratios(model: CountModel, question: Question) -> dict[str, Joint]:
    """Adjust the ratios' p values and intervals by their joint distribution."""
    se = np.sqrt(np.diag(model.covariance))
    if len(model.groups) < 2 or not np.all(se > 0):
        return {}
    logs = {
        name: Estimate(model.log_ratios[name], se=float(se[place]), df=model.df)
        for place, name in enumerate(model.groups)
    }
    found = jointly(logs, model.covariance, question.level, question.seed)
    return {name: as_ratio(each) for name, each in found.items()}
