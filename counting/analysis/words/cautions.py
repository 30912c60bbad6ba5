"""What the reader must know before believing the sentence."""

from __future__ import annotations

from collections.abc import Iterable

from counting.analysis.data.selection import Selection
from counting.analysis.data.units import Units
from counting.analysis.estimates import Cluster, Dispersion, Zeros
from counting.analysis.question import Before
from counting.analysis.result import Contrast, GroupSummary
from counting.analysis.words.phrases import and_list, number, p_text, percent, plants_of

__all__ = [
    "about_before",
    "about_blocks",
    "about_clusters",
    "about_counts",
    "about_grades",
    "about_groups",
    "about_many",
    "about_ratios",
    "about_tests",
    "about_verdicts",
    "alone",
    "always",
]

Named = tuple[str, float | None]

_MORE_ALIKE = 1.2
"""Design effect from which on it is worth saying that plants of a plot are alike; chosen."""
_THIN = 4
"""Units of a group below which little can be seen of how they vary (EPPO PP 1/152 asks for as many
plots, from memory)."""
_ZEROS_P = 0.01
"""Extra zeros are spoken of when chance would make as many less often than this."""


def about_groups(groups: tuple[GroupSummary, ...], units: Units) -> list[str]:
    """Groups that are missing, too small or without variation."""
    said = []
    empty = [summary.group for summary in groups if summary.n == 0]
    if empty:
        said.append(f"No values of {and_list(empty)}: nothing can be said of it.")
    if len(groups) == 1:
        said.append(f"Only one group has values ({groups[0].group}): there is nothing to compare.")
    single = [summary.group for summary in groups if summary.n == 1]
    if single and len(groups) > 1:
        said.append(
            f"Only one {units.unit} in {and_list(single)}: how much {units.unit}s differ is not "
            "known there, so intervals and p values that need it are missing."
        )
    few = [s for s in groups if 1 < s.n < _THIN]
    if few and len(groups) > 1:
        most = max(summary.n for summary in few)
        said.append(
            f"No more than {most} {units.unit}s in {and_list([s.group for s in few])}: intervals "
            f"and p values rest on how {units.unit}s are taken to vary, which so few values can "
            "hardly show."
        )
    same = [s.group for s in groups if s.n > 1 and s.sd == 0]
    if same:
        said.append(
            f"All values of {and_list(same)} are the same: chance cannot be judged from them."
        )
    return said


def alone(units: Units, untested: str = "") -> str:
    """One plot (block) for each group, or rows that are no units."""
    if untested:
        return f"Nothing is tested: {untested}. The intervals are for these rows only."
    return (
        f"The treatment was allotted to {units.unit}s and each group has only one: what the "
        f"{units.unit} does (soil, shade, edge) cannot be told from what the treatment does. "
        "The intervals are for these plants only, and there is no p value."
    )


def about_blocks(units: Units) -> list[str]:
    """Blocks that hold one group only."""
    if not units.blocked:
        return []
    held = units.table.groupby("block", sort=False)["group"].nunique()
    lone = [str(name) for name in held.index[held == 1]]
    if not lone:
        return []
    noun = "Block" if len(lone) == 1 else "Blocks"
    verb = "holds" if len(lone) == 1 else "hold"
    return [
        f"{noun} {and_list(lone)} {verb} one group only and cannot help to compare within blocks."
    ]


def about_clusters(units: Units, cluster: Cluster) -> list[str]:
    """Plants of one plot are not independent."""
    if units.unit == "plant" or cluster.icc is None or cluster.design_effect is None:
        return []
    compared = (
        f"The treatment was allotted to {units.unit}s, so {units.unit}s and not plants are compared"
    )
    alike = f"(intraclass correlation {cluster.icc:.2f})"
    if cluster.design_effect >= _MORE_ALIKE:
        return [
            f"{compared}. Plants of one {units.unit} are alike {alike}: taken for independent, "
            f"they would seem worth {number(cluster.design_effect, 2)} times as many plants as "
            "they are."
        ]
    hardly = (
        f"hardly more alike than others {alike}" if cluster.icc > 0 else "no more alike than others"
    )
    return [f"{compared}; plants of one {units.unit} are {hardly} here."]


