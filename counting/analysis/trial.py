"""The comparison of a trial on disk: one way from its observations to its answers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pandas as pd
from statsmodels.stats.multitest import multipletests

from counting.analysis.calibrate import with_true_counts
from counting.analysis.compare import compare
from counting.analysis.question import ALL_SURVEYS, Question, before_of, question_of
from counting.analysis.result import Comparison
from counting.analysis.season.looks import about_looks
from counting.analysis.season.sampled import compare_sampled, sampled_plants
from counting.analysis.season.unfinished import with_missing
from counting.analysis.unreviewed import compare_with_expected, expected_counts, with_expected
from counting.analysis.words.phrases import and_list
from counting.analysis.words.sentence import worded
from counting.errors import AnalysisError
from counting.measures import measure as measure_called
from counting.measures import wholes
from counting.plan.trial import Trial
from counting.records.observations import observations

__all__ = ["EVERY_MEASURE", "answers", "compare_trial", "further_measures", "with_exposure"]

EVERY_MEASURE = "all"
_OF_ONE = ("per", "kind", "course")
"""Choices that make sense for a single measure only."""
_OF_MAIN = ("above",)
"""Choices that are the main measure's where all are compared."""


def answers(
    trial: Trial,
    measure: str | None = None,
    *,
    include_unreviewed: bool = False,
    **choices: Any,
) -> tuple[Comparison, ...]:
    """Compare the groups of a trial.

    Photo counts come with what hand counts of the same plants say of them.

    Parameters
    ----------
    trial : Trial
    measure : str, optional
        The plan's main measure if not given; ``"all"`` for every one recorded, the main one first.
    include_unreviewed : bool
        Let expected counts stand for photos that nobody has reviewed.
    **choices
        Fields of `counting.analysis.question.Question` that differ from the plan's. With every
        measure, survey, source and control are those of all, `above` is the main measure's.

    Raises
    ------
    AnalysisError
        If there is nothing to compare, or a choice makes no sense for every measure.
    """
    every = measure == EVERY_MEASURE
    wrong = [name for name in _OF_ONE if every and choices.get(name) is not None]
    if wrong:
        found = f"--{wrong[0]} with --measure {EVERY_MEASURE}"
        raise AnalysisError(found, "it is of one measure", mend="name the measure: --measure fruit")
    with trial.ledger() as ledger:
        table = observations(trial, ledger)
        expected = expected_counts(trial, ledger) if include_unreviewed else []
        sample = sampled_plants(trial, ledger) if include_unreviewed else []
    before = choices.pop("before", None)
    question = replace(question_of(trial, table, None if every else measure), **choices)
    if before is not None:
        question = replace(question, before=before_of(trial.plan, before, question.measure))
    others: tuple[Comparison, ...] = ()
    notes: tuple[str, ...] = ()
    if every:
        others, notes = further_measures(trial, table, **choices)
        if others and not (table["measure"] == question.measure).any():
            return others
    by_sample = None
    if sample and question.measure == "fruit" and question.per is None:
        by_sample = compare_sampled(trial, sample, question)
    if by_sample is not None:
        main = by_sample
    elif include_unreviewed:
        table = with_exposure(with_expected(trial, table, expected), question)
        main = compare_with_expected(with_before(table, question), question)
    else:
        main = with_true_counts(compare_trial(table, question), table, question)
        with trial.ledger() as ledger:
            main = with_missing(trial, ledger, table, main)
    return (replace(main, cautions=(*main.cautions, *notes)), *others)


def compare_trial(table: pd.DataFrame, question: Question) -> Comparison:
    """Compare one measure of a trial's observations; see `counting.analysis.compare.compare`.

    Where the groups differed already at the baseline, that is the first caution.
    """
    question = _all_picks(question)
    whole = table
    table = _with_doses(with_before(with_exposure(table, question), question), question)
    found = compare(table, question)
    looks = about_looks(whole, question, found) if question.per is None else []
    found = replace(found, cautions=(*looks, *found.cautions))
    if question.baseline is None or found.survey is None or found.survey <= question.baseline:
        return found
    try:
        before = compare(
            table, replace(question, survey=question.baseline, before=None, deciding=None, draws=1)
        )
    except AnalysisError:  # other plants or another source than at the baseline
        return found
    unlike = [
        contrast.sentence
        for contrast in before.comparisons
        if (p := contrast.headline().p) is not None and p < 1 - question.level
    ]
    if not unlike:
        return found
    caution = (
        f"The groups differed before the first treatment, at the survey of {question.baseline}: "
        f"{' '.join(unlike)}"
    )
    return replace(found, cautions=(caution, *found.cautions))


def _all_picks(question: Question) -> Question:
    """Add all picks up where no single one was asked for: the last alone says little."""
    if not measure_called(question.measure).harvest or question.course is not None:
        return question
    if question.survey not in {None, ALL_SURVEYS} or question.per is not None:
        return question
    return replace(question, survey=ALL_SURVEYS, course="total")


