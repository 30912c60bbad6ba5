"""The answer as a sentence that a grower reads once and a researcher can sign."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from counting.analysis.estimates import Estimate
from counting.analysis.result import Comparison, Contrast
from counting.analysis.verdict import verdict
from counting.analysis.words.phrases import and_list, number, p_text, percent, plants_of
from counting.measures import MEASURES

__all__ = ["reworded", "worded"]

_MANIFOLD = 5.0
"""From here on people think in times, not in percent."""
_BEYOND = 1000.0
_SAME = 1e-9
_DOUBLE = 1.0
_CHANCE = "With 8 chances in 10"
"""The power `counting.analysis.methods.student.POWER`, in words."""
_ALL_PERCENT = 100.0
"""No two percentages differ by more."""


@dataclass(frozen=True, slots=True)
class _Context:
    """What a sentence needs to know besides the figures.

    Attributes
    ----------
    measure, unit, kind : str
    per : str or None
        What counts are divided by.
    plants, plots, blocks : int or None
        Size of the trial; None where there are none.
    alone : bool
        One plot for each group: nothing is tested.
    unit_of_analysis : str
    untested : str
        Why nothing can be tested, where that is not one plot for each group.
    worth : float or None
        The smallest difference worth having, as a share.
    control_mean : float or None
        To tell in the measure's unit what a trial could have found.
    """

    measure: str
    unit: str
    kind: str
    per: str | None
    plants: int
    plots: int | None
    blocks: int | None
    alone: bool
    unit_of_analysis: str
    untested: str
    worth: float | None
    control_mean: float | None


def _context(contrast: Contrast, comparison: Comparison) -> _Context:
    """Return what a contrast's sentence needs to know of the comparison."""
    pair = [g for g in comparison.groups if g.group in {contrast.group, contrast.control}]
    by_plot = comparison.unit_of_analysis == "plot"
    plots = sum(group.n for group in pair) if comparison.replicated else len(pair)
    return _Context(
        measure=comparison.measure,
        unit=comparison.unit,
        kind=comparison.kind,
        per=comparison.per,
        plants=sum(group.plants.n for group in pair),
        plots=plots if by_plot else None,
        blocks=comparison.blocks if (comparison.blocks or 0) > 1 else None,
        alone=not comparison.replicated,
        unit_of_analysis=comparison.unit_of_analysis,
        untested=comparison.untested,
        worth=comparison.smallest_difference,
        control_mean=next((g.mean for g in pair if g.group == contrast.control), None),
    )


def _context_of_all(comparison: Comparison) -> _Context:
    """Return what a sentence about all groups needs to know."""
    return _Context(
        measure=comparison.measure,
        unit=comparison.unit,
        kind=comparison.kind,
        per=comparison.per,
        plants=comparison.plants,
        plots=comparison.plots,
        blocks=comparison.blocks,
        alone=not comparison.replicated,
        unit_of_analysis=comparison.unit_of_analysis,
        untested=comparison.untested,
        worth=comparison.smallest_difference,
        control_mean=None,
    )


def worded(comparison: Comparison) -> Comparison:
    """Return the comparison with verdicts and sentences, one for each group against the control."""
    judged = tuple(
        replace(contrast, verdict=verdict(contrast, comparison))
        for contrast in comparison.comparisons
    )
    contrasts = tuple(
        replace(contrast, sentence=reworded(contrast, comparison)) for contrast in judged
    )
    said = [_unfinished(comparison), *(contrast.sentence for contrast in contrasts)]
    said.append(_over_doses(comparison))
    text = " ".join(filter(None, said))
    if not contrasts and comparison.groups:
        text = f"There is only one group, {comparison.groups[0].group}: nothing to compare it with."
    elif not contrasts:
        text = f"There are no values of {comparison.measure} to compare."
    return replace(comparison, comparisons=contrasts, sentence=text)


