"""The report's tables, as columns and rows of text."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, TypedDict

import pandas as pd

from counting.analysis.estimates import Estimate
from counting.analysis.recapture import FEWEST, recapture
from counting.analysis.result import Comparison, Contrast, GroupSummary
from counting.analysis.screen import ratio_text
from counting.analysis.season.harvest import Harvest
from counting.ledger.facts import Exclusion, Photo
from counting.report.figures import Figures

__all__ = ["TextTable", "all_tables", "coming", "events", "harvest", "harvest_told", "plant_means"]


class TextTable(TypedDict):
    """A table ready to print; its first `words` columns are text, the rest are numbers."""

    words: int
    columns: list[str]
    rows: list[list[str]]


def all_tables(
    numbers: Figures, left_out: Sequence[Exclusion], photos: Mapping[str, Photo]
) -> dict[str, TextTable]:
    """Return every table of the page by name; `photos` by SHA-256 name those left out."""
    return {
        "groups": _groups(numbers.main),
        "comparisons": _comparisons(numbers.main),
        "others": _others(numbers.others),
        "others_told": _others_told(numbers.others),
        "seen": _seen(numbers),
        "two_views": _two_views(numbers),
        "left_out": {
            "words": 5,
            "columns": ["left out", "survey", "reason", "by", "when"],
            "rows": [
                [what, survey or "all", each.reason, each.by, each.at[:10]]
                for each in left_out
                for what, survey in [each.named(photos)]
            ],
        },
    }


def events(table: pd.DataFrame) -> TextTable:
    """Return the diary with the numbers that the plot shows."""
    rows = []
    for number, event in enumerate(table.to_dict("records"), start=1):
        mixed = event["ml_per_litre"]
        product = str(event["product"])
        if pd.notna(mixed):
            product += f" ({mixed:.3g} ml per litre)"
        text = "; ".join(str(part) for part in (event["note"], event["weather"]) if part)
        rows.append(
            [str(number), str(event["at"])[:16].replace("T", " "), str(event["kind"])]
            + [str(event["scope"]) or "all", product, text]
        )
    columns = ["no.", "when", "what", "where", "product", "note"]
    return {"words": 6, "columns": columns, "rows": rows}


def plant_means(numbers: Figures) -> list[dict[str, Any]]:
    """Return each group with its mean and interval, and the number of its plants."""
    return [
        {
            "group": group.group,
            "n": group.plants.n,
            "mean": group.mean,
            "mean_low": group.mean_low,
            "mean_high": group.mean_high,
        }
        for group in numbers.main.groups
    ]


def _groups(main: Comparison) -> TextTable:
    unit = main.unit_of_analysis
    columns = ["group", "plants", f"{unit}s", "mean", "95 % interval", "SD", "median", "range"]
    rows = []
    for group in main.groups:
        plants = group.plants
        rows.append(
            [group.group, str(plants.n), str(group.n), _number(group.mean)]
            + [_interval(group.mean_low, group.mean_high), _number(plants.sd)]
            + [_number(plants.median), _interval(plants.min, plants.max)]
        )
    if unit == "plant":
        columns.pop(2)
        rows = [row[:2] + row[3:] for row in rows]
    if any(group.adjusted_mean is not None for group in main.groups):
        columns.append("mean, as if alike before")
        for row, group in zip(rows, main.groups, strict=True):
            row.append(_number(group.adjusted_mean))
    shares = [group.share_above for group in main.groups]
    if any(shares):
        above = next(share.above for share in shares if share)
        columns.append(f"above {above:g}")
        for row, share in zip(rows, shares, strict=True):
            row.append(f"{share.count} of {share.n}" if share else "")
    return {"words": 1, "columns": columns, "rows": rows}


Line = tuple[str, float | None, float | None, float | None, float | None]


_NAMES = {
    "ratio": "ratio of means",
    "within blocks": "difference within blocks",
    "true counts": "ratio of true counts",
    "superiority": "chance of lying higher",
}


def _answer(contrast: Contrast) -> list[Line]:
    """Return first what the answer rests on: of several groups for all of them together."""
    own, name = contrast.headline(), _NAMES.get(contrast.basis, "difference of means")
    best, told = contrast.told(), contrast.p_told()
    several = told is not None and told != own.p
    lines = [(f"the answer: {name}", best.value, best.low, best.high, told if several else own.p)]
    if several:
        lines.append(("the same, taken alone", None, own.low, own.high, own.p))
    if contrast.unadjusted is not None:
        before = f"the same without the values from before{', taken alone' * several}"
        lines.append(_line(before, contrast.unadjusted))
    return lines


def _line(name: str, estimate: Estimate) -> Line:
    return (name, estimate.value, estimate.low, estimate.high, estimate.p)


def _comparisons(main: Comparison) -> TextTable:
    """Return every estimate of every group against the control, one line each."""
    several = len(main.comparisons) > 1
    above = next((group.share_above.above for group in main.groups if group.share_above), 0.0)
    rows = []
    for each in main.comparisons:
        # what the answer rests on is not told twice
        lines: list[Line] = _answer(each)
        if each.basis != "difference":
            lines.append(_line("difference of means", each.difference))
        if each.basis == "ratio":
            lines.append(_line("difference within blocks", each.within_blocks))
        means = each.mean_difference()
        if several and each.basis == "ratio" and means.p_adjusted is not None:
            ends = (means.low_joint, means.high_joint, means.p_adjusted)
            lines.append(("the same, for all groups together", None, *ends))
        if each.basis != "ratio":
            lines.append(_line("ratio of means", each.ratio))
        lines += [
            _line("shift of the middle", each.shift),
            ("the lots drawn again", None, None, None, each.randomisation.p),
        ]
        rows += [
            [each.group, name, "" if value is None else _number(value), _interval(low, high), _p(p)]
            for name, value, low, high, p in lines
            if value is not None or p is not None
        ]
        share = each.share_difference
        if share is not None and share.difference is not None:
            low, high = share.low, share.high
            points = [100 * x if x is not None else None for x in (share.difference, low, high)]
            rows.append(
                [each.group, f"share above {above:g}, in percentage points", _number(points[0])]
                + [_interval(points[1], points[2]), ""]
            )
    level = f"{100 * main.level:g} % interval"
    columns = ["group", "what is compared", "estimate", level, "p"]
    if not several:  # the heading names the group already
        return {"words": 1, "columns": columns[1:], "rows": [row[1:] for row in rows]}
    return {"words": 2, "columns": columns, "rows": rows}


def _each_other(
    others: Sequence[Comparison],
) -> Iterator[tuple[Comparison, str, str, Contrast]]:
    """Yield each contrast of the further measures: its comparison, the name, the groups' means."""
    for other in others:
        means = _means(other)
        for each in other.comparisons:
            name = other.measure.replace("_", " ")
            if len(other.comparisons) > 1:
                name += f", {each.group}"
            yield other, name, means, each


