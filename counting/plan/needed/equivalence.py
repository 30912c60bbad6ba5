"""How many plots show that whatever the difference is, it is too small to matter.

The verdict "no difference that matters" is given where the whole 95 % interval lies within the
smallest difference worth having to either side: two one-sided tests at 2.5 %.

References
----------
Schuirmann (1987) J. Pharmacokin. Biopharm. 15:657-680; Phillips (1990) ibid. 18:137-144 (power).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import optimize, stats

from counting.errors import PlanError
from counting.plan.needed.plants import Aim, Spread, laid_out, pair_variance

__all__ = ["Alike", "alike", "power_within"]

_MOST_PLOTS = 100_000
_POINTS = 400
"""Of the integration over the spread that a trial may find: four figures of the power."""


def power_within(
    ends: tuple[float, float], true: float, se: float, df: float, level: float = 0.05
) -> float:
    """Return the chance that an interval lies wholly within two ends.

    Parameters
    ----------
    ends : (float, float)
        On the scale that is compared; of ratios their logarithms.
    true : float
        The true difference.
    se : float
        Standard error of the difference, as it truly is.
    df : float
        Degrees of freedom by which a trial estimates it.
    level : float
        Two-sided, of the interval: 0.05 is a 95 % interval.
    """
    reach = float(stats.t.isf(level / 2, df))
    # over the spreads that a trial may find, equal chances apart
    chances = (np.arange(_POINTS) + 0.5) / _POINTS
    found = se * np.sqrt(stats.chi2.ppf(chances, df) / df)
    low = (ends[0] + reach * found - true) / se
    high = (ends[1] - reach * found - true) / se
    return float(np.mean(np.maximum(stats.norm.cdf(high) - stats.norm.cdf(low), 0.0)))


@dataclass(frozen=True, slots=True)
class Alike:
    """How many plots and plants show that groups are alike.

    Attributes
    ----------
    margin : float
        The smallest difference worth having, as a share of the control's mean.
    power, level : float
    blocked : bool
    plants_per_plot, plots_per_group, plants_per_group : int
    sentence : str
    """

    margin: float
    power: float
    level: float
    blocked: bool
    plants_per_plot: int
    plots_per_group: int
    plants_per_group: int
    sentence: str

    def to_json(self) -> dict[str, Any]:
        """Return it as JSON values."""
        names = ("margin", "plots_per_group", "plants_per_group", "sentence")
        return {name: getattr(self, name) for name in names}


def alike(spread: Spread, aim: Aim, plants_per_plot: int = 1) -> Alike:
    """Return how many plots per group show that no difference matters, where there is none.

    Parameters
    ----------
    spread : Spread
        How much plants differ.
    aim : Aim
        Its difference, to either side, is the smallest that matters.
    plants_per_plot : int

    Raises
    ------
    PlanError
        If the difference is 100 % or more, or more plots would be needed than any trial has.
    """
    margin = abs(aim.difference)
    if margin >= 1:
        where = "the difference"
        raise PlanError(where, f"of {100 * margin:.3g} % to either side", "less than 100 %")
    counts = spread.kind == "count"
    ends = (
        (math.log1p(-margin), math.log1p(margin))
        if counts
        else (-margin * spread.mean, margin * spread.mean)
    )
    none = Aim(0.0, aim.power, aim.level, aim.comparisons, margin=margin, blocked=aim.blocked)
    pair = pair_variance(spread, none, plants_per_plot)

    def short(plots: float) -> float:
        df = plots - 1 if aim.blocked else 2 * (plots - 1)
        level = aim.level / aim.comparisons
        return power_within(ends, 0.0, math.sqrt(pair / plots), df, level) - aim.power

    high = 4.0
    while short(high) < 0:
        high *= 2
        if high > _MOST_PLOTS:
            where, found = "the difference", f"of {100 * margin:.3g} % is too small to be ruled out"
            raise PlanError(where, found, mend="ask for a larger one, or count more plants")
    low = 2.0
    plots = 2 if short(low) >= 0 else math.ceil(optimize.brentq(short, low, high, xtol=1e-6) - 1e-6)
    return Alike(
        margin, aim.power, aim.level, aim.blocked, plants_per_plot, plots,
        plots * plants_per_plot, _sentence(margin, aim, plots, plants_per_plot),
    )  # fmt: skip


def _sentence(margin: float, aim: Aim, plots: int, plants_per_plot: int) -> str:
    laid = laid_out(aim, plots, plants_per_plot)
    return (
        f"To show, where there is none, that no difference of {100 * margin:.3g} % or more is "
        f"there, with a chance of {100 * aim.power:.3g} %, each group needs {laid}."
    )
