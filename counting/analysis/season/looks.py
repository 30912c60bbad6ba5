"""What several looks at one trial mean for its answer."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from counting.analysis.methods.looks import chance_of_showing, correlation_of, obrien_fleming
from counting.analysis.question import ALL_SURVEYS, Question
from counting.analysis.result import Comparison
from counting.analysis.words.phrases import number

__all__ = ["about_looks"]


def about_looks(table: pd.DataFrame, question: Question, found: Comparison) -> list[str]:
    """Say how often chance would have shown something by now, where no survey is named to decide.

    Parameters
    ----------
    table : DataFrame
        Observations with all surveys: ``measure, survey, plant, truss, value, group, block, plot``.
    question : Question
        As put to the comparison, with the surveys that are planned.
    found : Comparison
        Of one survey.
    """
    if found.survey in {None, ALL_SURVEYS} or not found.replicated or "survey" not in table:
        return []
    day = str(found.survey)
    residuals = _residuals(table, question, found)
    looks = residuals.shape[1]
    if question.deciding is not None:
        return _bound(question, day, residuals) if day < question.deciding else []
    if looks < 2 or len(residuals) < 2 * looks:
        return []
    chance = chance_of_showing(correlation_of(residuals), question.level)
    said = (
        f"This is look {looks} at this measure and no survey was named to decide: where nothing "
        f"differs, one look or another would have shown a difference by now in about "
        f"{100 * chance:.0f} trials of 100, not in {100 * (1 - question.level):.0f}. Name the "
        "deciding survey in the plan (deciding_survey) before the next count."
    )
    return [" ".join([said, *_bound(question, day, residuals)])]


def _residuals(table: pd.DataFrame, question: Question, found: Comparison) -> np.ndarray:
    """What the units are off their group's mean at each look since the treatment began."""
    rows = table[(table["measure"] == question.measure) & table["value"].notna()]
    rows = rows[(rows["survey"] <= str(found.survey)) & (rows["survey"] > _early(question))]
    if found.source is not None:
        rows = rows[rows["source"] == found.source]
    unit = {"plant": "plant", "plot": "plot", "block": "block"}[found.unit_of_analysis]
    wide = rows.pivot_table(
        index=["group", "block", unit] if unit != "block" else ["group", "block"],
        columns="survey",
        values="value",
        aggfunc="mean",
    ).dropna()
    off = wide - wide.groupby(level="group").transform("mean")
    if (found.blocks or 0) > 1 and unit != "block":
        off = off - off.groupby(level="block").transform("mean")
    return off.to_numpy("float64")


def _early(question: Question) -> str:
    """Return the last survey that was no look at the treatment: it came before it."""
    before = question.before.survey if question.before is not None else None
    return max(question.baseline or "", before or "")


def _bound(question: Question, day: str, residuals: np.ndarray) -> list[str]:
    """O'Brien and Fleming's bound for this look, where the surveys are planned."""
    planned = [each for each in question.surveys if each > _early(question)]
    if question.deciding is not None:
        planned = [each for each in planned if each <= question.deciding]
    upto = [each for each in planned if each <= day]
    if not upto or len(upto) == len(planned):
        return []
    shares = [(place + 1) / len(planned) for place in range(len(upto))]
    # looks that are not alike leave more room for chance: to take them so is safe
    alike = np.eye(len(upto))
    if residuals.shape[1] == len(upto) and len(residuals) >= 2 * len(upto):
        alike = correlation_of(residuals)
    p = 2 * float(stats.norm.sf(obrien_fleming(shares, question.level, alike)[-1]))
    return [
        f"To decide at this look, {len(upto)} of {len(planned)}, and keep the error of all looks "
        f"together, p must be under {number(p, 2)} (O'Brien and Fleming's bound by Lan and "
        "DeMets' spending)."
    ]