def _with_doses(table: pd.DataFrame, question: Question) -> pd.DataFrame:
    """Put the groups' amounts beside the values, as the column ``dose``."""
    if not question.doses:
        return table
    return table.assign(dose=table["group"].map(dict(question.doses)).astype("float64"))


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


def with_before(table: pd.DataFrame, question: Question) -> pd.DataFrame:
    """Put what was recorded before the treatment beside the measure, as the column ``before``.

    Raises
    ------
    AnalysisError
        If nothing of it is recorded at that survey.
    """
    asked = question.before
    if asked is None or asked.survey is None:
        return table
    whole = table["truss"].isna() & table["value"].notna() & (table["survey"] == asked.survey)
    rows = table[whole & (table["measure"] == asked.measure)]
    if rows.empty:
        named = table[table["measure"] == asked.measure]
        known = ", ".join(sorted(set(named["survey"]))) or "none"
        found = f"no {asked.measure} at this survey to allow for"
        raise AnalysisError(asked.survey, found, f"one of {known}")
    counted = rows.groupby("source")["plant"].nunique().sort_values(ascending=False)
    source = question.source if question.source in counted.index else counted.index[0]
    earlier = rows[rows["source"] == source].groupby("plant")["value"].mean().rename("before")
    mine = table[table["measure"] == question.measure]
    return mine.merge(earlier.reset_index(), on="plant", how="left")


def further_measures(
    trial: Trial, table: pd.DataFrame, **choices: Any
) -> tuple[tuple[Comparison, ...], tuple[str, ...]]:
    """Compare every measure recorded but the main one.

    The main measure stands for itself; the p values of the others are adjusted by Holm for their
    number (Holm 1979, Scand. J. Statist. 6:65-70), on top of Dunnett's where there are several
    groups. What is a part of a measure that is told too, as ripe fruit of fruit, asks no question
    of its own: it is told with its interval, gets no verdict and counts for nothing in that number.

    Parameters
    ----------
    trial : Trial
    table : DataFrame
        Columns `counting.tables.OBSERVATIONS`.
    **choices
        As of `answers`.

    Returns
    -------
    comparisons : tuple of Comparison
    notes : tuple of str
        Which measures the choices leave out.
    """
    main = question_of(trial, table).measure
    shared = {name: value for name, value in choices.items() if name not in _OF_MAIN}
    names = [name for name in dict.fromkeys(table["measure"]) if name != main]
    there = [name for name in names if _recorded(table, name, shared)]
    notes: tuple[str, ...] = ()
    if len(there) < len(names):
        which = and_list([name.replace("_", " ") for name in names if name not in there])
        notes = (f"Not compared, since there are no such values of them: {which}.",)
    asked = [replace(question_of(trial, table, name), **shared) for name in there]
    found = [compare_trial(table, _known_before(table, each)) for each in asked]
    told = {main, *there}
    return tuple(_holm([_as_part(replace(each, main=False), told) for each in found])), notes


def _as_part(found: Comparison, told: set[str]) -> Comparison:
    """Take the verdict from a measure that is a part of one told beside it."""
    whole = next((name for name in wholes(found.measure) if name in told), None)
    if whole is None:
        return found
    name, part = (each.replace("_", " ") for each in (whole, found.measure))
    caution = (
        f"{part[:1].upper()}{part[1:]} is a part of {name}: it is told without a verdict, and does "
        "not count among the measures that are judged."
    )
    cautions = (caution, *found.cautions)
    return worded(replace(found, part_of=whole, cautions=cautions))


def _known_before(table: pd.DataFrame, question: Question) -> Question:
    """Allow for nothing where a further measure was not recorded before the treatment."""
    asked = question.before
    if asked is None or _recorded(table, asked.measure, {"survey": asked.survey}):
        return question
    return replace(question, before=None)


def _recorded(table: pd.DataFrame, name: str, choices: dict[str, Any]) -> bool:
    """Whether a measure has values from the source and at the survey asked for."""
    rows = table[(table["measure"] == name) & table["value"].notna()]
    for column, value in (("source", choices.get("source")), ("survey", choices.get("survey"))):
        if value is not None and value != ALL_SURVEYS:
            rows = rows[rows[column] == value]
    return len(rows) > 0 or not choices


def _holm(others: Sequence[Comparison]) -> list[Comparison]:
    """Adjust the p values that the secondary measures' answers rest on for their number."""
    found = list(others)
    places = [
        (at, place, p)
        for at, comparison in enumerate(found)
        for place, contrast in enumerate(comparison.comparisons)
        if (p := contrast.p_told()) is not None
    ]
    if len(places) < 2:
        return found
    adjusted = multipletests([p for _, _, p in places], method="holm")[1]
    for (at, place, _), p in zip(places, adjusted, strict=True):
        contrasts = list(found[at].comparisons)
        contrasts[place] = replace(contrasts[place], p_holm=float(p), adjustment="Holm")
        found[at] = worded(replace(found[at], comparisons=tuple(contrasts)))
    return found
