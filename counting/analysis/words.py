"""The answer as a sentence that a grower reads once and a researcher can sign."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from counting.analysis.phrases import number, percent, plants_of
from counting.analysis.result import Comparison, Contrast, Estimate
from counting.measures import MEASURES

__all__ = ["reworded", "worded"]

_MANIFOLD = 5.0
"""From here on people think in times, not in percent."""
_BEYOND = 1000.0
_SAME = 1e-9
_DOUBLE = 1.0
_ALL_PERCENT = 100.0
"""No two percentages differ by more."""


@dataclass(frozen=True, slots=True)
class _Setting:
    """What a sentence needs to know besides the figures.

    Attributes
    ----------
    measure, unit, kind : str
    per : str or None
        What counts are divided by.
    plants, plots, blocks : int or None
        Size of the trial; None where there are none.
    blocked : bool
        Whether the headline of a measure is the difference within blocks.
    alone : bool
        One plot for each group: nothing is tested.
    alpha : float
        One less the level.
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
    blocked: bool
    alone: bool
    alpha: float
    control_mean: float | None


def worded(comparison: Comparison) -> Comparison:
    """Return the comparison with its sentences, one for each group against the control."""
    contrasts = tuple(
        replace(contrast, sentence=reworded(contrast, comparison))
        for contrast in comparison.comparisons
    )
    text = " ".join(contrast.sentence for contrast in contrasts)
    if not contrasts and comparison.groups:
        text = f"There is only one group, {comparison.groups[0].group}: nothing to compare it with."
    elif not contrasts:
        text = f"There are no values of {comparison.measure} to compare."
    return replace(comparison, comparisons=contrasts, sentence=text)


def reworded(contrast: Contrast, comparison: Comparison) -> str:
    """Return the sentence of a contrast whose figures may have been corrected since."""
    pair = [g for g in comparison.groups if g.group in {contrast.group, contrast.control}]
    by_plot = comparison.unit_of_analysis == "plot"
    plots = sum(group.n for group in pair) if comparison.replicated else len(pair)
    setting = _Setting(
        measure=comparison.measure,
        unit=comparison.unit,
        kind=comparison.kind,
        per=comparison.per,
        plants=sum(group.plants.n for group in pair),
        plots=plots if by_plot else None,
        blocks=comparison.blocks if (comparison.blocks or 0) > 1 else None,
        blocked=contrast.within_blocks.value is not None,
        alone=not comparison.replicated,
        alpha=1 - comparison.level,
        control_mean=next((g.mean for g in pair if g.group == contrast.control), None),
    )
    return _contrast_sentence(contrast, setting)


def _cap(text: str) -> str:
    return text[:1].upper() + text[1:]


def _size_of_trial(setting: _Setting) -> str:
    """Return, as in: 24 plants in 8 plots and 4 blocks."""
    text = _many(setting.plants, "plant")
    places = [
        _many(count, noun)
        for count, noun in ((setting.plots, "plot"), (setting.blocks, "block"))
        if count
    ]
    return f"{text} in {' and '.join(places)}" if places else text


def _many(count: int, noun: str) -> str:
    return f"1 {noun}" if count == 1 else f"{count} {noun}s"


def _headline(contrast: Contrast, setting: _Setting) -> Estimate:
    """Return the estimate on which the sentence rests."""
    if setting.kind == "count":
        return Estimate(contrast.ratio, contrast.ratio_low, contrast.ratio_high, contrast.ratio_p)
    if setting.blocked and contrast.within_blocks.value is not None:
        return contrast.within_blocks
    return Estimate(
        contrast.difference,
        contrast.difference_low,
        contrast.difference_high,
        contrast.difference_p,
    )


