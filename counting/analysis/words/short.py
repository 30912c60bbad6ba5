"""The answer of several groups in short: who differs, before each is told in full."""

from __future__ import annotations

from counting.analysis.result import Comparison, Contrast
from counting.analysis.words import amounts as say
from counting.analysis.words.phrases import and_list, percent, plants_of
from counting.analysis.words.sentence import over_doses

__all__ = ["each_in_short", "in_short"]


def in_short(comparison: Comparison) -> str:
    """Return which of several groups differ from the control; empty where that is not asked.

    Parameters
    ----------
    comparison : Comparison
        Worded. Of a single contrast, an unfinished survey or groups of one plot each the sentence
        itself is short.
    """
    if len(comparison.comparisons) < 2 or not comparison.finished() or not comparison.replicated:
        return ""
    if comparison.part_of is not None:
        return ""
    about = say.context_of_all(comparison)
    control, noun = plants_of(comparison.control), say.noun(about)
    said = []
    for verdict, way in zip(("more", "fewer"), reversed(say.ways(about)), strict=True):
        names = _judged(comparison, verdict)
        if not names:
            continue
        if comparison.kind == "grade":
            said.append(f"{_who(names)} had a {_grade(verdict)} grade of {noun} than {control}.")
        elif say.carried(about):
            said.append(f"{_who(names)} carried {way} {noun} than {control}.")
        else:
            said.append(f"{say.cap(noun)} was {way} in {_of(names)} than in {control}.")
    alike = _judged(comparison, "no difference that matters")
    if alike:
        worth = percent(comparison.smallest_difference or 0.0)
        said.append(f"Whatever sets {_of(alike)} apart from {control}, it is smaller than {worth}.")
    rest = _judged(comparison, "could not tell")
    if len(rest) == len(comparison.comparisons):
        said.append(
            f"This trial could not tell any of the {len(rest)} groups from {control} by {noun}."
        )
    elif rest:
        said.append(f"Whether {_of(rest)} differ, this trial could not tell.")
    said.append(over_doses(comparison))
    return " ".join(filter(None, said))


def each_in_short(comparison: Comparison) -> list[tuple[str, str]]:
    """Return each group with what it came to, where `in_short` says who differs.

    Parameters
    ----------
    comparison : Comparison
        Worded.
    """
    if not in_short(comparison):
        return []
    return [(each.group, _figures(each, comparison)) for each in comparison.comparisons]


def _figures(contrast: Contrast, comparison: Comparison) -> str:
    best = contrast.told()
    about = say.context(contrast, comparison)
    if contrast.basis in {"superiority", "lots"} or best.value is None:
        return contrast.sentence
    span = ""
    if best.low is not None and best.high is not None:
        span = f" ({say.span(best, about)})"
    return f"{say.side(best.value, about)}{span}"


def _judged(comparison: Comparison, verdict: str) -> list[str]:
    return [each.group for each in comparison.comparisons if each.verdict == verdict]


def _of(names: list[str]) -> str:
    return plants_of(names[0]) if len(names) == 1 else f"plants of the groups {and_list(names)}"


def _who(names: list[str]) -> str:
    return say.cap(_of(names))


def _grade(verdict: str) -> str:
    return "higher" if verdict == "more" else "lower"
