"""Photo counts against true counts: the share seen, and the comparison of true counts."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import pandas as pd

from counting.analysis.compare import compare
from counting.analysis.methods.double_sampling import (
    ShareSeen,
    line,
    ratio_total,
    regression_total,
    share_seen,
    shared_error,
)
from counting.analysis.question import ALL_SURVEYS, Question, question_of
from counting.analysis.result import Comparison, as_json
from counting.analysis.true_counts import Cell, TrueComparison, true_comparison, with_true_ratios
from counting.analysis.words.cautions import about_verdicts
from counting.analysis.words.phrases import and_list, percent, plants_of
from counting.ledger import Ledger
from counting.plan.trial import Trial
from counting.records.observations import observations

__all__ = ["Calibration", "answered", "calibrate", "calibrate_table", "with_true_counts"]

_FEWEST = 3
"""Fewer plants counted both ways give no error of the share worth the name."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """What photos show of the true counts.

    Attributes
    ----------
    warning : str
        First thing to read: the share seen differs between groups; empty if it is not known to.
    cells : tuple of Cell
        By survey, the control first.
    comparison : TrueComparison or None
        None where the share seen is not known in every group compared.
    """

    measure: str
    level: float
    control: str
    warning: str
    cells: tuple[Cell, ...]
    comparison: TrueComparison | None
    cautions: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Return the calibration as JSON values; what is not known is None, never NaN."""
        value: dict[str, Any] = as_json(
            {
                **{each.name: getattr(self, each.name) for each in fields(self)},
                "comparison": self.comparison and self.comparison.to_json(),
            }
        )
        return value


def calibrate(
    trial: Trial, ledger: Ledger, *, measure: str = "fruit", survey: str | None = None
) -> Calibration | None:
    """Hold a trial's photo counts against its hand counts.

    Returns
    -------
    Calibration or None
        None where no plant was counted both ways.
    """
    table = observations(trial, ledger)
    if not (table["measure"] == measure).any():
        return None
    question = replace(question_of(trial, table, measure), survey=survey)
    return calibrate_table(table, question)


def calibrate_table(
    table: pd.DataFrame, question: Question, photo: Comparison | None = None
) -> Calibration | None:
    """Hold the photo counts of a table of observations against its hand counts.

    Within each group and survey: the share seen, the line of true on photo counts, and the true
    totals by the ratio and the regression estimator of double sampling. The comparison is that of
    the photo counts over the ratio of the shares; the variances of the logarithms add up, with
    their covariance (delta method; Cochran 1977, Sampling Techniques, 3rd ed., ch. 12).

    Parameters
    ----------
    table : DataFrame
        Columns `counting.tables.OBSERVATIONS`.
    question : Question
        The measure, control, groups and unit; `survey` None: the last one with photo counts.
    photo : Comparison, optional
        Of the photo counts at that survey, where it is made already.
    """
    both = _both_ways(table, question.measure)
    if not both["tally"].notna().any():
        return None
    known = question.groups or tuple(sorted(set(both["group"])))
    control = question.control or known[0]
    groups = [control, *(name for name in known if name != control)]
    question = replace(question, control=control, groups=tuple(groups))
    cells = tuple(
        _cell(both[(both["survey"] == survey) & (both["group"] == group)], group, survey, question)
        for survey in sorted(set(both["survey"]))
        for group in groups
    )
    survey = question.survey or max(both.loc[both["tally"].notna(), "survey"])
    at = {cell.group: cell for cell in cells if cell.survey == survey}
    cautions = _cautions(cells)
    comparison, warning = None, ""
    unknown = [name for name in groups if name not in at or at[name].share_se_log is None]
    if unknown:
        cautions.append(
            f"The share seen is not known for {and_list(unknown)} at the survey of {survey}: count "
            f"at least {_FEWEST} plants of each group by hand on the day of the photos. Until then "
            "only the fruit that photos show are compared."
        )
    else:
        photo = photo or compare(table, replace(question, source="photo", survey=survey))
        comparison = true_comparison(photo, at, question)
        warning = _warning(comparison, at, question)
        cautions += _not_shown_equal(comparison, question)
    return Calibration(
        question.measure, question.level, groups[0], warning, cells, comparison, tuple(cautions)
    )


def with_true_counts(comparison: Comparison, table: pd.DataFrame, question: Question) -> Comparison:
    """Let true counts answer in the place of photo counts, where hand counts tell the share seen.

    Parameters
    ----------
    comparison : Comparison
        Returned as it is unless it is of photo counts and some plants were counted both ways.
    table : DataFrame
        Columns `counting.tables.OBSERVATIONS`.
    question : Question
        As put to the comparison.
    """
    if comparison.source != "photo" or comparison.survey == ALL_SURVEYS or question.per:
        return comparison
    found = calibrate_table(table, replace(question, survey=comparison.survey), comparison)
    return comparison if found is None else answered(comparison, found)


