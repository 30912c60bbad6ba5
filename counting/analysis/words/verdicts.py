"""Whether the ways of comparing two groups agree on what the trial could tell."""

from __future__ import annotations

from collections.abc import Iterable

from counting.analysis.result import Contrast
from counting.analysis.words.phrases import and_list, p_text, plants_of

__all__ = ["about_verdicts"]

Named = tuple[str, float | None]


def about_verdicts(
    contrasts: tuple[Contrast, ...], kind: str, alpha: float, *, blocked: bool
) -> list[str]:
    """Say why the main analysis and another one may differ where they do.

    Parameters
    ----------
    contrasts : tuple of Contrast
    kind : str
        Kind of the measure.
    alpha : float
        One less the level: 0.05.
    blocked : bool
        Whether blocks are strata of the comparison.
    """
    if kind == "grade":
        return []
    said = []
    for contrast in contrasts:
        main = _main(contrast, kind)
        others = _others(contrast, kind, alpha, len(contrasts) > 1)
        if main[1] is None:
            continue
        told = main[1] < alpha
        against = [each for each in others if each[1] is not None and (each[1] < alpha) != told]
        if against:
            found, missed = ([main], against) if told else (against, [main])
            why = _why([name for name, _ in (main, *against)], blocked)
            said.append(_line(contrast, found, missed, f"{why}. {_RESTS[kind == 'count']}"))
    return said


def _line(contrast: Contrast, found: list[Named], missed: list[Named], why: str) -> str:
    return (
        f"For {plants_of(contrast.group)} {_named(found)} {'tell' if len(found) > 1 else 'tells'} "
        f"a difference and {_named(missed)} {'do' if len(missed) > 1 else 'does'} not. "
        f"They ask different things: {why}"
    )


def _main(contrast: Contrast, kind: str) -> Named:
    """The analysis that the sentence rests on."""
    if kind == "count":
        adjusted = contrast.ratio_p_adjusted
        return (_RATIO, contrast.ratio_p if adjusted is None else adjusted)
    if contrast.adjustment == "Dunnett":
        return (_WITHIN if contrast.within_blocks.p is not None else _MEANS, contrast.p_adjusted)
    if contrast.within_blocks.p is not None:
        return (_WITHIN, contrast.within_blocks.p)
    return (_MEANS, contrast.difference_p)


def _others(contrast: Contrast, kind: str, alpha: float, several: bool) -> Iterable[Named]:
    """The others; of several groups only what is adjusted for their number."""
    could_tell = (contrast.randomisation.smallest_p or 0.0) < alpha
    if kind == "count":
        yield (_MEANS, contrast.p_adjusted if several else contrast.difference_p)
    elif contrast.within_blocks.p is not None and not several:
        yield (_MEANS, contrast.difference_p)
    if could_tell and not several:
        yield (_LOTS, contrast.randomisation_p)


_RATIO, _WITHIN = "the ratio", "the difference within blocks"
_MEANS, _LOTS = "the difference of means", "the lots drawn again"
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
