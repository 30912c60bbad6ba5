"""The comparison of groups: from observations to figures, cautions and a sentence."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from counting.analysis import cautions
from counting.analysis.counts import (
    CountModel,
    Design,
    design_of,
    dispersion,
    extra_zeros,
    fit_counts,
)
from counting.analysis.describe import describe_group
from counting.analysis.differences import (
    dunnett,
    hodges_lehmann,
    ratio_of_means,
    single_step,
    welch,
    within_blocks,
)
from counting.analysis.ordinal import superiority
from counting.analysis.question import Question
from counting.analysis.randomise import randomisation_test
from counting.analysis.result import (
    NO_ESTIMATE,
    Comparison,
    Contrast,
    Dispersion,
    Estimate,
    GroupSummary,
    Randomisation,
    Zeros,
)
from counting.analysis.selection import Selection, select
from counting.analysis.shares import newcombe
from counting.analysis.units import Units, intraclass, to_units
from counting.analysis.words import Setting, contrast_sentence

__all__ = ["POWER", "compare"]

Floats = NDArray[np.float64]

POWER = 0.8
"""Of the difference that a trial could have found; common practice."""


@dataclass(frozen=True, slots=True)
class _Models:
    """The models that all contrasts share."""

    main: CountModel | None
    check: CountModel | None
    design: Design | None
    dispersion: Dispersion
    zeros: Zeros | None
    dunnett: dict[str, float]
    ratios_adjusted: dict[str, float]


def compare(table: pd.DataFrame, question: Question | None = None) -> Comparison:
    """Compare the groups of a trial for one measure.

    Parameters
    ----------
    table : DataFrame
        Observations: ``value`` and ``group``, and where known ``measure, plant, truss, survey,
        source, by, block, plot, unit, exposure``.
    question : Question, optional
        Which measure, control, survey, source; how the treatment was allotted.

    Returns
    -------
    Comparison
        Analysed at the unit to which the treatment was allotted. What the data do not allow is
        None, and a caution says why.

    Raises
    ------
    AnalysisError
        If there is nothing to compare: no such measure, survey, source or control, or values that
        are not numbers.
    """
    question = question or Question()
    selection = select(table, question)
    units = to_units(selection, question.allotted_to)
    alone = _alone(units)
    cluster = intraclass(units)
    said = [cautions.alone(units)] if alone else cautions.about_clusters(units, cluster)
    unit_of_analysis = units.unit
    if alone:
        units = replace(units, table=units.plants.assign(n=1), blocked=False)
    effect = 1.0 if alone else cluster.design_effect or 1.0
    groups = tuple(
        describe_group(
            units,
            name,
            above=question.above,
            level=question.level,
            design_effect=max(effect, 1.0),
            ordinal=selection.kind == "grade",
        )
        for name in selection.groups
    )
    models, notes = _models(units, selection, question)
    contrasts = tuple(
        _contrast(units, selection, question, models, groups[0], summary) for summary in groups[1:]
    )
    if alone:
        contrasts = tuple(map(_without_p, contrasts))
    contrasts = tuple(
        replace(
            contrast,
            sentence=contrast_sentence(
                contrast,
                _setting(units, selection, question, alone, (contrast.group, contrast.control)),
            ),
        )
        for contrast in contrasts
    )
    setting = _setting(units, selection, question, alone, selection.groups)
    said += [*selection.notes, *units.notes, *notes]
    said += _cautions(groups, units, selection, question, models, contrasts)
    return Comparison(
        measure=question.measure,
        unit=selection.unit,
        kind=selection.kind,
        level=question.level,
        control=selection.control,
        groups=groups,
        comparisons=contrasts,
        dispersion=models.dispersion,
        cautions=tuple(dict.fromkeys(said)),
        sentence=_sentence(contrasts, groups, question),
        main=question.main,
        unit_of_analysis=unit_of_analysis,
        plants=len(units.plants),
        plots=setting.plots,
        blocks=setting.blocks,
        cluster=cluster,
        zeros=models.zeros,
        survey=selection.survey,
        source=selection.source,
        seed=question.seed,
        draws=question.draws,
    )


def _alone(units: Units) -> bool:
    """Whether the treatment was allotted to plots or blocks of which each group has only one."""
    held = units.table.groupby("group")["unit"].nunique()
    return units.unit != "plant" and len(held) > 0 and bool((held == 1).all())


def _models(units: Units, selection: Selection, question: Question) -> tuple[_Models, list[str]]:
    """Fit what all contrasts share, and say where blocks had to be left out."""
    notes: list[str] = []
    table, groups = units.table, selection.groups
    design = design_of(table, groups, units.blocked) if len(table) else None
    if design is None and units.blocked:
        notes.append(
            "Groups and blocks cannot be told apart (each block holds one group): the blocks are "
            "left out."
        )
        design = design_of(table, groups, blocked=False)
    samples = {
        name: table.loc[table["group"] == name, "value"].to_numpy("float64") for name in groups
    }
    adjusted = {}
    if sum(len(values) > 0 for values in samples.values()) > 2 and selection.kind != "grade":
        adjusted = _dunnett(design, table, samples, question)
    nothing = _Models(None, None, design, Dispersion(None, None, None), None, adjusted, {})
    if selection.kind != "count" or design is None:
        return nothing, notes
    main, check = _count_models(units, groups)
    spread, zeros = _plant_counts(units, groups)
    ratios = _adjusted_ratios(main, question) if main else {}
    return _Models(main, check, design, spread, zeros, adjusted, ratios), notes


def _dunnett(
    design: Design | None, table: pd.DataFrame, samples: dict[str, Floats], question: Question
) -> dict[str, float]:
    """Dunnett's p values; with blocks from the model that has them."""
    if design is None or not design.blocked:
        control = next(iter(samples))
        return dunnett(samples, control, question.seed)
    values = table["value"].to_numpy("float64")
    estimates = [
        within_blocks(design.matrix, 1 + place, values) for place in range(len(design.groups))
    ]
    if any(not estimate.se or estimate.value is None for estimate in estimates):
        return {}
    statistics = {
        name: (estimate.value or 0.0) / (estimate.se or math.inf)
        for name, estimate in zip(design.groups, estimates, strict=True)
    }
    g = len(design.groups)
    shape = np.linalg.inv(design.matrix.T @ design.matrix)[1 : 1 + g, 1 : 1 + g]
    return single_step(statistics, shape, estimates[0].df or 0.0, question.seed)


