"""What each group shows, before anything is compared."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from counting.analysis.data.units import Units
from counting.analysis.methods.shares import share_above
from counting.analysis.result import GroupSummary, PlantSummary

__all__ = ["describe_group", "mean_interval"]

Floats = NDArray[np.float64]


def mean_interval(values: Floats, level: float = 0.95) -> tuple[float, float] | None:
    """Return Student's interval of a mean, or None for fewer than two values or no variation."""
    n = len(values)
    if n < 2 or np.all(values == values[0]):
        return None
    half = float(stats.t.ppf((1 + level) / 2, n - 1) * values.std(ddof=1)) / math.sqrt(n)
    mean = float(values.mean())
    return (mean - half, mean + half)


def describe_group(
    units: Units,
    group: str,
    *,
    above: float | None,
    level: float,
    design_effect: float,
    ordinal: bool,
) -> GroupSummary:
    """Describe one group at the unit of analysis, and its plants.

    Parameters
    ----------
    units : Units
    group : str
        May have no unit: then n is 0 and the figures are None.
    above : float or None
        Also count the plants above it.
    level : float
        Of the interval: 0.95 is 95 %.
    design_effect : float
        Widens the interval of the share for plants that are alike within a plot.
    ordinal : bool
        Grades have no mean.
    """
    values = units.table.loc[units.table["group"] == group, "value"].to_numpy("float64")
    plants = units.plants.loc[units.plants["group"] == group, "value"].to_numpy("float64")
    interval = None if ordinal else mean_interval(values, level)
    sd = _sd(values, ordinal)
    return GroupSummary(
        group=group,
        n=len(values),
        mean=None if ordinal or not len(values) else float(values.mean()),
        mean_low=interval[0] if interval else None,
        mean_high=interval[1] if interval else None,
        sd=sd,
        se=None if sd is None else sd / math.sqrt(len(values)),
        median=_of(np.median, values),
        min=_of(np.min, values),
        max=_of(np.max, values),
        share_above=None
        if above is None
        else share_above(plants.tolist(), above, level, design_effect),
        plants=PlantSummary(
            n=len(plants),
            mean=None if ordinal or not len(plants) else float(plants.mean()),
            sd=_sd(plants, ordinal),
            median=_of(np.median, plants),
            min=_of(np.min, plants),
            max=_of(np.max, plants),
        ),
    )


def _of(function: object, values: Floats) -> float | None:
    return float(function(values)) if len(values) and callable(function) else None


def _sd(values: Floats, ordinal: bool) -> float | None:
    if ordinal or len(values) < 2:
        return None
    return 0.0 if np.all(values == values[0]) else float(values.std(ddof=1))