def _over_doses(comparison: Comparison) -> str:
    """Return how the measure goes with the dose; empty where there are no amounts."""
    trend = comparison.trend
    if trend is None or trend.step.value is None or not comparison.finished():
        return ""
    about = _context_of_all(comparison)
    step = trend.step
    span = f" ({_span(step, about)})" if step.low is not None and step.high is not None else ""
    size = _side(step.value or 0.0, about)
    told = step.p is not None and step.p < 1 - comparison.level
    noun = _noun(about)
    if told:
        return f"With each step of the dose {noun} came to {size}{span}."
    return f"Over the doses no trend of {noun} could be told: {size} for each step{span}."


def reworded(contrast: Contrast, comparison: Comparison) -> str:
    """Return the sentence of a contrast whose figures may have been corrected since."""
    text = _contrast_sentence(contrast, _context(contrast, comparison))
    return f"{text} {contrast.rests_on}" if contrast.rests_on else text


def _unfinished(comparison: Comparison) -> str:
    """Return what must come before anything can be told; empty where all is there."""
    if not comparison.complete:
        waiting = sum(each.plants for each in comparison.missing)
        total = comparison.plants + waiting
        lacking = and_list([f"{each.plants} of {each.group}" for each in comparison.missing])
        return f"Unfinished: {comparison.plants} of {total} plants counted, {lacking} to come."
    if not comparison.finished():
        return (
            f"The survey of {comparison.survey} is not yet the deciding one, which the plan sets "
            f"for {comparison.not_before}."
        )
    return ""


def _cap(text: str) -> str:
    return text[:1].upper() + text[1:]


def _size_of_trial(about: _Context) -> str:
    """Return, as in: 24 plants in 8 plots and 4 blocks."""
    text = _many(about.plants, "plant")
    places = [
        _many(count, noun)
        for count, noun in ((about.plots, "plot"), (about.blocks, "block"))
        if count
    ]
    return f"{text} in {' and '.join(places)}" if places else text


def _many(count: int, noun: str) -> str:
    return f"1 {noun}" if count == 1 else f"{count} {noun}s"


def _contrast_sentence(contrast: Contrast, about: _Context) -> str:
    """Return one contrast in plain words."""
    if about.kind == "grade":
        return _grade_sentence(contrast, about)
    estimate = contrast.headline()
    if estimate.value is None and about.kind == "count":
        return _bare_difference(contrast, about)
    if estimate.value is None:
        return (
            f"There are not values enough to compare {plants_of(contrast.group)} with "
            f"{plants_of(contrast.control)}."
        )
    if contrast.verdict == "unfinished":
        return _so_far(contrast, estimate, about)
    if about.alone:
        return _alone_sentence(contrast, estimate, about)
    if contrast.basis == "lots":
        return _bare_difference(contrast, about)
    if estimate.low is None or estimate.high is None:
        return (
            f"{_claim(contrast, estimate, about, '')}, {_size_of_trial(about)}; "
            "how far chance could have made this cannot be judged."
        )
    if contrast.verdict == "no difference that matters":
        return _does_not_matter(contrast, estimate, about)
    if contrast.verdict == "could not tell":
        return _could_not_tell(contrast, estimate, about)
    span = f" ({_span(estimate, about)})"
    return f"{_claim(contrast, estimate, about, span)}, {_size_of_trial(about)}."


def _so_far(contrast: Contrast, estimate: Estimate, about: _Context) -> str:
    span = ""
    if estimate.low is not None and estimate.high is not None:
        span = f" ({_span(estimate, about)})"
    claim = _claim(contrast, estimate, about, span)
    return f"So far {claim[:1].lower()}{claim[1:]}, {_size_of_trial(about)}."


def _does_not_matter(contrast: Contrast, estimate: Estimate, about: _Context) -> str:
    """Return a difference that may be there and is too small to be worth having."""
    worth = percent(about.worth or 0.0)
    low, high = estimate.low or 0.0, estimate.high or 0.0
    if not low <= contrast.neutral() <= high:
        claim = _claim(contrast, estimate, about, f" ({_span(estimate, about)})")
        return (
            f"{claim}, {_size_of_trial(about)}: less than the {worth} that were named as worth "
            "having."
        )
    pair = f"{plants_of(contrast.group)} and {plants_of(contrast.control)}"
    return (
        f"Whatever the difference in {_noun(about)} between {pair} is, it is smaller than "
        f"{worth}: {_side(estimate.value or 0.0, about)} ({_span(estimate, about)}), "
        f"{_size_of_trial(about)}."
    )


