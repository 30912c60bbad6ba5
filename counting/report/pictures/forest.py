"""The picture of several trials beside one another, with what they say together."""

from __future__ import annotations

import math
from collections.abc import Sequence

from counting.analysis.season.pool import Together
from counting.report.pictures.drawing import INK, colour_of, drawing, svg

__all__ = ["forest"]

_WIDTH = 6.0
"""Inches."""
_ROW = 0.34
"""Inches for each trial."""


def forest(found: Sequence[Together]) -> str:
    """Draw every trial's estimate with its interval, their mean and where a next one may lie.

    Parameters
    ----------
    found : sequence of Together
        One for each group against the control.

    Returns
    -------
    str
        ``<svg>`` elements, one under another in one ``<svg>`` where there are several.
    """
    pictures = [_forest(each, place) for place, each in enumerate(found)]
    return pictures[0] if len(pictures) == 1 else f"<div>{''.join(pictures)}</div>"


def _forest(found: Together, place: int) -> str:
    def shown(value: float | None) -> float:
        return math.exp(value or 0.0) if found.ratio else value or 0.0

    mean, pooled = found.pooled.mean, found.pooled
    rows = [
        (part.trial, part.value, estimate.low, estimate.high)
        for part, estimate in zip(found.parts, found.each(), strict=True)
    ]
    with drawing(_WIDTH, 1.1 + _ROW * (len(rows) + 2)) as (figure, axes):
        for at, (_, value, low, high) in enumerate(rows):
            axes.plot([shown(low), shown(high)], [-at, -at], color=INK, linewidth=1)
            axes.plot([shown(value)], [-at], "s", color=colour_of(place), markersize=6)
        at = -len(rows)
        axes.plot([shown(mean.low), shown(mean.high)], [at, at], color=INK, linewidth=3)
        axes.plot([shown(mean.value)], [at], "D", color=INK, markersize=8)
        ends = [shown(pooled.prediction_low), shown(pooled.prediction_high)]
        axes.plot(ends, [at - 1, at - 1], color=INK, linewidth=1, linestyle="--")
        axes.axvline(shown(0.0), color=INK, linewidth=0.8, linestyle=":")
        axes.set_yticks(
            [-n for n in range(len(rows) + 2)],
            [*(name for name, *_ in rows), "all together", "a next one"],
        )
        if found.ratio:
            axes.set_xscale("log")
        axes.set_xlabel("ratio to the control" if found.ratio else "difference to the control")
        return svg(figure, found.sentence())