def _live(table: pd.DataFrame, groups: tuple[str, ...], blocked: bool) -> pd.DataFrame:
    """Leave out groups (and blocks) without a single fruit: they have no place on a log scale."""
    total = table.groupby("group")["total"].transform("sum")
    table = table[total > 0]
    if blocked and len(table):
        table = table[table.groupby("block")["total"].transform("sum") > 0]
    return table


def _count_models(
    units: Units, groups: tuple[str, ...]
) -> tuple[CountModel | None, CountModel | None]:
    """Fit the model of the units and its check; None where the control carries none."""
    table = _live(units.table, groups, units.blocked)
    if not (table["group"] == groups[0]).any():
        return None, None
    design = design_of(table, groups, units.blocked) or design_of(table, groups, blocked=False)
    if design is None or not design.groups:
        return None, None
    counts, exposure = (table[name].to_numpy("float64") for name in ("total", "exposure"))
    check = fit_counts(counts, exposure, design, quasi=True)
    if units.unit == "plant" or len(table) == len(units.plants):
        return fit_counts(counts, exposure, design, quasi=False), check
    return replace(check, method=f"quasi-Poisson on {units.unit} totals"), check


def _plant_counts(units: Units, groups: tuple[str, ...]) -> tuple[Dispersion, Zeros | None]:
    """Dispersion, k and zeros of the plants, whatever the unit of analysis."""
    table = _live(units.plants, groups, units.blocked)
    present = tuple(name for name in groups if (table["group"] == name).any())
    design = design_of(table, present, units.blocked) if present else None
    design = design or (design_of(table, present, blocked=False) if present else None)
    if design is None or len(table) <= design.matrix.shape[1]:
        return Dispersion(None, None, None), None
    counts, exposure = (table[name].to_numpy("float64") for name in ("total", "exposure"))
    model = fit_counts(counts, exposure, design, quasi=False)
    spread = dispersion(counts, exposure, design, model.k)
    return replace(spread, k_se=model.k_se), extra_zeros(counts, model)


