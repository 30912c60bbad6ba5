"""The comparison of a trial on disk: its observations, its plan, its main measure."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
from statsmodels.stats.multitest import multipletests

from counting.analysis.compare import compare
from counting.analysis.question import Question, Unit
from counting.analysis.result import Comparison
from counting.analysis.words.sentence import worded
from counting.errors import AnalysisError
from counting.plan.trial import Trial

__all__ = ["TOTAL", "compare_measures", "compare_trial", "question_of", "with_exposure"]

TOTAL = "fruit_total"
"""Fruit hanging and picked so far, as the records make it where the rule adds picked fruit."""


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
        main=chosen in {plan.main_measure, TOTAL if plan.main_measure == "fruit" else ""},
        smallest_difference=plan.smallest_difference,
        baseline=_baseline(trial, table, chosen),
        seed=plan.seed,
    )


def _baseline(trial: Trial, table: pd.DataFrame, measure: str) -> str | None:
    """Return the last survey before the first treatment at which the measure was recorded."""
    first = trial.plan.first_treatment
    if first is None:
        return None
    surveys = table.loc[(table["measure"] == measure) & table["value"].notna(), "survey"]
    return max((day for day in surveys if day <= first.isoformat()), default=None)


def compare_trial(table: pd.DataFrame, question: Question) -> Comparison:
    """Compare one measure of a trial's observations; see `counting.analysis.compare.compare`.

    Where the groups differed already at the baseline, that is the first caution.
    """
    table = with_exposure(table, question)
    found = compare(table, question)
    if question.baseline is None or found.survey is None or found.survey <= question.baseline:
        return found
    try:
        before = compare(table, replace(question, survey=question.baseline, draws=1))
    except AnalysisError:  # other plants or another source than at the baseline
        return found
    unlike = [
        contrast.sentence
        for contrast in before.comparisons
        if (p := contrast.ratio_p if before.kind == "count" else contrast.difference_p) is not None
        and p < 1 - question.level
    ]
    if not unlike:
        return found
    caution = (
        f"The groups differed before the first treatment, at the survey of {question.baseline}: "
        f"{' '.join(unlike)}"
    )
    return replace(found, cautions=(caution, *found.cautions))


def with_exposure(table: pd.DataFrame, question: Question) -> pd.DataFrame:
    """Put the measure that counts are divided by beside them, as the column ``exposure``.

    ``per="trusses"`` uses the number of trusses recorded on the plant at the same survey, and
    where that was not recorded the trusses that have a line of their own.

    Raises
    ------
    AnalysisError
        If nothing of that measure is recorded.
    """
    if question.per is None:
        return table
    key = ["survey", "plant"]
    whole = table["truss"].isna()
    divisor = table[whole & (table["measure"] == question.per)]
    found = divisor.groupby(key)["value"].mean().rename("exposure")
    if question.per == "trusses":
        own = table[~whole & (table["measure"] == question.measure) & table["value"].notna()]
        found = found.combine_first(
            own.groupby(key)["truss"].nunique().astype("float64").rename("exposure")
        )
    if found.empty:
        known = ", ".join(sorted(set(table["measure"]))) or "none"
        raise AnalysisError(question.per, "nothing recorded to divide by", f"one of {known}")
    rows = table[whole & (table["measure"] == question.measure)]
    return rows.merge(found.reset_index(), on=key, how="left")


def compare_measures(trial: Trial, table: pd.DataFrame) -> tuple[Comparison, ...]:
    """Compare every measure recorded, the main one first.

    The main measure stands for itself; the p values of the others are adjusted by Holm for their
    number (Holm 1979, Scand. J. Statist. 6:65-70), on top of Dunnett's where there are several
    groups.
    """
    main = question_of(trial, table)
    names = [name for name in dict.fromkeys(table["measure"]) if name != main.measure]
    results = []
    if (table["measure"] == main.measure).any():
        results.append(compare_trial(table, main))
    others = [compare_trial(table, question_of(trial, table, name)) for name in names]
    return (*results, *_holm([replace(each, main=False) for each in others]))


def _holm(others: list[Comparison]) -> list[Comparison]:
    """Adjust the p values of the secondary measures for their number."""
    places = [
        (at, place, _p(comparison, place))
        for at, comparison in enumerate(others)
        for place in range(len(comparison.comparisons))
    ]
    known = [(at, place, p) for at, place, p in places if p is not None]
    if len(known) < 2:
        return others
    adjusted = multipletests([p for _, _, p in known], method="holm")[1]
    for (at, place, _), p in zip(known, adjusted, strict=True):
        contrasts = list(others[at].comparisons)
        contrasts[place] = replace(contrasts[place], p_adjusted=float(p), adjustment="Holm")
        others[at] = worded(replace(others[at], comparisons=tuple(contrasts)))
    return others


def _p(comparison: Comparison, place: int) -> float | None:
    contrast = comparison.comparisons[place]
    if comparison.kind == "grade":
        return contrast.superiority.p
    if comparison.kind == "count" and contrast.ratio_p is not None:
        return contrast.ratio_p_adjusted or contrast.ratio_p
    return contrast.p_adjusted