def about_counts(
    dispersion: Dispersion, zeros: Zeros | None, contrasts: tuple[Contrast, ...], alpha: float
) -> list[str]:
    """Dispersion, zeros, and whether the two count models agree."""
    said = []
    if dispersion.index is None:
        said.append("How far the counts vary cannot be judged from so few or empty counts.")
    elif dispersion.k is None:
        more = "no more" if dispersion.index <= 1 else "little more"
        how = {(contrast.ratio.method or "").split(",")[0] for contrast in contrasts}
        rests = ""
        if "Poisson" in how:
            rests = "; the interval of the ratio is as wide as chance alone would make it"
        elif "quasi-Poisson" in how:
            rests = "; the interval of the ratio rests on the variation that was seen"
        said.append(f"The counts vary {more} than chance makes counts vary{rests}.")
    if zeros and zeros.p is not None and zeros.expected is not None and zeros.p < _ZEROS_P:
        said.append(
            f"{zeros.observed} plants carry none, where about {number(zeros.expected, 2)} would be "
            "expected: find out whether they were dead, broken or not yet setting."
        )
    split = [
        contrast.group
        for contrast in contrasts
        if contrast.ratio.p is not None
        and contrast.quasi_poisson.p is not None
        and (contrast.ratio.p < alpha) != (contrast.quasi_poisson.p < alpha)
    ]
    if split:
        said.append(
            f"For {and_list(split)} the count model and its check, the quasi-Poisson model, "
            f"disagree at the {percent(alpha)} level. The answer rests on the count model, named "
            "beforehand, and hangs on how the counts are taken to vary: look at the single counts, "
            "and repeat the trial before you act on it."
        )
    return said


def about_grades(contrasts: tuple[Contrast, ...], units: Units) -> list[str]:
    """How grades are compared, and whether within blocks."""
    said = "Grades are ranks: they are compared by order, not averaged"
    if any(contrast.held_within_blocks() for contrast in contrasts):
        more = [
            f"{said}, and each {units.unit} only with those of its own block. The chance of lying "
            "higher is that in these blocks."
        ]
        if (units.table["across"] != "").any():
            more.append("Of the square only the first of its two directions is used for grades.")
        return more
    if not units.blocked or not contrasts:
        return [f"{said}."]
    return [
        f"{said}. The blocks are left out: they hold too few {units.unit}s of each group to "
        "compare grades within them. Where blocks are unlike, differences are harder to tell."
    ]


def about_tests(contrasts: tuple[Contrast, ...], alpha: float) -> list[str]:
    """Randomisation tests that could not have found anything, and missing figures."""
    said = []
    coarse = [c for c in contrasts if (c.randomisation.smallest_p or 0) > alpha]
    if coarse:
        first = coarse[0].randomisation
        said.append(
            f"The lots could have fallen in only {number(first.arrangements or 0)} ways, so the "
            f"randomisation test can give no p under {number(first.smallest_p or 0)}."
        )
    without = [c.group for c in contrasts if c.difference.value is not None and c.shift.low is None]
    if without:
        said.append(
            f"Too few or too equal values for an interval of the shift: {and_list(without)}."
        )
    return said


def about_before(contrasts: tuple[Contrast, ...], before: Before | None) -> list[str]:
    """What the answer allows for, and what it would be without."""
    if before is None:
        return []
    name = before.measure.replace("_", " ")
    what = f"the {name} of {before.survey}" if before.survey else f"the column {name}"
    why = (
        "as the plan asked beforehand"
        if before.planned
        else "as asked here; choose it before you see what it brings"
    )
    said = [f"The answer allows for {what} on the same plants, {why}."]
    for contrast in contrasts:
        bare = contrast.unadjusted
        if bare is None or bare.value is None or bare.low is None or bare.high is None:
            continue
        if contrast.basis == "ratio":
            size = f"{number(bare.value)} times the control's"
            ends = [number(bare.low), number(bare.high)]
        else:
            size = f"{_more(bare.value)} than the control"
            ends = [_more(bare.low), _more(bare.high)]
        said.append(
            f"Without it {plants_of(contrast.group)} come to {size} (between {ends[0]} and "
            f"{ends[1]}, p {p_text(bare.p)})."
        )
    return [" ".join(said)]


def _more(value: float) -> str:
    return f"{number(abs(value))} {'less' if value < 0 else 'more'}"


