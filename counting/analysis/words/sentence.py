"""The answer as a sentence that a grower reads once and a researcher can sign."""

from __future__ import annotations

import math
from dataclasses import replace

from counting.analysis.estimates import Estimate
from counting.analysis.result import Comparison, Contrast
from counting.analysis.words import amounts as say
from counting.analysis.words.phrases import and_list, number, p_text, percent, plants_of
from counting.analysis.words.verdict import verdict

__all__ = ["over_doses", "reworded", "worded"]

_DOUBLE = 1.0
_CHANCE = "With 8 chances in 10"
"""The power `counting.analysis.methods.student.POWER`, in words."""


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
    said.append(over_doses(comparison))
    text = " ".join(filter(None, said))
    if not contrasts and comparison.groups:
        text = f"There is only one group, {comparison.groups[0].group}: nothing to compare it with."
    elif not contrasts:
        text = f"There are no values of {comparison.measure} to compare."
    return replace(comparison, comparisons=contrasts, sentence=text)


def over_doses(comparison: Comparison) -> str:
    """Return how the measure goes with the dose; empty where there are no amounts."""
    trend = comparison.trend
    if trend is None or trend.step.value is None or not comparison.finished():
        return ""
    about = say.context_of_all(comparison)
    step = trend.by_gap()
    span = f" ({say.span(step, about)})" if step.low is not None and step.high is not None else ""
    size = say.side(step.value or 0.0, about)
    told = step.p is not None and step.p < 1 - comparison.level
    more = f"each {number(trend.gap)} more of the dose"
    if not told:
        return (
            f"No trend of {say.noun(about)} over the doses could be told: {size} for {more}{span}."
        )
    if say.carried(about):
        return f"With {more} plants carried {size} {say.noun(about)}{span}."
    return f"With {more} {say.noun(about)} was {size}{span}."


def reworded(contrast: Contrast, comparison: Comparison) -> str:
    """Return the sentence of a contrast whose figures may have been corrected since."""
    text = _contrast_sentence(contrast, say.context(contrast, comparison))
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


def _contrast_sentence(contrast: Contrast, about: say.Context) -> str:
    """Return one contrast in plain words."""
    if about.kind == "grade":
        return _grade_sentence(contrast, about)
    estimate = contrast.told()
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
    if contrast.verdict == "not judged":
        return _part(contrast, estimate, about)
    if contrast.basis == "lots":
        return _bare_difference(contrast, about)
    if estimate.low is None or estimate.high is None:
        return (
            f"{_claim(contrast, estimate, about, '')}, {say.size_of_trial(about)}; "
            "how far chance could have made this cannot be judged."
        )
    if contrast.verdict == "no difference that matters":
        return _does_not_matter(contrast, estimate, about)
    if contrast.verdict == "could not tell":
        return _could_not_tell(contrast, estimate, about)
    claim = _claim(contrast, estimate, about, _span(estimate, about))
    return f"{claim}, {say.size_of_trial(about)}."


def _span(estimate: Estimate, about: say.Context) -> str:
    """Return the interval in brackets, after a blank; nothing where there is none."""
    if estimate.low is None or estimate.high is None:
        return ""
    return f" ({say.span(estimate, about)})"


def _so_far(contrast: Contrast, estimate: Estimate, about: say.Context) -> str:
    claim = _claim(contrast, estimate, about, _span(estimate, about))
    if not claim.startswith(contrast.group):  # a group's name keeps its capital
        claim = claim[:1].lower() + claim[1:]
    return f"So far {claim}, {say.size_of_trial(about)}."


def _part(contrast: Contrast, estimate: Estimate, about: say.Context) -> str:
    """Return what a part of another measure came to, which is told and not judged."""
    claim = _claim(contrast, estimate, about, _span(estimate, about))
    return f"{claim}, {say.size_of_trial(about)}; {_of_whole(about)}."


def _of_whole(about: say.Context) -> str:
    return f"a part of {(about.part_of or '').replace('_', ' ')}, told and not judged"


def _does_not_matter(contrast: Contrast, estimate: Estimate, about: say.Context) -> str:
    """Return a difference that may be there and is too small to be worth having."""
    worth = percent(about.worth or 0.0)
    low, high = estimate.low or 0.0, estimate.high or 0.0
    if not low <= contrast.neutral() <= high:
        claim = _claim(contrast, estimate, about, f" ({say.span(estimate, about)})")
        return (
            f"{claim}, {say.size_of_trial(about)}: less than the {worth} that were named as worth "
            "having."
        )
    pair = f"{plants_of(contrast.group)} and {plants_of(contrast.control)}"
    return (
        f"Whatever the difference in {say.noun(about)} between {pair} is, it is smaller than "
        f"{worth}: {say.side(estimate.value or 0.0, about)} ({say.span(estimate, about)}), "
        f"{say.size_of_trial(about)}."
    )


def _claim(contrast: Contrast, estimate: Estimate, about: say.Context, span: str) -> str:
    """Return who has how much more than whom."""
    value = estimate.value or 0.0
    group, control = plants_of(contrast.group), plants_of(contrast.control)
    if contrast.basis == "lots":
        way = "more" if value > 0 else "fewer"
        amount = f"on average {number(abs(value))} {way} {say.noun(about)}"
        return f"{say.cap(group)} carried {amount} than {control}"
    if about.kind == "count" and value >= say.MANIFOLD:
        times = f"{say.side(value, about)}{span}"
        if say.carried(about):
            return f"{say.cap(group)} carried {times} {say.noun(about)} as {control}"
        return f"{say.cap(say.noun(about))} was {times} in {group} as in {control}"
    if say.carried(about):
        if math.isclose(value, 1, abs_tol=say.SAME):
            return f"{say.cap(group)} carried as many {say.noun(about)} as {control}"
        way = "more" if value > 1 else "fewer"
        amount = f"{percent(value - 1)} {way} {say.noun(about)}"
        return f"{say.cap(group)} carried {amount}{span} than {control}"
    above = value > say.neutral(about)
    if math.isclose(value, say.neutral(about), abs_tol=say.SAME):
        return f"{say.cap(say.noun(about))} was the same in {group} as in {control}"
    way = say.ways(about)[above]
    size = percent(value - 1) if about.kind == "count" else say.amount(abs(value), about)
    return f"{say.cap(say.noun(about))} was {size} {way}{span} in {group} than in {control}"