def _contrast_sentence(contrast: Contrast, setting: _Setting) -> str:
    """Return one contrast in plain words."""
    if setting.kind == "grade":
        return _grade_sentence(contrast, setting)
    estimate = _headline(contrast, setting)
    if estimate.value is None and setting.kind == "count":
        return _bare_difference(contrast, setting)
    if estimate.value is None:
        return (
            f"There are not values enough to compare {plants_of(contrast.group)} with "
            f"{plants_of(contrast.control)}."
        )
    if setting.alone:
        return _alone_sentence(contrast, estimate, setting)
    if estimate.low is None or estimate.high is None:
        return (
            f"{_claim(contrast, estimate, setting, '')}, {_size_of_trial(setting)}; "
            "how far chance could have made this cannot be judged."
        )
    if _told(contrast, estimate, setting):
        span = f" ({_span(estimate, setting)})"
        return f"{_claim(contrast, estimate, setting, span)}, {_size_of_trial(setting)}."
    return _could_not_tell(contrast, estimate, setting)


def _neutral(setting: _Setting) -> float:
    return 1.0 if setting.kind == "count" else 0.0


def _told(contrast: Contrast, estimate: Estimate, setting: _Setting) -> bool:
    """Whether the interval leaves out no difference, also after allowing for several groups."""
    p = contrast.ratio_p_adjusted if setting.kind == "count" else None
    if contrast.adjustment == "Holm" or (setting.kind != "count" and contrast.adjustment != "none"):
        p = contrast.p_adjusted
    if p is None:
        p = estimate.p
    if estimate.low is None or estimate.high is None:
        return False
    outside = not estimate.low <= _neutral(setting) <= estimate.high
    return outside and (p is None or p < setting.alpha)


def _noun(setting: _Setting) -> str:
    """The measure as it is carried: fruit, trusses, fruit per truss."""
    noun = setting.measure.replace("_", " ")
    return f"{noun} per {_single(setting.per)}" if setting.per else noun


def _single(noun: str) -> str:
    return {"trusses": "truss", "flowers": "flower"}.get(noun, noun.replace("_", " "))


def _carried(setting: _Setting) -> bool:
    """Whether plants carry the measure, as fruit; an unknown column of a table just is."""
    return setting.kind == "count" and setting.measure in MEASURES


def _claim(contrast: Contrast, estimate: Estimate, setting: _Setting, span: str) -> str:
    """Return who has how much more than whom."""
    value = estimate.value or 0.0
    group, control = plants_of(contrast.group), plants_of(contrast.control)
    if _carried(setting):
        if math.isclose(value, 1, abs_tol=_SAME):
            return f"{_cap(group)} carried as many {_noun(setting)} as {control}"
        way = "more" if value > 1 else "fewer"
        amount = f"{percent(value - 1)} {way} {_noun(setting)}"
        return f"{_cap(group)} carried {amount}{span} than {control}"
    above = value > _neutral(setting)
    if math.isclose(value, _neutral(setting), abs_tol=_SAME):
        return f"{_cap(_noun(setting))} was the same in {group} as in {control}"
    way = "higher" if above else "lower"
    size = percent(value - 1) if setting.kind == "count" else _amount(abs(value), setting)
    return f"{_cap(_noun(setting))} was {size} {way}{span} in {group} than in {control}"


def _amount(value: float, setting: _Setting) -> str:
    if setting.unit == "percent":
        value = min(value, _ALL_PERCENT)
    unit = {"percent": " percentage points", "percent days": " percent days", "count": ""}.get(
        setting.unit, f" {setting.unit}" if setting.unit else ""
    )
    return f"{number(value)}{unit}"


def _span(estimate: Estimate, setting: _Setting) -> str:
    """Return the interval: between 9 % and 58 %, or between 8 % fewer and 36 % more."""
    low, high = estimate.low or 0.0, estimate.high or 0.0
    neutral = _neutral(setting)
    if low <= neutral <= high:
        return f"between {_side(low, setting)} and {_side(high, setting)}"
    ends = sorted((low - neutral, high - neutral), key=abs)
    if setting.kind == "count":
        return f"between {percent(ends[0])} and {percent(ends[1])}"
    return f"between {number(abs(ends[0]))} and {_amount(abs(ends[1]), setting)}"


