"""Amounts as they are said: how many more fruit, between what and what, of how large a trial."""

from __future__ import annotations

import math
from dataclasses import dataclass

from counting.analysis.estimates import Estimate
from counting.analysis.result import Comparison, Contrast
from counting.analysis.words.phrases import number, percent
from counting.measures import MEASURES

__all__ = [
    "ALL_PERCENT",
    "MANIFOLD",
    "SAME",
    "Context",
    "amount",
    "cap",
    "carried",
    "context",
    "context_of_all",
    "neutral",
    "noun",
    "side",
    "size_of_trial",
    "span",
    "ways",
]

MANIFOLD = 5.0
"""From here on people think in times, not in percent."""
BEYOND = 1000.0
SAME = 1e-9
ALL_PERCENT = 100.0
"""No two percentages differ by more."""


_COURSES = {
    "area": "the area under the curve of {}",
    "slope": "the rise of {}",
    "peak": "the peak of {}",
    "first": "the time to the first {}",
    "change": "the change of {} from the first to the last survey",
    "total": "{} in all",
    "half": "the time to half of the {}",
}


_NAMES = {"fruit_total": "fruit in all"}
"""Measures that are said otherwise than they are called."""


_TIMES = frozenset({"first", "half"})
"""Courses that are a time."""


@dataclass(frozen=True, slots=True)
class Context:
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
    course : str or None
        How the surveys were brought to one value.
    control_mean : float or None
        To tell in the measure's unit what a trial could have found.
    part_of : str or None
        The measure told beside it that it is a part of.
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
    course: str | None = None
    part_of: str | None = None


def context(contrast: Contrast, comparison: Comparison) -> Context:
    """Return what a contrast's sentence needs to know of the comparison."""
    pair = [g for g in comparison.groups if g.group in {contrast.group, contrast.control}]
    by_plot = comparison.unit_of_analysis == "plot"
    plots = sum(group.n for group in pair) if comparison.replicated else len(pair)
    return Context(
        measure=comparison.measure,
        unit=comparison.unit,
        kind=comparison.kind,
        per=comparison.per,
        course=comparison.course,
        plants=sum(group.plants.n for group in pair),
        plots=plots if by_plot else None,
        blocks=comparison.blocks if (comparison.blocks or 0) > 1 else None,
        alone=not comparison.replicated,
        unit_of_analysis=comparison.unit_of_analysis,
        untested=comparison.untested,
        worth=comparison.smallest_difference,
        control_mean=next((g.mean for g in pair if g.group == contrast.control), None),
        part_of=comparison.part_of,
    )


def context_of_all(comparison: Comparison) -> Context:
    """Return what a sentence about all groups needs to know."""
    return Context(
        measure=comparison.measure,
        unit=comparison.unit,
        kind=comparison.kind,
        per=comparison.per,
        course=comparison.course,
        plants=comparison.plants,
        plots=comparison.plots,
        blocks=comparison.blocks,
        alone=not comparison.replicated,
        unit_of_analysis=comparison.unit_of_analysis,
        untested=comparison.untested,
        worth=comparison.smallest_difference,
        control_mean=None,
    )


def cap(text: str) -> str:
    """Begin with a capital."""
    return text[:1].upper() + text[1:]


def size_of_trial(about: Context) -> str:
    """Return, as in: 24 plants in 8 plots and 4 blocks."""
    text = _many(about.plants, "row" if about.untested else "plant")
    places = [
        _many(count, noun)
        for count, noun in ((about.plots, "plot"), (about.blocks, "block"))
        if count
    ]
    return f"{text} in {' and '.join(places)}" if places else text


def _many(count: int, noun: str) -> str:
    return f"1 {noun}" if count == 1 else f"{count} {noun}s"


def neutral(about: Context) -> float:
    """Return what stands for no difference: 1 of ratios, 0 of differences."""
    return 1.0 if about.kind == "count" else 0.0


def noun(about: Context) -> str:
    """The measure as it is carried: fruit, trusses, fruit per truss."""
    name = _NAMES.get(about.measure, about.measure.replace("_", " "))
    if about.course is not None:
        return _COURSES[about.course].format(name)
    return f"{name} per {_single(about.per)}" if about.per else name


def _single(noun: str) -> str:
    return {"trusses": "truss", "flowers": "flower"}.get(noun, noun.replace("_", " "))


def carried(about: Context) -> bool:
    """Whether plants carry the measure, as fruit; an unknown column of a table just is."""
    whole = about.course in {None, "total"}
    return about.kind == "count" and about.measure in MEASURES and whole


def ways(about: Context) -> tuple[str, str]:
    """Return the words for less and for more of it."""
    if carried(about):
        return "fewer", "more"
    return ("earlier", "later") if about.course in _TIMES else ("lower", "higher")


def amount(value: float, about: Context) -> str:
    """Return a difference in the unit of the measure."""
    if about.unit == "percent":
        value = min(value, ALL_PERCENT)
    unit = {"percent": " percentage points", "percent days": " percent days", "count": ""}.get(
        about.unit, f" {about.unit}" if about.unit else ""
    )
    return f"{number(value)}{unit}"


def span(estimate: Estimate, about: Context) -> str:
    """Return the interval: between 9 % and 58 %, or between 8 % fewer and 36 % more."""
    low, high = estimate.low or 0.0, estimate.high or 0.0
    middle = neutral(about)
    if low <= middle <= high or (about.kind == "count" and high >= MANIFOLD):
        return f"between {side(low, about)} and {side(high, about)}"
    ends = sorted((low - middle, high - middle), key=abs)
    if about.kind == "count":
        return f"between {percent(ends[0])} and {percent(ends[1])}"
    return f"between {number(abs(ends[0]))} and {amount(abs(ends[1]), about)}"


def side(value: float, about: Context) -> str:
    """Return one end of an interval: 8 % fewer, 2.2 times as many."""
    down, up = ways(about)
    way = up if value >= neutral(about) else down
    if math.isclose(value, neutral(about), abs_tol=SAME):
        return "no difference"
    if about.kind == "count" and value >= BEYOND:
        return f"over {number(BEYOND)} times as {'many' if carried(about) else 'high'}"
    if about.kind == "count" and value >= MANIFOLD:
        return f"{number(value, 2)} times as {'many' if carried(about) else 'high'}"
    if about.kind == "count":
        return f"{percent(value - 1)} {way}"
    return f"{amount(abs(value), about)} {way}"