def _could_not_tell(contrast: Contrast, estimate: Estimate, about: say.Context) -> str:
    group, control = plants_of(contrast.group), plants_of(contrast.control)
    if say.carried(about):
        whether = f"{group} carry more or fewer {say.noun(about)} than {control}"
    else:
        down, up = say.ways(about)
        whether = f"{say.noun(about)} is {up} or {down} in {group} than in {control}"
    text = (
        f"This trial could not tell whether {whether}: {say.side(estimate.value or 0.0, about)} "
        f"({say.span(estimate, about)}), {say.size_of_trial(about)}."
    )
    return text + (_ALONE if _stands_alone(contrast) else _could_have_found(contrast, about))


_ALONE = " Taken alone the difference would stand, but not among so many comparisons."


def _stands_alone(contrast: Contrast) -> bool:
    """Whether a difference that is not told would be one by its own interval."""
    own = contrast.headline()
    if own.low is None or own.high is None:
        return False
    return not own.low <= contrast.neutral() <= own.high


def _could_have_found(contrast: Contrast, about: say.Context) -> str:
    """Return what the trial was large enough for; empty where that is not known."""
    size = contrast.detectable
    if size is None or contrast.p_holm is not None:  # among several measures it finds less
        return ""
    if about.kind != "count":
        amount = size * abs(about.control_mean or 0.0)
        if about.unit == "percent" and amount >= say.ALL_PERCENT:
            return " It was too small to find any difference."
        return f" {_CHANCE} it would have found a difference of {say.amount(amount, about)}."
    up, down = ("more", "fewer") if say.carried(about) else ("higher", "lower")
    less = f"{percent(1 - 1 / (1 + size))} {down}"
    if size < _DOUBLE:
        return f" {_CHANCE} it would have found {percent(size)} {up} or {less}."
    times = f"{number(1 + size, 2)} times as {'many' if say.carried(about) else 'high'}"
    return f" {_CHANCE} it would have found {times} or {less}, nothing smaller."


def _alone_sentence(contrast: Contrast, estimate: Estimate, about: say.Context) -> str:
    span = ""
    if estimate.low is not None and estimate.high is not None:
        span = f" ({say.span(estimate, about)}, for these plants only)"
    why = about.untested or (
        f"with one {about.unit_of_analysis} for each group this trial could not tell the "
        "treatment from the place"
    )
    return f"{_claim(contrast, estimate, about, span)}, {say.size_of_trial(about)}; {why}."


def _bare_difference(contrast: Contrast, about: say.Context) -> str:
    """Return the difference of a group or control that carried none."""
    group, control = plants_of(contrast.group), plants_of(contrast.control)
    difference = contrast.difference.value
    if difference is None:
        return f"There are not values enough to compare {group} with {control}."
    if difference == 0:
        neither = f"Neither {group} nor {control} carried any {say.noun(about)}"
        return f"{neither}, {say.size_of_trial(about)}."
    way = "more" if difference > 0 else "fewer"
    where = ", there or in the blocks that they share" if about.blocks else ""
    amount = f"on average {number(abs(difference))} {way}"
    if contrast.verdict == "not judged":
        carried = f"{say.cap(group)} carried {amount} {say.noun(about)} than {control}"
        return f"{carried}, {say.size_of_trial(about)}; {_of_whole(about)}."
    p = f" (p {p_text(contrast.p_told())} by the lots drawn again)"
    none = f"a ratio cannot be given, since one of the two carried none{where}."
    if contrast.verdict == "could not tell":
        return (
            f"This trial could not tell whether {group} carry more or fewer {say.noun(about)} than "
            f"{control}: {amount}{p}, {say.size_of_trial(about)}; {none}"
        )
    return (
        f"{say.cap(group)} carried {amount} {say.noun(about)} than {control}{p}, "
        f"{say.size_of_trial(about)}; {none}"
    )


def _grade_sentence(contrast: Contrast, about: say.Context) -> str:
    value = contrast.told()
    group, control = plants_of(contrast.group), plants_of(contrast.control)
    if value.value is None:
        return f"There are not grades enough to compare {group} with {control}."
    span = ""
    if value.low is not None and value.high is not None:
        span = f" (between {percent(value.low)} and {percent(value.high)})"
    where = " of one block" if contrast.held_within_blocks() else ""
    chance = f"{percent(value.value)}{span} of pairs{where}"
    if contrast.verdict == "unfinished":
        higher = f"So far {group} had a higher grade than {control} in {chance}"
        return f"{higher}, {say.size_of_trial(about)}."
    if contrast.verdict == "could not tell":
        return (
            f"This trial could not tell whether {group} have a higher or lower grade of "
            f"{say.noun(about)} than {control}: the former lay higher in {chance}, ties counted "
            f"half, {say.size_of_trial(about)}.{_ALONE * _stands_alone(contrast)}"
        )
    return (
        f"{say.cap(group)} had a higher grade of {say.noun(about)} than {control} in {chance}, "
        f"ties counted half, {say.size_of_trial(about)}."
    )
