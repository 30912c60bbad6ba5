"""The comparison of true counts: photo counts, corrected by the share that photos show."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from scipy import stats

from counting.analysis.contrasts import POWER
from counting.analysis.methods.double_sampling import Line, Total
from counting.analysis.question import Question
from counting.analysis.result import Comparison, Contrast
from counting.analysis.words.sentence import reworded

__all__ = ["Cell", "TrueComparison", "TrueContrast", "true_comparison"]


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
    """One group against the control in true counts, the calibration's error carried through."""

    group: str
    control: str
    ratio: float | None
    ratio_low: float | None
    ratio_high: float | None
    ratio_p: float | None
    ratio_df: float | None
    ratio_se_log: float | None
    photo_ratio: float | None
    share_ratio: float | None
    share_ratio_low: float | None
    share_ratio_high: float | None
    share_p: float | None
    sentence: str


@dataclass(frozen=True, slots=True)
class TrueComparison:
    """The comparison of true counts at one survey."""

    survey: str
    comparisons: tuple[TrueContrast, ...]
    sentence: str


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
    contrasts = tuple(
        _true_contrast(contrast, at[contrast.group], at[contrast.control], photo, question)
        for contrast in photo.comparisons
    )
    sentence = " ".join(contrast.sentence for contrast in contrasts)
    return TrueComparison(photo.survey or "", contrasts, sentence)


def _true_contrast(
    contrast: Contrast, cell: Cell, control: Cell, photo: Comparison, question: Question
) -> TrueContrast:
    """Carry one contrast of photo counts over to true counts."""
    share = (cell.share or math.nan) / (control.share or math.nan)
    parts = [
        (cell.share_se_log or 0.0, float(cell.n - 1)),
        (control.share_se_log or 0.0, float(control.n - 1)),
    ]
    share_se, share_df = _added(parts)
    half = float(stats.t.ppf((1 + question.level) / 2, share_df)) * share_se
    share_p = float(2 * stats.t.sf(abs(math.log(share)) / share_se, share_df)) if share_se else None
    ratio = low = high = p = df = se = None
    if contrast.ratio is not None:
        ratio = contrast.ratio / share
        photo_se = _se_log(contrast, question.level)
        if photo_se is not None and contrast.ratio_df is not None:
            se, df = _added([(photo_se, contrast.ratio_df), *parts])
            shared = 2 * (cell.shared_error + control.shared_error)
            se = math.sqrt(max(se**2 + shared, share_se**2))
            reach = float(stats.t.ppf((1 + question.level) / 2, df)) * se
            low, high = ratio * math.exp(-reach), ratio * math.exp(reach)
            if contrast.ratio_p is not None:
                p = float(2 * stats.t.sf(abs(math.log(ratio)) / se, df))
    return TrueContrast(
        group=contrast.group,
        control=contrast.control,
        ratio=ratio,
        ratio_low=low,
        ratio_high=high,
        ratio_p=p,
        ratio_df=df,
        ratio_se_log=se,
        photo_ratio=contrast.ratio,
        share_ratio=share,
        share_ratio_low=share * math.exp(-half),
        share_ratio_high=share * math.exp(half),
        share_p=share_p,
        sentence=_sentence(contrast, photo, (ratio, low, high, p, se, df), question),
    )


def _added(parts: list[tuple[float, float]]) -> tuple[float, float]:
    """Add independent errors; degrees of freedom by Satterthwaite (1946)."""
    variance = sum(se**2 for se, _ in parts)
    if variance == 0:
        return 0.0, min(df for _, df in parts)
    df = variance**2 / sum(se**4 / df for se, df in parts if se > 0)
    return math.sqrt(variance), df


def _se_log(contrast: Contrast, level: float) -> float | None:
    """Standard error of the logarithm of a ratio, back from its interval."""
    if contrast.ratio_low is None or contrast.ratio_high is None or not contrast.ratio_df:
        return None
    quantile = float(stats.t.ppf((1 + level) / 2, contrast.ratio_df))
    return math.log(contrast.ratio_high / contrast.ratio_low) / (2 * quantile)


def _sentence(
    contrast: Contrast,
    photo: Comparison,
    figures: tuple[float | None, ...],
    question: Question,
) -> str:
    ratio, low, high, p, se, df = figures
    detectable = None
    if se and df:
        size = float(stats.t.ppf([(1 + question.level) / 2, POWER], df).sum()) * se
        detectable = math.expm1(size) if size < 10 else None
    corrected = replace(
        contrast,
        ratio=ratio,
        ratio_low=low,
        ratio_high=high,
        ratio_p=p,
        ratio_p_adjusted=None,
        detectable=detectable,
    )
    said = reworded(corrected, photo)
    return f"{said} This includes the fruit that photos do not show."