def about_ratios(contrasts: tuple[Contrast, ...], *, blocked: bool) -> list[str]:
    """Ratios that do not exist."""
    without = [
        c.group for c in contrasts if c.ratio.value is None and c.difference.value is not None
    ]
    if not without:
        return []
    why = "means must be above 0"
    if contrasts[0].basis == "ratio":
        where = ", there or in the blocks that it shares with others," if blocked else ""
        why = f"a group without any{where} has no ratio"
    return [f"No ratio to the control for {and_list(without)}: {why}."]


def about_many(contrasts: tuple[Contrast, ...]) -> list[str]:
    """Several groups against one control."""
    if len(contrasts) < 2:
        return []
    said = (
        f"{len(contrasts)} groups are compared with the control: the answers, with the p values "
        "and intervals that they rest on, allow for that."
    )
    return [said]


def always(selection: Selection) -> list[str]:
    """What holds for every trial."""
    said = []
    if selection.source == "photo":
        said.append(
            "Photo counts are of the fruit that can be seen; leaves alone can make or hide a "
            "difference unless the share seen is known for each group."
        )
    said.append(
        "These figures are of these plants in this season; they prove nothing for other places "
        "or years."
    )
    return said


def about_verdicts(contrasts: tuple[Contrast, ...], alpha: float, *, blocked: bool) -> list[str]:
    """Say why the main analysis and another one may differ where they do.

    Parameters
    ----------
    contrasts : tuple of Contrast
    alpha : float
        One less the level: 0.05.
    blocked : bool
        Whether blocks are strata of the comparison.
    """
    said = []
    for contrast in contrasts:
        main = (_NAMES.get(contrast.basis, ""), contrast.p_told())
        if main[1] is None or not main[0]:
            continue
        others = _others(contrast, alpha, len(contrasts) > 1)
        told = main[1] < alpha
        against = [each for each in others if each[1] is not None and (each[1] < alpha) != told]
        if against:
            found, missed = ([main], against) if told else (against, [main])
            why = _why([name for name, _ in (main, *against)], blocked)
            said.append(
                _line(contrast, found, missed, f"{why}. {_RESTS[contrast.basis == 'ratio']}")
            )
    return said


def _line(contrast: Contrast, found: list[Named], missed: list[Named], why: str) -> str:
    return (
        f"For {plants_of(contrast.group)} {_named(found)} {'tell' if len(found) > 1 else 'tells'} "
        f"a difference and {_named(missed)} {'do' if len(missed) > 1 else 'does'} not. "
        f"They ask different things: {why}"
    )


def _others(contrast: Contrast, alpha: float, several: bool) -> Iterable[Named]:
    """The others; of several groups only what is adjusted for their number."""
    could_tell = (contrast.randomisation.smallest_p or 0.0) < alpha
    if contrast.basis == "ratio" and several:
        yield (_MEANS, contrast.mean_difference().p_adjusted)
    elif contrast.basis == "ratio" or (contrast.basis == "within blocks" and not several):
        yield (_MEANS, contrast.difference.p)
    if could_tell and not several:
        yield (_LOTS, contrast.randomisation.p)


_RATIO, _WITHIN = "the ratio", "the difference within blocks"
_MEANS, _LOTS = "the difference of means", "the lots drawn again"
_NAMES = {"ratio": _RATIO, "within blocks": _WITHIN, "difference": _MEANS}
_WHY = {
    _RATIO: "the ratio lets rich plants vary more than poor ones",
    _WITHIN: "the difference within blocks takes out what the blocks do",
    _MEANS: "the difference of means lets each group vary in its own way",
    _LOTS: "the lots drawn again ask only what the draw itself could have given",
}
_RESTS = {
    True: "The answer rests on the ratio, named beforehand as the main analysis of counts; do not "
    "choose among them by their p.",
    False: "The answer rests on the difference, within blocks where there are any, named "
    "beforehand as the main analysis of measures; do not choose among them by their p.",
}


def _why(names: list[str], blocked: bool) -> str:
    reasons = [
        f"{_WHY[name]}{' and leaves the blocks out' if blocked and name == _MEANS else ''}"
        for name in names
    ]
    return "; ".join(reasons)


def _named(analyses: list[Named]) -> str:
    return and_list([f"{name} (p {p_text(p)})" for name, p in analyses])