def _adjusted_ratios(model: CountModel, question: Question) -> dict[str, float]:
    """Adjust the ratios' p values for several groups by their joint distribution."""
    if len(model.groups) < 2:
        return {}
    se = np.sqrt(np.diag(model.covariance))
    if not np.all(se > 0):
        return {}
    statistics = {
        name: model.log_ratios[name] / float(se[place]) for place, name in enumerate(model.groups)
    }
    return single_step(statistics, model.covariance, model.df, question.seed)


def _contrast(
    units: Units,
    selection: Selection,
    question: Question,
    models: _Models,
    control: GroupSummary,
    summary: GroupSummary,
) -> Contrast:
    """Return one group against the control."""
    table = units.table
    group_values = _values(table, summary.group)
    control_values = _values(table, control.group)
    ordinal = selection.kind == "grade"
    level = question.level
    difference = NO_ESTIMATE if ordinal else welch(group_values, control_values, level)
    shift = NO_ESTIMATE if ordinal else hodges_lehmann(group_values, control_values, level)
    ratio, method = _ratio(models, selection, summary.group, group_values, control_values, level)
    blocks = _within_blocks(models.design, table, summary.group, level)
    draw = _randomisation(units, question, summary.group, control.group)
    check = models.check.ratio(summary.group, level) if models.check else NO_ESTIMATE
    shares = None
    if summary.share_above and control.share_above:
        shares = newcombe(summary.share_above, control.share_above)
    adjusted = models.dunnett.get(summary.group)
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
        p_adjusted=adjusted if several else difference.p,
        adjustment="Dunnett" if several else "none",
        ratio_p_adjusted=models.ratios_adjusted.get(summary.group),
        share_difference=shares,
        randomisation=draw,
        within_blocks=NO_ESTIMATE if ordinal else blocks,
        quasi_poisson=check,
        superiority=superiority(group_values, control_values, level),
        detectable=_detectable(selection, ratio, blocks, difference, control, question),
    )


def _values(table: pd.DataFrame, group: str) -> Floats:
    return table.loc[table["group"] == group, "value"].to_numpy("float64")


def _ratio(
    models: _Models,
    selection: Selection,
    group: str,
    values: Floats,
    control: Floats,
    level: float,
) -> tuple[Estimate, str | None]:
    if selection.kind == "count":
        if models.main is None or group not in models.main.groups:
            return NO_ESTIMATE, None
        return models.main.ratio(group, level), models.main.method
    if selection.kind == "grade":
        return NO_ESTIMATE, None
    ratio = ratio_of_means(values, control, level)
    return ratio, None if ratio.value is None else "ratio of means"


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


def _without_p(contrast: Contrast) -> Contrast:
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
        superiority=replace(contrast.superiority, p=None),
        detectable=None,
    )


def _setting(
    units: Units, selection: Selection, question: Question, alone: bool, groups: tuple[str, ...]
) -> Setting:
    """Return what a sentence about these groups needs to know of them."""
    plants = units.plants[units.plants["group"].isin(groups)]
    plots = plants["unit"].nunique() if units.unit == "plot" else 0
    blocks = plants["block"].replace("", np.nan).nunique()
    return Setting(
        measure=question.measure,
        unit=selection.unit,
        kind=selection.kind,
        per=question.per,
        plants=len(plants),
        plots=plots or None,
        blocks=blocks if blocks > 1 else None,
        blocked=units.blocked,
        alone=alone,
        alpha=1 - question.level,
    )


def _cautions(
    groups: tuple[GroupSummary, ...],
    units: Units,
    selection: Selection,
    question: Question,
    models: _Models,
    contrasts: tuple[Contrast, ...],
) -> list[str]:
    alpha = 1 - question.level
    said = cautions.about_groups(groups, units)
    said += cautions.about_blocks(units)
    if selection.kind == "count":
        said += cautions.about_counts(models.dispersion, models.zeros, contrasts, alpha)
    said += cautions.about_ratios(contrasts, selection.kind)
    said += cautions.about_tests(contrasts, alpha)
    said += cautions.about_many(contrasts)
    return said + cautions.always(selection, selection.kind)


def _sentence(
    contrasts: tuple[Contrast, ...], groups: tuple[GroupSummary, ...], question: Question
) -> str:
    if contrasts:
        return " ".join(contrast.sentence for contrast in contrasts)
    if not groups:
        return f"There are no values of {question.measure} to compare."
    return f"There is only one group, {groups[0].group}, and nothing to compare it with."
