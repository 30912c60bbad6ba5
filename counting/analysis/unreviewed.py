"""Photos that nobody has looked at yet: their expected counts, with what is not known of them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from counting.analysis.compare import compare
from counting.analysis.contrasts import each_adjusted
from counting.analysis.data.overlap import Overlap, plants_photos
from counting.analysis.estimates import NO_ESTIMATE, Estimate, as_ratio
from counting.analysis.methods.differences import jointly
from counting.analysis.methods.imputation import pooled
from counting.analysis.methods.student import exponentiated
from counting.analysis.question import ALL_SURVEYS, Question
from counting.analysis.result import Comparison, Contrast
from counting.analysis.words.cautions import about_verdicts
from counting.analysis.words.phrases import percent
from counting.analysis.words.sentence import worded
from counting.flags import Flag
from counting.ledger import Ledger
from counting.ledger.facts import Judged, Proposal
from counting.plan.trial import Trial
from counting.records.confirmed import tell_apart

__all__ = ["Expected", "compare_with_expected", "expected_counts", "with_expected"]

_PROPOSAL_LEVEL = 0.9
"""The level of the interval that a proposal carries."""
_IMPUTATIONS = 20
"""Completed tables to draw: with half of the information missing 20 lose under 3 % of efficiency
(Rubin 1987, Multiple Imputation for Nonresponse in Surveys, sec. 4.3)."""


@dataclass(frozen=True, slots=True)
class Expected:
    """A plant's count at a survey, part of it expected by the finder.

    Attributes
    ----------
    value : float
        Fruit confirmed and fruit expected on unreviewed photos.
    sd : float
        Standard deviation of the expected part.
    photos : int
        Photos not reviewed.
    shown_twice : float or None
        Share taken off for fruit that two photos of the plant show; 0 with a single photo (or one
        of each truss), None where it is not known, so that such fruit count twice.
    """

    survey: str
    plant: str
    value: float
    sd: float
    photos: int
    shown_twice: float | None


def expected_counts(trial: Trial, ledger: Ledger) -> list[Expected]:
    """Return the plants with photos that nobody has reviewed, by survey and plant.

    A plant is left out where one of its photos has neither an answer nor a proposal, or the answer
    that it cannot be counted; guard plants and plants left out with a reason are left out too.
    Nobody has said which fruit of unreviewed photos are the same: the overlap of a plant's photos
    is taken as on the plants of the survey of which all photos were reviewed.
    """
    found = []
    for each in plants_photos(trial, ledger):
        judged = list(each.judged)
        waiting = [one.photo.photo for one in judged if not one.answer]
        lost = any(one.answer and not one.counted for one in judged)
        bare = any(photo not in each.made for photo in waiting)
        # what a damaged file lost is for a person to say
        bare = bare or any(not j.answer and Flag.DAMAGED.value in j.photo.flags for j in judged)
        if not waiting or lost or bare:
            continue
        found.append(_expected(judged, [each.made[photo] for photo in waiting], each.overlap))
    return found


def _expected(judged: list[Judged], made: list[Proposal], overlap: Overlap | None) -> Expected:
    """Put a plant's confirmed and expected fruit together."""
    count = sum(float(each.count) for each in made)
    sd = math.sqrt(sum(_sd(each.count_low, each.count_high) ** 2 for each in made))
    confirmed = len(tell_apart(judged))
    value = confirmed + count
    if overlap is not None:
        alone = sum(len(tell_apart([each])) for each in judged)
        value, sd = overlap.apply(alone + count, sd)
        value = max(value, float(confirmed))
    first = judged[0].photo
    off = None if overlap is None else 1 - overlap.share
    return Expected(first.survey, first.plant, value, sd, len(made), off)


def _sd(low: float, high: float) -> float:
    return (high - low) / (2 * float(stats.norm.ppf((1 + _PROPOSAL_LEVEL) / 2)))


def with_expected(trial: Trial, table: pd.DataFrame, expected: list[Expected]) -> pd.DataFrame:
    """Put expected counts in the place of photo counts that are missing or not there.

    Returns
    -------
    DataFrame
        The columns of `table`, ``sd`` and ``shown_twice`` (float64): 0 where a person counted, see
        `Expected`; the latter is missing where it is not known.
    """
    places = trial.plants.set_index("code")[["group", "block", "plot"]]
    rows = [
        {
            "survey": each.survey,
            "plant": each.plant,
            "truss": pd.NA,
            "measure": "fruit",
            "value": each.value,
            "unit": "count",
            "source": "photo",
            "by": (),
            "at": "",
            "note": f"expected on {each.photos} photos not reviewed",
            **places.loc[each.plant].to_dict(),
            "sd": each.sd,
            "shown_twice": np.nan if each.shown_twice is None else each.shown_twice,
        }
        for each in expected
        if each.plant in places.index
    ]
    if not rows:
        return table.assign(sd=0.0, shown_twice=0.0)
    fresh = pd.DataFrame(rows)
    taken = pd.MultiIndex.from_frame(fresh[["survey", "plant"]])
    photo = (table["measure"] == "fruit") & (table["source"] == "photo") & table["truss"].isna()
    replaced = photo & pd.MultiIndex.from_frame(table[["survey", "plant"]]).isin(taken)
    kept = table[~replaced].assign(sd=0.0, shown_twice=0.0)
    return pd.concat([kept, fresh.astype(kept.dtypes.to_dict())], ignore_index=True)