def _side(value: float, setting: _Setting) -> str:
    down, up = ("fewer", "more") if _carried(setting) else ("lower", "higher")
    way = up if value >= _neutral(setting) else down
    if math.isclose(value, _neutral(setting), abs_tol=_SAME):
        return "no difference"
    if setting.kind == "count" and value >= _BEYOND:
        return f"over {number(_BEYOND)} times as {'many' if _carried(setting) else 'high'}"
    if setting.kind == "count" and value >= _MANIFOLD:
        return f"{number(value, 2)} times as {'many' if _carried(setting) else 'high'}"
    if setting.kind == "count":
        return f"{percent(value - 1)} {way}"
    return f"{_amount(abs(value), setting)} {way}"


def _could_not_tell(contrast: Contrast, estimate: Estimate, setting: _Setting) -> str:
    group, control = plants_of(contrast.group), plants_of(contrast.control)
    if _carried(setting):
        whether = f"{group} carry more or fewer {_noun(setting)} than {control}"
    else:
        whether = f"{_noun(setting)} is higher or lower in {group} than in {control}"
    text = (
        f"This trial could not tell whether {whether}: {_side(estimate.value or 0.0, setting)} "
        f"({_span(estimate, setting)}), {_size_of_trial(setting)}."
    )
    inside = _neutral(setting)
    if estimate.low is not None and estimate.high is not None:
        if not estimate.low <= inside <= estimate.high:
            text += " Taken alone the difference would stand, but not among so many comparisons."
        else:
            text += _could_have_found(contrast, setting)
    return text


def _could_have_found(contrast: Contrast, setting: _Setting) -> str:
    """Return what the trial was large enough for; empty where that is not known."""
    size = contrast.detectable
    if size is None:
        return ""
    if setting.kind != "count":
        amount = size * abs(setting.control_mean or 0.0)
        if setting.unit == "percent" and amount >= _ALL_PERCENT:
            return " It was too small to find any difference."
        return f" It could have found a difference of about {_amount(amount, setting)}."
    if size < _DOUBLE:
        return f" It could have found a difference of about {percent(size)}."
    times = f"{number(1 + size, 2)} times as {'many' if _carried(setting) else 'high'}"
    return f" It could only have found {times} or more."


def _alone_sentence(contrast: Contrast, estimate: Estimate, setting: _Setting) -> str:
    span = ""
    if estimate.low is not None and estimate.high is not None:
        span = f" ({_span(estimate, setting)}, for these plants only)"
    return (
        f"{_claim(contrast, estimate, setting, span)}, {_size_of_trial(setting)}; with one plot "
        "for each group this trial could not tell the treatment from the place."
    )


def _bare_difference(contrast: Contrast, setting: _Setting) -> str:
    group, control = plants_of(contrast.group), plants_of(contrast.control)
    if contrast.difference is None:
        return f"There are not values enough to compare {group} with {control}."
    if contrast.difference == 0:
        neither = f"Neither {group} nor {control} carried any {_noun(setting)}"
        return f"{neither}, {_size_of_trial(setting)}."
    way = "more" if contrast.difference > 0 else "fewer"
    where = ", there or in the blocks that they share" if setting.blocks else ""
    return (
        f"{_cap(group)} carried on average {number(abs(contrast.difference))} {way} "
        f"{_noun(setting)} than {control}, {_size_of_trial(setting)}; "
        f"a ratio cannot be given, since one of the two carried none{where}."
    )


def _grade_sentence(contrast: Contrast, setting: _Setting) -> str:
    value = contrast.superiority
    group, control = plants_of(contrast.group), plants_of(contrast.control)
    if value.probability is None:
        return f"There are not grades enough to compare {group} with {control}."
    span = ""
    if value.low is not None and value.high is not None:
        span = f" (between {percent(value.low)} and {percent(value.high)})"
    chance = f"{percent(value.probability)}{span} of pairs"
    p = contrast.p_adjusted if contrast.adjustment == "Holm" else value.p
    if setting.alone or p is None or p >= setting.alpha:
        return (
            f"This trial could not tell whether {group} have a higher or lower grade of "
            f"{_noun(setting)} than {control}: the former lay higher in {chance}, ties counted "
            f"half, {_size_of_trial(setting)}."
        )
    return (
        f"{_cap(group)} had a higher grade of {_noun(setting)} than {control} in {chance}, "
        f"ties counted half, {_size_of_trial(setting)}."
    )