def _neutral(about: _Context) -> float:
    return 1.0 if about.kind == "count" else 0.0


def _noun(about: _Context) -> str:
    """The measure as it is carried: fruit, trusses, fruit per truss."""
    noun = about.measure.replace("_", " ")
    return f"{noun} per {_single(about.per)}" if about.per else noun


def _single(noun: str) -> str:
    return {"trusses": "truss", "flowers": "flower"}.get(noun, noun.replace("_", " "))


def _carried(about: _Context) -> bool:
    """Whether plants carry the measure, as fruit; an unknown column of a table just is."""
    return about.kind == "count" and about.measure in MEASURES


def _claim(contrast: Contrast, estimate: Estimate, about: _Context, span: str) -> str:
    """Return who has how much more than whom."""
    value = estimate.value or 0.0
    group, control = plants_of(contrast.group), plants_of(contrast.control)
    if contrast.basis == "lots":
        way = "more" if value > 0 else "fewer"
        amount = f"on average {number(abs(value))} {way} {_noun(about)}"
        return f"{_cap(group)} carried {amount} than {control}"
    if about.kind == "count" and value >= _MANIFOLD:
        times = f"{_side(value, about)}{span}"
        if _carried(about):
            return f"{_cap(group)} carried {times} {_noun(about)} as {control}"
        return f"{_cap(_noun(about))} was {times} in {group} as in {control}"
    if _carried(about):
        if math.isclose(value, 1, abs_tol=_SAME):
            return f"{_cap(group)} carried as many {_noun(about)} as {control}"
        way = "more" if value > 1 else "fewer"
        amount = f"{percent(value - 1)} {way} {_noun(about)}"
        return f"{_cap(group)} carried {amount}{span} than {control}"
    above = value > _neutral(about)
    if math.isclose(value, _neutral(about), abs_tol=_SAME):
        return f"{_cap(_noun(about))} was the same in {group} as in {control}"
    way = "higher" if above else "lower"
    size = percent(value - 1) if about.kind == "count" else _amount(abs(value), about)
    return f"{_cap(_noun(about))} was {size} {way}{span} in {group} than in {control}"


def _amount(value: float, about: _Context) -> str:
    if about.unit == "percent":
        value = min(value, _ALL_PERCENT)
    unit = {"percent": " percentage points", "percent days": " percent days", "count": ""}.get(
        about.unit, f" {about.unit}" if about.unit else ""
    )
    return f"{number(value)}{unit}"


def _span(estimate: Estimate, about: _Context) -> str:
    """Return the interval: between 9 % and 58 %, or between 8 % fewer and 36 % more."""
    low, high = estimate.low or 0.0, estimate.high or 0.0
    neutral = _neutral(about)
    if low <= neutral <= high or (about.kind == "count" and high >= _MANIFOLD):
        return f"between {_side(low, about)} and {_side(high, about)}"
    ends = sorted((low - neutral, high - neutral), key=abs)
    if about.kind == "count":
        return f"between {percent(ends[0])} and {percent(ends[1])}"
    return f"between {number(abs(ends[0]))} and {_amount(abs(ends[1]), about)}"


def _side(value: float, about: _Context) -> str:
    down, up = ("fewer", "more") if _carried(about) else ("lower", "higher")
    way = up if value >= _neutral(about) else down
    if math.isclose(value, _neutral(about), abs_tol=_SAME):
        return "no difference"
    if about.kind == "count" and value >= _BEYOND:
        return f"over {number(_BEYOND)} times as {'many' if _carried(about) else 'high'}"
    if about.kind == "count" and value >= _MANIFOLD:
        return f"{number(value, 2)} times as {'many' if _carried(about) else 'high'}"
    if about.kind == "count":
        return f"{percent(value - 1)} {way}"
    return f"{_amount(abs(value), about)} {way}"


