"""The change over the surveys, group by group: a ratio of ratios."""

from __future__ import annotations

import math
from dataclasses import replace

from counting.analysis.estimates import NO_ESTIMATE, Estimate
from counting.analysis.methods.student import exponentiated
from counting.analysis.result import Comparison

__all__ = ["as_ratios"]


def as_ratios(found: Comparison) -> Comparison:
    """Read differences of logarithms as the ratio of the groups' changes.

    Parameters
    ----------
    found : Comparison
        Of each plant's logarithm of last over first survey.
    """
    contrasts = tuple(
        replace(
            each,
            basis="ratio",
            ratio=_ratio(each.headline()),
            difference=NO_ESTIMATE,
            within_blocks=NO_ESTIMATE,
            shift=NO_ESTIMATE,
            detectable=None,
        )
        for each in found.comparisons
    )
    return replace(found, kind="count", unit="", comparisons=contrasts)


def _ratio(log: Estimate) -> Estimate:
    low, high = log.low_joint, log.high_joint
    return replace(
        exponentiated(log),
        low_joint=None if low is None else math.exp(low),
        high_joint=None if high is None else math.exp(high),
        method=f"ratio of ratios, last over first survey ({log.method})",
    )