def compare_with_expected(table: pd.DataFrame, question: Question) -> Comparison:
    """Compare with expected counts in it, their uncertainty carried through.

    Differences and ratios come from completed tables, in which each expected count is drawn from
    its own distribution, put together by Rubin's rules; the other figures are of the expected
    counts themselves.

    Parameters
    ----------
    table : DataFrame
        As `with_expected` returns it.
    question : Question

    References
    ----------
    Rubin (1987) Multiple Imputation for Nonresponse in Surveys; degrees of freedom of Barnard &
    Rubin (1999) Biometrika 86:948-955.
    """
    base = compare(table, question)
    drawn = (table["sd"] > 0).to_numpy()
    if base.survey not in {None, ALL_SURVEYS}:
        drawn = drawn & (table["survey"] == base.survey).to_numpy()
    if not drawn.any() or base.kind != "count":
        return base
    rng = np.random.default_rng(question.seed)
    fixed = replace(question, survey=base.survey, source=base.source, draws=1)
    completed = [compare(_completed(table, drawn, rng), fixed) for _ in range(_IMPUTATIONS)]
    contrasts = tuple(
        _pooled(contrast, [each.comparisons[place] for each in completed], question.level)
        for place, contrast in enumerate(base.comparisons)
    )
    contrasts = each_adjusted(_together(contrasts, completed, question))
    caution = _caution(table[drawn])
    alpha, blocked = 1 - question.level, (base.blocks or 0) > 1
    stale, fresh = (
        about_verdicts(each, alpha, blocked=blocked) for each in (base.comparisons, contrasts)
    )
    kept = (text for text in base.cautions if text not in stale)
    return worded(replace(base, comparisons=contrasts, cautions=(caution, *fresh, *kept)))


def _caution(expected: pd.DataFrame) -> str:
    """What the reader must know of the expected counts."""
    plants = int(expected["plant"].nunique())
    text = (
        f"The counts of {plants} plants rest in part on photos that nobody has reviewed: "
        "expected counts stand for them, and their uncertainty is in the intervals of difference "
        "and ratio."
    )
    off = expected["shown_twice"]
    if off.isna().any():
        return f"{text} A fruit that two photos of such a plant show is counted twice."
    if (off > 0).any():
        return (
            f"{text} For fruit that two photos of such a plant show, {percent(float(off.max()))} "
            "was taken off, as on the plants of which all photos were reviewed."
        )
    return text


def _completed(
    table: pd.DataFrame, drawn: NDArray[np.bool_], rng: np.random.Generator
) -> pd.DataFrame:
    """Draw whole counts for those that are only expected."""
    values = table["value"].to_numpy("float64").copy()
    noise = rng.normal(0.0, table.loc[drawn, "sd"].to_numpy("float64"))
    values[drawn] = np.maximum(0.0, np.round(values[drawn] + noise))
    return table.assign(value=values)


def _pooled(contrast: Contrast, completed: list[Contrast], level: float) -> Contrast:
    """Put the completed tables' figures in the place of the contrast's."""
    difference = pooled([each.difference for each in completed], level)
    ratio = pooled([_log(each.ratio) for each in completed], level)
    tested = contrast.difference.p is not None or contrast.ratio.p is not None
    found = contrast
    if difference.value is not None:
        kept = difference if tested else replace(difference, p=None)
        found = replace(found, difference=replace(kept, method=contrast.difference.method))
    if ratio.value is not None and ratio.low is not None:
        kept = exponentiated(ratio if tested else replace(ratio, p=None))
        method = f"{contrast.ratio.method}, multiple imputation"
        found = replace(found, ratio=replace(kept, method=method), detectable=None)
    return found


def _together(
    contrasts: tuple[Contrast, ...], completed: list[Comparison], question: Question
) -> tuple[Contrast, ...]:
    """Adjust the ratios for the number of groups: their covariance is put together likewise."""
    known = [place for place, each in enumerate(contrasts) if each.ratio.se and each.ratio.df]
    within = [each.log_covariance for each in completed]
    if len(known) < 2 or any(len(each) != len(known) for each in within):
        return contrasts
    logs = [[_log(each.comparisons[place].ratio).value for place in known] for each in completed]
    between = np.atleast_2d(np.cov(np.array(logs, "float64"), rowvar=False))
    covariance = np.mean(np.array(within), axis=0) + (1 + 1 / len(completed)) * between
    estimates = {contrasts[place].group: _log(contrasts[place].ratio) for place in known}
    joint = jointly(estimates, covariance, question.level, question.seed)
    return tuple(
        replace(each, ratio=each.ratio.jointly(as_ratio(joint[each.group])))
        if each.group in joint
        else each
        for each in contrasts
    )


def _log(ratio: Estimate) -> Estimate:
    """Return the logarithm of a ratio."""
    if not ratio.value or not ratio.low or not ratio.high:
        return NO_ESTIMATE
    return replace(
        ratio, value=math.log(ratio.value), low=math.log(ratio.low), high=math.log(ratio.high)
    )
