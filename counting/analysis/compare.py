"""The comparison of groups: from observations to figures, cautions and a sentence."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from counting.analysis.contrasts import contrast_of, each_adjusted, without_p
from counting.analysis.data.selection import Selection, select
from counting.analysis.data.units import Units, to_units, with_before
from counting.analysis.describe import describe_group
from counting.analysis.estimates import Cluster
from counting.analysis.influence import with_influence
from counting.analysis.methods.alike import intraclass
from counting.analysis.methods.differences import adjusted_means
from counting.analysis.models import Models, fit_models
from counting.analysis.question import Question
from counting.analysis.result import Comparison, Contrast, Covariate, GroupSummary
from counting.analysis.season.course import as_ratios
from counting.analysis.words import cautions
from counting.analysis.words.sentence import worded

__all__ = ["compare"]


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
    if question.before is not None:
        units = with_before(units)
    alone = _alone(units) or bool(question.untested)
    cluster = _cluster(units)
    said = cautions.about_clusters(units, cluster)
    if alone:
        said = [cautions.alone(units, question.untested)]
    unit_of_analysis = units.unit
    if alone:
        units = replace(units, table=units.plants.assign(n=1), blocked=False)
    effect = 1.0 if alone else cluster.design_effect or 1.0
    groups = _described(units, selection, question, max(effect, 1.0))
    models, notes = fit_models(units, selection, question)
    models = replace(models, design_effect=max(effect, 1.0))
    contrasts = tuple(
        contrast_of(units, selection, question, models, (groups[0], summary))
        for summary in groups[1:]
    )
    contrasts = tuple(map(without_p, contrasts)) if alone else each_adjusted(contrasts)
    said += [*selection.notes, *units.notes, *notes]
    said += _cautions(groups, units, selection, question, models, contrasts)
    plots = units.plants["unit"].nunique() if unit_of_analysis == "plot" else None
    found = Comparison(
        measure=question.measure,
        unit=selection.unit,
        kind=selection.kind,
        level=question.level,
        control=selection.control,
        groups=_as_if_alike(groups, models, units),
        comparisons=contrasts,
        dispersion=models.dispersion,
        cautions=tuple(dict.fromkeys(said)),
        sentence="",
        main=question.main,
        unit_of_analysis=unit_of_analysis,
        replicated=not alone,
        plants=len(units.plants),
        plots=plots,
        blocks=len(set(units.plants["block"]) - {""}) or None,
        cluster=cluster,
        zeros=models.zeros,
        survey=selection.survey,
        source=selection.source,
        per=question.per,
        smallest_difference=question.smallest_difference,
        untested=question.untested,
        not_before=question.deciding,
        course=question.course,
        covariate=_allowed_for(models),
        trend=None if alone else models.trend,
        log_covariance=_log_covariance(models),
        seed=question.seed,
        draws=question.draws,
    )
    if question.course == "change":
        return worded(as_ratios(found))
    return with_influence(worded(found), units, selection, question)


def _described(
    units: Units, selection: Selection, question: Question, design_effect: float
) -> tuple[GroupSummary, ...]:
    return tuple(
        describe_group(
            units,
            name,
            above=question.above,
            level=question.level,
            design_effect=design_effect,
            ordinal=selection.kind == "grade",
        )
        for name in selection.groups
    )


def _as_if_alike(
    groups: tuple[GroupSummary, ...], models: Models, units: Units
) -> tuple[GroupSummary, ...]:
    """Give each group of a measure its mean adjusted by the values from before."""
    design = models.design
    if design is None or not design.adjusted or models.main is not None:
        return groups
    means = adjusted_means(design, units.table["value"].to_numpy("float64"))
    names = (groups[0].group, *design.groups)
    known = dict(zip(names, means.tolist(), strict=True)) if groups[0].n else {}
    return tuple(replace(each, adjusted_mean=known.get(each.group)) for each in groups)


def _log_covariance(models: Models) -> tuple[tuple[float, ...], ...]:
    found = models.main
    return () if found is None else tuple(tuple(row) for row in found.covariance.tolist())


def _allowed_for(models: Models) -> Covariate | None:
    before = models.before
    if before is None:
        return None
    return Covariate(before.measure, before.survey, models.slope.value, models.slope.se)


def _cluster(units: Units) -> Cluster:
    """Return how alike the plants of one plot are."""
    if units.unit == "plant" or units.plants.empty:
        return Cluster(None, None, None)
    plot, names = pd.factorize(units.plants["unit"])
    places = units.plants.drop_duplicates("unit").set_index("unit").loc[names]
    strata = ["group", "block"] if units.blocked else ["group"]
    values = units.plants["value"].to_numpy("float64")
    return intraclass(values, plot, tuple(places[name].to_numpy("str") for name in strata))


def _alone(units: Units) -> bool:
    """Whether the treatment was allotted to plots or blocks of which each group has only one."""
    held = units.table.groupby("group")["unit"].nunique()
    return units.unit != "plant" and len(held) > 0 and bool((held == 1).all())


def _cautions(
    groups: tuple[GroupSummary, ...],
    units: Units,
    selection: Selection,
    question: Question,
    models: Models,
    contrasts: tuple[Contrast, ...],
) -> list[str]:
    alpha = 1 - question.level
    said = cautions.about_before(contrasts, models.before)
    said += cautions.about_groups(groups, units)
    said += cautions.about_blocks(units)
    if selection.kind == "count":
        said += cautions.about_counts(models.dispersion, models.zeros, contrasts, alpha)
    said += cautions.about_verdicts(contrasts, alpha, blocked=units.blocked)
    said += cautions.about_ratios(contrasts, blocked=units.blocked)
    said += cautions.about_tests(contrasts, alpha)
    said += cautions.about_many(contrasts)
    if selection.kind == "grade":
        said += cautions.about_grades(contrasts, units)
    return said + cautions.always(selection)
