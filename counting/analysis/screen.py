"""Comparisons and calibrations as plain text for the screen."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Collection, Sequence

from counting.analysis.calibrate import Calibration
from counting.analysis.estimates import Estimate
from counting.analysis.result import Comparison, Contrast, GroupSummary
from counting.analysis.season.coming import Coming
from counting.analysis.season.harvest import Harvest, Ratio
from counting.analysis.season.pool import Together
from counting.analysis.words.amounts import context_of_all, noun
from counting.analysis.words.phrases import number, p_text, percent

__all__ = [
    "all_as_text",
    "as_text",
    "calibration_text",
    "coming_text",
    "pooled_text",
    "ratio_lines",
    "ratio_text",
]

_WIDTH = 96


def all_as_text(comparisons: Sequence[Comparison]) -> str:
    """Return several comparisons as text, every caution once.

    Parameters
    ----------
    comparisons : sequence of Comparison
    """
    told: set[str] = set()
    texts = []
    for each in comparisons:
        texts.append(as_text(each, told))
        told.update(each.cautions)
    return "\n\n\n".join(texts)


def as_text(comparison: Comparison, told: Collection[str] = ()) -> str:
    """Return the sentence, the groups, the comparisons and the cautions as text.

    Parameters
    ----------
    comparison : Comparison
    told : collection of str
        Cautions that stand above already, under another measure.
    """
    parts = [
        textwrap.fill(comparison.sentence, _WIDTH),
        _heading(comparison),
        _table(_group_rows(comparison)),
    ]
    if comparison.comparisons:
        parts += [f"Against {comparison.control}:", _table(_contrast_rows(comparison))]
    spread = _spread(comparison)
    if spread:
        parts.append(spread)
    fresh = tuple(text for text in comparison.cautions if text not in told)
    if len(fresh) < len(comparison.cautions):
        fresh = (*fresh, "What is said above of the measures before holds here too.")
    parts += _bullets("Before you believe it:", fresh)
    return "\n\n".join(parts)


def _heading(comparison: Comparison) -> str:
    words = [noun(context_of_all(comparison))]
    if comparison.unit not in {"", "count"}:
        words[0] += f" ({comparison.unit})"
    if comparison.main:
        words.append("the main measure")
    if comparison.survey:
        words.append(f"survey {comparison.survey}")
    if comparison.source:
        words.append(f"from {comparison.source}")
    words.append(f"{percent(comparison.level)} intervals in brackets")
    return "; ".join(words)[:1].upper() + "; ".join(words)[1:] + "."


def _group_rows(comparison: Comparison) -> list[list[str]]:
    by_plot = comparison.unit_of_analysis != "plant" and any(
        group.n != group.plants.n for group in comparison.groups
    )
    head = ["group", "plants", "mean", "", "SD", "median", "range"]
    if by_plot:
        head.insert(2, f"{comparison.unit_of_analysis}s")
    above = next((g.share_above.above for g in comparison.groups if g.share_above), None)
    if above is not None:
        head += [f"above {number(above)}", ""]
    return [head, *(_group_row(group, by_plot, above) for group in comparison.groups)]


def _group_row(group: GroupSummary, by_plot: bool, above: float | None) -> list[str]:
    plants = group.plants
    row = [
        group.group,
        str(plants.n),
        _figure(group.mean),
        _interval(group.mean_low, group.mean_high),
        _figure(plants.sd),
        _figure(plants.median),
        f"{_figure(plants.min)} to {_figure(plants.max)}" if plants.n else "-",
    ]
    if by_plot:
        row.insert(2, str(group.n))
    if above is not None:
        share = group.share_above
        row += (
            ["-", ""]
            if share is None or share.low is None or share.high is None
            else [f"{share.count} of {share.n}", f"({percent(share.low)} to {percent(share.high)})"]
        )
    return row


def _contrast_rows(comparison: Comparison) -> list[list[str]]:
    grades = comparison.kind == "grade"
    several = len(comparison.comparisons) > 1
    blocks = any(contrast.within_blocks.value is not None for contrast in comparison.comparisons)
    if grades:
        head = ["group", "higher in", "", "p"]
    else:
        head = ["group", "difference", "", "p", "ratio", "", "p", "shift", "", "p by lots"]
        if blocks and comparison.kind != "count":
            head[4:4] = ["within blocks", "", "p"]
    if several and not grades:
        head.append("p, all groups")
    rows = [head]
    for contrast in comparison.comparisons:
        rows.append(_grade_row(contrast) if grades else _contrast_row(contrast, several, len(head)))
    return rows


def _contrast_row(contrast: Contrast, several: bool, columns: int) -> list[str]:
    row = [contrast.group, *_estimate(contrast.difference, sign=True)]
    row += [*_estimate(contrast.ratio), *_estimate(contrast.shift, sign=True)[:2]]
    row.append(p_text(contrast.randomisation.p))
    if several:
        row.append(p_text(contrast.p_told()))
    if len(row) < columns:
        row[4:4] = _estimate(contrast.within_blocks, sign=True)
    return row


def _estimate(estimate: Estimate, *, sign: bool = False) -> list[str]:
    """Return the figure, its interval and its p."""
    return [
        _figure(estimate.value, sign=sign),
        _interval(estimate.low, estimate.high),
        p_text(estimate.p),
    ]


def _grade_row(contrast: Contrast) -> list[str]:
    value = contrast.told()
    share = "-" if value.value is None else f"{percent(value.value)} of pairs"
    span = ""
    if value.low is not None and value.high is not None:
        span = f"({percent(value.low)} to {percent(value.high)})"
    return [contrast.group, share, span, p_text(contrast.p_told())]


def _spread(comparison: Comparison) -> str:
    spread = comparison.dispersion
    words = []
    if spread.index is not None:
        words.append(f"index of dispersion {number(spread.index)} (p {p_text(spread.p)})")
    if spread.k is not None:
        words.append(f"k {number(spread.k)}")
    if spread.k_adjusted is not None:
        words.append(f"k adjusted {number(spread.k_adjusted)}")
    if comparison.cluster.icc is not None:
        words.append(f"correlation of plants within a plot {comparison.cluster.icc:.2f}")
        words.append(f"design effect {number(comparison.cluster.design_effect or 1)}")
    methods = dict.fromkeys(c.ratio.method for c in comparison.comparisons if c.ratio.method)
    words += [f"ratio: {method}" for method in methods]
    return (", ".join(words)[:1].upper() + ", ".join(words)[1:] + ".") if words else ""


def _figure(value: float | None, *, sign: bool = False) -> str:
    if value is None:
        return "-"
    text = number(value)
    return f"+{text}" if sign and value > 0 else text


def _interval(low: float | None, high: float | None) -> str:
    return "" if low is None or high is None else f"({number(low)} to {number(high)})"


def _table(rows: list[list[str]]) -> str:
    """Align columns: the first to the left, figures to the right, intervals to the left."""
    widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))]
    lines = []
    for row in rows:
        cells = [
            cell.ljust(width) if place == 0 or cell.startswith("(") else cell.rjust(width)
            for place, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  ".join(cells).rstrip())
    return "\n".join(lines)


def calibration_text(calibration: Calibration) -> str:
    """Return the warning, the shares seen, the true totals and the comparison as text."""
    head = [
        "group",
        "survey",
        "plants",
        "both ways",
        "share seen",
        "",
        "true mean",
        "true total",
        "",
    ]
    rows = [head]
    for cell in calibration.cells:
        seen = "-" if cell.share is None else f"{percent(cell.share)}"
        span = ""
        if cell.share_low is not None and cell.share_high is not None:
            span = f"({percent(cell.share_low)} to {percent(cell.share_high)})"
        total = cell.ratio
        rows.append(
            [cell.group, cell.survey, str(cell.plants), str(cell.n), seen, span]
            + [_figure(total.mean), _figure(total.total), _interval(total.low, total.high)]
        )
    parts = [textwrap.fill(calibration.warning, _WIDTH)] if calibration.warning else []
    if calibration.comparison:
        parts.append(textwrap.fill(calibration.comparison.sentence, _WIDTH))
    parts += [_table(rows), *_bullets("Before you believe it:", calibration.cautions)]
    return "\n\n".join(parts)


def pooled_text(found: Together) -> str:
    """Return the sentence, every trial, their mean and what to expect next as text."""
    mean = found.pooled.mean
    low, high = found.pooled.prediction_low, found.pooled.prediction_high

    def shown(value: float | None) -> float:
        return math.exp(value or 0.0) if found.ratio else value or 0.0

    rows = [["trial", "ratio" if found.ratio else "difference", ""]]
    for part, estimate in zip(found.parts, found.each(), strict=True):
        span = _interval(shown(estimate.low), shown(estimate.high))
        rows.append([part.trial, _figure(shown(part.value)), span])
    rows.append(["all", _figure(shown(mean.value)), _interval(shown(mean.low), shown(mean.high))])
    rows.append(["a next one", "", _interval(shown(low), shown(high))])
    spread = (
        f"Variance between trials {number(found.pooled.tau2)}, {found.pooled.i2:.0f} % of the "
        f"variation; Q {number(found.pooled.q)} (p {p_text(found.pooled.q_p)}); {mean.method}."
    )
    return "\n\n".join([textwrap.fill(found.sentence(), _WIDTH), _table(rows), spread])


def _bullets(heading: str, lines: tuple[str, ...]) -> list[str]:
    if not lines:
        return []
    wrapped = [
        textwrap.fill(text, _WIDTH, initial_indent="- ", subsequent_indent="  ") for text in lines
    ]
    return ["\n".join([heading, *wrapped])]


def ratio_lines(found: Harvest) -> list[str]:
    """Return the shares of the harvest as lines to read."""
    return [
        f"{each.name}, {each.group}: {ratio_text(each)}"
        for each in found.ratios
        if each.found.value is not None
    ]


def coming_text(coming: Sequence[Coming]) -> str:
    """Return the coming picks as text."""
    return "\n".join(textwrap.fill(each.sentence, _WIDTH) for each in coming)


def ratio_text(one: Ratio) -> str:
    """Return a share in percent, or a mean weight, with its interval where it is known."""
    said = _told_in(one.found.value, one.unit)
    if one.found.low is None or one.found.high is None:
        return said
    low = max(one.found.low, 0.0)
    high = min(one.found.high, 1.0) if one.unit == "percent" else one.found.high
    return f"{said} ({_told_in(low, one.unit)} to {_told_in(high, one.unit)})"


def _told_in(value: float | None, unit: str) -> str:
    return percent(value or 0.0) if unit == "percent" else f"{number(value or 0.0)} {unit}"
