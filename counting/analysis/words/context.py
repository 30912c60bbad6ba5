"""What surrounds a contrast: measure, size of the trial, level."""

from __future__ import annotations

from dataclasses import dataclass

from counting.analysis.result import Comparison, Contrast

__all__ = ["Context", "context_of"]


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


def context_of(contrast: Contrast, comparison: Comparison) -> Context:
    """Return what a contrast's sentence needs to know of the comparison.

    Parameters
    ----------
    contrast : Contrast
    comparison : Comparison
    """
    pair = [g for g in comparison.groups if g.group in {contrast.group, contrast.control}]
    by_plot = comparison.unit_of_analysis == "plot"
    plots = sum(group.n for group in pair) if comparison.replicated else len(pair)
    return Context(
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
