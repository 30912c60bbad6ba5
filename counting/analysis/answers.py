"""What a trial on disk answers: from its folder to comparisons, in one step."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from counting.analysis.calibrate import with_true_counts
from counting.analysis.result import Comparison
from counting.analysis.trial import compare_measures, compare_trial, question_of, with_exposure
from counting.analysis.unreviewed import compare_with_expected, expected_counts, with_expected
from counting.plan.trial import Trial
from counting.records.observations import observations

__all__ = ["EVERY_MEASURE", "answers"]

EVERY_MEASURE = "all"


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
        Fields of `counting.analysis.question.Question` that differ from the plan's.

    Raises
    ------
    AnalysisError
        If there is nothing to compare.
    """
    with trial.ledger() as ledger:
        table = observations(trial, ledger)
        expected = expected_counts(trial, ledger) if include_unreviewed else []
    if measure == EVERY_MEASURE:
        return compare_measures(trial, table)
    if include_unreviewed:
        table = with_expected(trial, table, expected)
        question = replace(question_of(trial, table, measure), **choices)
        return (compare_with_expected(with_exposure(table, question), question),)
    question = replace(question_of(trial, table, measure), **choices)
    return (with_true_counts(compare_trial(table, question), table, question),)