def _means(other: Comparison) -> str:
    """Return each group's mean; of grades, which have none, the median."""
    grades = other.kind == "grade"
    return ", ".join(
        f"{group.group} {'median ' * grades}{_number(group.median if grades else group.mean)}"
        for group in other.groups
    )


def _others(others: Sequence[Comparison]) -> TextTable:
    rows = [
        [name, other.unit, other.survey or "", means, _headline(each)]
        + [_interval(each.told().low, each.told().high), _p(each.p_told())]
        for other, name, means, each in _each_other(others)
    ]
    columns = ["measure", "unit", "survey", "means", "answer", "95 % interval", "p adjusted"]
    return {"words": 4, "columns": columns, "rows": rows}


def _says(other: Comparison) -> str:
    """Return the verdict in a word or two; of several groups each one's where they differ."""
    if other.part_of is not None and other.finished():
        return f"a part of {other.part_of.replace('_', ' ')}, not judged"
    if other.complete and not other.finished():
        return "not yet the deciding survey"
    verdicts = {each.verdict for each in other.comparisons}
    if len(verdicts) == 1 and not verdicts & {"more", "fewer"}:
        return verdicts.pop()
    words = {"more": "higher", "fewer": "lower"}
    apart = ": " if len(other.comparisons) > 1 else " "
    said = [
        f"{each.group}{apart}{words.get(each.verdict, each.verdict)}" for each in other.comparisons
    ]
    return "; ".join(said)


def _others_told(others: Sequence[Comparison]) -> TextTable:
    """Return the further measures as a grower reads them: means, and what the trial says."""
    rows = []
    for other in others:
        name = other.measure.replace("_", " ")
        when = "all picks" if other.course == "total" else other.survey or ""
        unit = "" if other.unit == "count" else other.unit
        rows.append([name, unit, when, _means(other), _says(other)])
    columns = ["measure", "unit", "survey", "means", "the trial says"]
    return {"words": 5, "columns": columns, "rows": rows}


def harvest(numbers: Figures) -> TextTable:
    """Return what was picked of each group: sums by plant, shares, and how early it came."""
    found = numbers.harvest
    if found is None:
        return {"words": 1, "columns": ["picked, all together"], "rows": []}
    return harvest_told(found)