def answered(comparison: Comparison, found: Calibration) -> Comparison:
    """Put what hand counts say into a comparison of photo counts.

    Parameters
    ----------
    comparison : Comparison
        Of the photo counts that were calibrated.
    found : Calibration
    """
    said = [found.warning] if found.warning else []
    answer, kept = comparison, comparison.cautions
    if found.comparison:
        answer = with_true_ratios(comparison, found.comparison)
        said.append(f"On the photos alone: {comparison.sentence}")
        alpha, blocked = 1 - comparison.level, (comparison.blocks or 0) > 1
        stale = about_verdicts(comparison.comparisons, alpha, blocked=blocked)
        kept = tuple(text for text in kept if text not in stale)
    return replace(answer, cautions=(*said, *found.cautions, *kept))


def _both_ways(table: pd.DataFrame, measure: str) -> pd.DataFrame:
    """Return photo counts with the hand counts of the same plants and surveys beside them."""
    rows = table[(table["measure"] == measure) & table["truss"].isna() & table["value"].notna()]
    key = ["group", "survey", "plant"]
    photo = rows[rows["source"] == "photo"].groupby(key)["value"].mean().rename("photo")
    tally = rows[rows["source"] == "tally"].groupby(key)["value"].mean().rename("tally")
    return photo.to_frame().join(tally, how="left").reset_index()


def _cell(rows: pd.DataFrame, group: str, survey: str, question: Question) -> Cell:
    pairs = rows[rows["tally"].notna()]
    photo, true = (pairs[name].to_numpy("float64") for name in ("photo", "tally"))
    seen = share_seen(photo, true, question.level)
    if len(pairs) < _FEWEST:
        seen = ShareSeen(seen.share, None, None, None, seen.df)
    plants = len(rows)
    mean = float(rows["photo"].mean()) if plants else None
    total = (photo, true, mean or 0.0, plants, question.level)
    return Cell(
        group=group,
        survey=survey,
        n=len(pairs),
        plants=plants,
        photo_mean=mean,
        share=seen.share,
        share_low=seen.low,
        share_high=seen.high,
        share_se_log=seen.se_log,
        shared_error=shared_error(photo, true, max(plants, 1)),
        line=line(photo, true),
        ratio=ratio_total(*total),
        regression=regression_total(*total),
    )


def _warning(comparison: TrueComparison, at: dict[str, Cell], question: Question) -> str:
    """Say first of all that photos show more of one group's fruit than of another's."""
    alpha = 1 - question.level
    apart = [c for c in comparison.comparisons if (p := c.share_ratio.p) is not None and p < alpha]
    if not apart:
        return ""
    shares = [
        f"{percent(at[name].share or 0.0)} of the fruit of {plants_of(name)}"
        for name in dict.fromkeys([*(c.group for c in apart), apart[0].control])
    ]
    return (
        f"Photos show {and_list(shares)}: compare true counts, since leaves alone can make or "
        "hide a difference between photo counts."
    )


def _not_shown_equal(comparison: TrueComparison, question: Question) -> list[str]:
    """A share that is not known to differ is not thereby the same."""
    alpha = 1 - question.level
    return [
        f"The share seen is not known to differ between {contrast.group} and {contrast.control}, "
        f"but may: it is {contrast.share_ratio.value:.2f} times the control's (between "
        f"{contrast.share_ratio.low:.2f} and {contrast.share_ratio.high:.2f})."
        for contrast in comparison.comparisons
        if contrast.share_ratio.p is not None and contrast.share_ratio.p >= alpha
    ]


def _cautions(cells: tuple[Cell, ...]) -> list[str]:
    """Cells with too few plants counted both ways, and estimators that disagree."""
    said = []
    for cell in cells:
        where = f"{cell.group}, survey {cell.survey}"
        if cell.share is not None and cell.share > 1:
            said.append(
                f"{where}: fewer fruit were counted by hand than photos show (share seen "
                f"{percent(cell.share)}): either the photos hold rings that are no fruit or the "
                "hand counts missed some. Find out which before you believe either."
            )
        if 0 < cell.n < _FEWEST:
            said.append(f"{where}: only {cell.n} counted both ways; the share's error is unknown.")
        ratio, regression = cell.ratio.total, cell.regression.total
        if cell.n > _FEWEST and ratio and regression and abs(regression / ratio - 1) > 0.1:
            said.append(
                f"{where}: the ratio and the regression estimate differ by "
                f"{percent(abs(regression / ratio - 1))}; fruit seen are not a fixed share of "
                "the true number, so look at the line."
            )
    return said