def _could_not_tell(contrast: Contrast, estimate: Estimate, about: _Context) -> str:
    group, control = plants_of(contrast.group), plants_of(contrast.control)
    if _carried(about):
        whether = f"{group} carry more or fewer {_noun(about)} than {control}"
    else:
        whether = f"{_noun(about)} is higher or lower in {group} than in {control}"
    text = (
        f"This trial could not tell whether {whether}: {_side(estimate.value or 0.0, about)} "
        f"({_span(estimate, about)}), {_size_of_trial(about)}."
    )
    inside = _neutral(about)
    if estimate.low is not None and estimate.high is not None:
        if not estimate.low <= inside <= estimate.high:
            text += " Taken alone the difference would stand, but not among so many comparisons."
        else:
            text += _could_have_found(contrast, about)
    return text


def _could_have_found(contrast: Contrast, about: _Context) -> str:
    """Return what the trial was large enough for; empty where that is not known."""
    size = contrast.detectable
    if size is None:
        return ""
    if about.kind != "count":
        amount = size * abs(about.control_mean or 0.0)
        if about.unit == "percent" and amount >= _ALL_PERCENT:
            return " It was too small to find any difference."
        return f" {_CHANCE} it would have found a difference of {_amount(amount, about)}."
    up, down = ("more", "fewer") if _carried(about) else ("higher", "lower")
    less = f"{percent(1 - 1 / (1 + size))} {down}"
    if size < _DOUBLE:
        return f" {_CHANCE} it would have found {percent(size)} {up} or {less}."
    times = f"{number(1 + size, 2)} times as {'many' if _carried(about) else 'high'}"
    return f" {_CHANCE} it would have found {times} or {less}, nothing smaller."


def _alone_sentence(contrast: Contrast, estimate: Estimate, about: _Context) -> str:
    span = ""
    if estimate.low is not None and estimate.high is not None:
        span = f" ({_span(estimate, about)}, for these plants only)"
    why = about.untested or (
        f"with one {about.unit_of_analysis} for each group this trial could not tell the "
        "treatment from the place"
    )
    return f"{_claim(contrast, estimate, about, span)}, {_size_of_trial(about)}; {why}."


def _bare_difference(contrast: Contrast, about: _Context) -> str:
    """Return the difference of a group or control that carried none."""
    group, control = plants_of(contrast.group), plants_of(contrast.control)
    difference = contrast.difference.value
    if difference is None:
        return f"There are not values enough to compare {group} with {control}."
    if difference == 0:
        neither = f"Neither {group} nor {control} carried any {_noun(about)}"
        return f"{neither}, {_size_of_trial(about)}."
    way = "more" if difference > 0 else "fewer"
    where = ", there or in the blocks that they share" if about.blocks else ""
    amount = f"on average {number(abs(difference))} {way}"
    p = f" (p {p_text(contrast.p_told())} by the lots drawn again)"
    none = f"a ratio cannot be given, since one of the two carried none{where}."
    if contrast.verdict == "could not tell":
        return (
            f"This trial could not tell whether {group} carry more or fewer {_noun(about)} than "
            f"{control}: {amount}{p}, {_size_of_trial(about)}; {none}"
        )
    return (
        f"{_cap(group)} carried {amount} {_noun(about)} than {control}{p}, "
        f"{_size_of_trial(about)}; {none}"
    )


def _grade_sentence(contrast: Contrast, about: _Context) -> str:
    value = contrast.superiority
    group, control = plants_of(contrast.group), plants_of(contrast.control)
    if value.value is None:
        return f"There are not grades enough to compare {group} with {control}."
    span = ""
    if value.low is not None and value.high is not None:
        span = f" (between {percent(value.low)} and {percent(value.high)})"
    chance = f"{percent(value.value)}{span} of pairs"
    if contrast.verdict == "unfinished":
        higher = f"So far {group} had a higher grade than {control} in {chance}"
        return f"{higher}, {_size_of_trial(about)}."
    if contrast.verdict == "could not tell":
        return (
            f"This trial could not tell whether {group} have a higher or lower grade of "
            f"{_noun(about)} than {control}: the former lay higher in {chance}, ties counted "
            f"half, {_size_of_trial(about)}."
        )
    return (
        f"{_cap(group)} had a higher grade of {_noun(about)} than {control} in {chance}, "
        f"ties counted half, {_size_of_trial(about)}."
    )