def harvest_told(found: Harvest) -> TextTable:
    """Return the picks as a grower reads them."""
    groups = [group.group for group in found.totals[0].groups]
    rows = []
    for total in (*found.totals, found.half):
        if total is None:
            continue
        unit = "" if total.unit in {"", "count", "days"} else f", {total.unit}"
        name = f"{total.measure.replace('_', ' ')} per plant{unit}"
        if total is found.half:
            name = f"days from the first pick to half of the {total.measure.replace('_', ' ')}"
        means = {group.group: group for group in total.groups}
        rows.append([name, *(_with_interval(means[group]) for group in groups)])
    for name in dict.fromkeys(each.name for each in found.ratios):
        mine = {each.group: each for each in found.ratios if each.name == name}
        rows.append([name, *(ratio_text(mine[group]) for group in groups)])
    return {"words": 1, "columns": ["all picks together", *groups], "rows": rows}


def coming(numbers: Figures) -> TextTable:
    """Return the coming picks that can be told, of each group's plants together."""
    told = [each for each in numbers.coming if each.shown]
    groups = [each.group for each in told[0].groups] if told else []
    rows = []
    for one in told:
        kilos = one.measure == "picked_weight"
        parts = []
        for each in one.groups:
            scale = 1000 if kilos else 1
            value, low, high = (
                None if x is None else round(x / scale, 2 if kilos else 0)
                for x in (each.value, each.low, each.high)
            )
            parts.append(f"{_number(value)} ({_interval(low, high)})" if low is not None else "")
        held = f"{one.held} of {one.checked} in {one.weeks} weeks"
        when = one.day if one.planned else f"about {one.day}"
        rows.append([when, "kg" if kilos else "fruit", *parts, held])
    sizes = {each.group: each.plants for each in (told[0].groups if told else ())}
    heads = [f"{group}, {sizes[group]} plants" for group in groups]
    columns = ["the pick of", "expect", *heads, "such ranges held"]
    return {"words": 2, "columns": columns, "rows": rows}


def _with_interval(group: GroupSummary) -> str:
    span = _interval(group.mean_low, group.mean_high)
    return f"{_number(group.mean)} ({span})" if span else _number(group.mean)


def _headline(contrast: Contrast) -> str:
    """Return the figure that the answer rests on: of counts a ratio, of measures a difference."""
    text = _number(contrast.headline().value)
    return f"{text} times" if contrast.basis in {"ratio", "true counts"} else text


def _seen(numbers: Figures) -> TextTable:
    columns = ["group", "survey", "plants counted both ways", "share seen", "95 % interval"]
    calibration = numbers.calibration
    rows = [
        [each.group, each.survey, str(each.n), _percent(each.share)]
        + [_percent_interval(each.share_low, each.share_high)]
        for each in (calibration.cells if calibration else ())
    ]
    return {"words": 2, "columns": columns, "rows": rows}


def _two_views(numbers: Figures) -> TextTable:
    """Show what two views of one side saw, and the share that by them is on neither."""
    columns = ["group", "survey", "plants", "on one view alone", "on the other alone", "on both"]
    columns += ["on neither, by that", "95 % interval"]
    rows = []
    for each in numbers.views:
        told = recapture(each.first, each.second, each.both)
        few = each.both < FEWEST
        rows.append(
            [each.group, each.survey, str(each.plants), str(each.first - each.both)]
            + [str(each.second - each.both), str(each.both)]
            + [f"{_percent(told.unseen)}{' (too few)' if few else ''}"]
            + [_percent_interval(told.low, told.high)]
        )
    return {"words": 2, "columns": columns, "rows": rows}


def _number(value: float | None) -> str:
    if value is None:
        return "not known"
    text = f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"
    return text.replace("-", "\N{MINUS SIGN}")


def _interval(low: float | None, high: float | None) -> str:
    """Return both ends with the same decimals, three figures of the larger."""
    if low is None or high is None:
        return ""
    largest = max(abs(low), abs(high))
    whole = (low.is_integer() and high.is_integer()) or largest == 0
    decimals = 0 if whole else min(max(2 - math.floor(math.log10(largest)), 0), 4)
    return f"{low:.{decimals}f} to {high:.{decimals}f}".replace("-", "\N{MINUS SIGN}")


def _percent(share: float | None) -> str:
    return "not known" if share is None else f"{100 * share:.0f} %"


def _percent_interval(low: float | None, high: float | None) -> str:
    return "" if low is None or high is None else f"{100 * low:.0f} to {100 * high:.0f} %"


def _p(value: float | None) -> str:
    if value is None:
        return ""
    return "under 0.001" if value < 0.001 else f"{value:.3f}"
