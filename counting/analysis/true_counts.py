"""The comparison of true counts: photo counts, corrected by the share that photos show."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from counting.analysis.contrasts import detectable_ratio, each_adjusted
from counting.analysis.estimates import NO_ESTIMATE, Estimate, as_ratio
from counting.analysis.methods.differences import jointly
from counting.analysis.methods.double_sampling import Line, Total
from counting.analysis.methods.student import added, exponentiated, student
from counting.analysis.question import Question
from counting.analysis.result import Comparison, Contrast
from counting.analysis.words.sentence import worded

__all__ = ["SEEN", "Cell", "TrueComparison", "TrueContrast", "true_comparison", "with_true_ratios"]

SEEN = "This includes the fruit that photos do not show."
_METHOD = "true counts (double sampling)"


@dataclass(frozen=True, slots=True)
class Cell:
    """One group at one survey.

    Attributes
    ----------
    n : int
        Plants counted both ways.
    plants : int
        Plants with a photo count.
    share, share_low, share_high : float or None
        Fruit seen over true fruit.
    share_se_log : float or None
        Standard error of the share's logarithm.
    shared_error : float
        Covariance of the logs of mean photo count and correction.
    line : Line
        True on photo counts.
    ratio, regression : Total
        True mean and total of all plants photographed, by either estimator.
    """

    group: str
    survey: str
    n: int
    plants: int
    photo_mean: float | None
    share: float | None
    share_low: float | None
    share_high: float | None
    share_se_log: float | None
    shared_error: float
    line: Line
    ratio: Total
    regression: Total


@dataclass(frozen=True, slots=True)
class TrueContrast:
    """One group against the control in true counts, the calibration's error carried through.

    Attributes
    ----------
    ratio : Estimate
        Of true counts.
    photo_ratio : float or None
        Of photo counts.
    share_ratio : Estimate
        Share seen in the group over that in the control.
    """

    group: str
    control: str
    ratio: Estimate
    photo_ratio: float | None
    share_ratio: Estimate
    detectable: float | None
    sentence: str = ""

    def to_json(self) -> dict[str, Any]:
        """Return the contrast with the flat keys that others read."""
        ratio, share = self.ratio, self.share_ratio
        return {
            "group": self.group,
            "control": self.control,
            "ratio": ratio.value,
            "ratio_low": ratio.low,
            "ratio_high": ratio.high,
            "ratio_p": ratio.p,
            "ratio_df": ratio.df,
            "ratio_se_log": ratio.se,
            "photo_ratio": self.photo_ratio,
            "share_ratio": share.value,
            "share_ratio_low": share.low,
            "share_ratio_high": share.high,
            "share_p": share.p,
            "ratio_p_adjusted": ratio.p_adjusted,
            "sentence": self.sentence,
        }


@dataclass(frozen=True, slots=True)
class TrueComparison:
    """The comparison of true counts at one survey."""

    survey: str
    comparisons: tuple[TrueContrast, ...]
    sentence: str

    def to_json(self) -> dict[str, Any]:
        """Return the comparison as JSON values."""
        return {
            "survey": self.survey,
            "comparisons": [each.to_json() for each in self.comparisons],
            "sentence": self.sentence,
        }


def true_comparison(photo: Comparison, at: dict[str, Cell], question: Question) -> TrueComparison:
    """Carry a comparison of photo counts over to true counts.

    Parameters
    ----------
    photo : Comparison
        Of photo counts.
    at : dict of str to Cell
        Every group's calibration at the survey compared, each with a known error.
    question : Question
        As put to the photo counts.
    """
    found = together(
        photo,
        [
            _true_contrast(contrast, at[contrast.group], at[contrast.control], question)
            for contrast in photo.comparisons
        ],
        at[photo.control],
        question,
    )
    answer = _answer(photo, found)
    contrasts = tuple(
        replace(each, ratio=said.headline(), sentence=said.sentence)
        for each, said in zip(found, answer.comparisons, strict=True)
    )
    return TrueComparison(photo.survey or "", contrasts, answer.sentence)


def with_true_ratios(photo: Comparison, found: TrueComparison) -> Comparison:
    """Let the true counts answer in the place of the photo counts.

    Parameters
    ----------
    photo : Comparison
        Of photo counts.
    found : TrueComparison
        Of the same groups and survey.
    """
    return _answer(photo, found.comparisons)


def _answer(photo: Comparison, found: Sequence[TrueContrast]) -> Comparison:
    contrasts = each_adjusted(
        tuple(
            contrast
            if each.ratio.value is None
            else replace(
                contrast,
                basis="true counts",
                true_counts=each.ratio,
                detectable=each.detectable,
            )
            for contrast, each in zip(photo.comparisons, found, strict=True)
        )
    )
    answer = worded(replace(photo, comparisons=contrasts))
    said = tuple(replace(each, sentence=f"{each.sentence} {SEEN}") for each in answer.comparisons)
    sentence = f"{answer.sentence} {SEEN}" if said else answer.sentence
    return replace(answer, comparisons=said, sentence=sentence)


def _true_contrast(
    contrast: Contrast, cell: Cell, control: Cell, question: Question
) -> TrueContrast:
    """Carry one contrast of photo counts over to true counts."""
    share = (cell.share or math.nan) / (control.share or math.nan)
    parts = [
        (cell.share_se_log or 0.0, float(cell.n - 1)),
        (control.share_se_log or 0.0, float(control.n - 1)),
    ]
    share_se, share_df = added(parts)
    of_shares = _log_ratio(share, share_se, share_df, question.level)
    photo_ratio, ratio = contrast.ratio, NO_ESTIMATE
    if photo_ratio.value is not None:
        ratio = Estimate(photo_ratio.value / share, method=_METHOD)
        if photo_ratio.se is not None and photo_ratio.df is not None:
            se, df = added([(photo_ratio.se, photo_ratio.df), *parts])
            shared = 2 * (cell.shared_error + control.shared_error)
            se = math.sqrt(max(se**2 + shared, share_se**2))
            ratio = _log_ratio(photo_ratio.value / share, se, df, question.level)
            if photo_ratio.p is None:
                ratio = replace(ratio, p=None)
    return TrueContrast(
        group=contrast.group,
        control=contrast.control,
        ratio=ratio,
        photo_ratio=photo_ratio.value,
        share_ratio=of_shares,
        detectable=detectable_ratio(ratio, question.level),
    )


def together(
    photo: Comparison, found: Sequence[TrueContrast], control: Cell, question: Question
) -> list[TrueContrast]:
    """Adjust the ratios of true counts of several groups for their number.

    They go together by the control's photo counts and by its share seen: the covariance of two
    logarithms is that of the photo counts' ratios, the variance of the control's share, and twice
    what its photo counts and its share have in common.

    Parameters
    ----------
    photo : Comparison
        Of photo counts.
    found : sequence of TrueContrast
        One for each of its contrasts.
    control : Cell
        The control's calibration.
    question : Question
    """
    known = [n for n, each in enumerate(photo.comparisons) if each.ratio.se and each.ratio.df]
    at = [n for n in known if found[n].ratio.se and found[n].ratio.p is not None]
    if len(known) < 2 or len(at) < len(known) or len(photo.log_covariance) != len(known):
        return list(found)
    shared = (control.share_se_log or 0.0) ** 2 + 2 * control.shared_error
    ratios = [found[n].ratio for n in at]
    se = np.array([each.se for each in ratios], "float64")
    covariance = np.maximum(np.array(photo.log_covariance) + shared, 0.0)
    np.fill_diagonal(covariance, se**2)
    logs = {
        found[n].group: replace(each, value=math.log(each.value or 1.0))
        for n, each in zip(at, ratios, strict=True)
    }
    joint = jointly(logs, covariance, question.level, question.seed)
    adjusted = list(found)
    for n in at if joint else ():
        ratio = found[n].ratio.jointly(as_ratio(joint[found[n].group]))
        size = detectable_ratio(ratio, question.level)
        adjusted[n] = replace(found[n], ratio=ratio, detectable=size)
    return adjusted


def _log_ratio(value: float, se: float, df: float, level: float) -> Estimate:
    """Return a ratio with its interval on the log scale; without variation of no width."""
    if not se > 0:
        return Estimate(value, value, value, None, df, se, _METHOD)
    found = exponentiated(student(math.log(value), se, df, level, _METHOD))
    return replace(found, value=value)
