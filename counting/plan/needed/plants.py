"""How many plots and plants a comparison needs, and what a given number can see.

A plot's mean is one result. For counts it is compared as a ratio: a plant's count has variance
mean + mean^2 / k (negative binomial; k without bound is Poisson), so the variance of its log mean
is 1 / mean + 1 / k. For other measures it is compared as a difference. Plants of a plot are alike
by `likeness`, the share of the variance that they have in common; a plot of m plants is worth
m / (1 + (m - 1) likeness) plants. Power follows from the noncentral t distribution.

References
----------
Zhu H, Lakkis H (2014). Sample size calculation for comparing two negative binomial rates.
Statistics in Medicine 33:376-387, doi 10.1002/sim.5947. Cohen J (1988). Statistical Power
Analysis for the Behavioral Sciences, 2nd ed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from scipy import optimize, stats

from counting.errors import PlanError

__all__ = [
    "Aim",
    "Need",
    "Spread",
    "laid_out",
    "need",
    "pair_variance",
    "plots_for",
    "power_for",
]

_MOST_PLOTS = 1_000_000
_DIFFERENCES = (0.1, 0.15, 0.2, 0.25, 0.3, 0.5)
"""Shares of the control's mean shown in the table beside the one asked for."""
_PLOT_SIZES = (1, 2, 3, 4, 6, 10)
"""Plants per plot shown in the table beside the number asked for."""


@dataclass(frozen=True, slots=True)
class Spread:
    """How much plants differ.

    Attributes
    ----------
    kind : {"count", "measure"}
        Counts are compared as ratios, measures as differences.
    mean : float
        Mean of the control, per plant.
    k : float
        Of counts: the negative binomial's size; infinite for Poisson.
    sd : float
        Of measures: standard deviation between plants, within groups.
    likeness : float
        Share of the variance that plants of a plot have in common, 0..1.
    """

    kind: Literal["count", "measure"]
    mean: float
    k: float = math.inf
    sd: float = 0.0
    likeness: float = 0.0

    def __post_init__(self) -> None:
        _require(
            (math.isfinite(self.mean) and self.mean > 0), "the mean", self.mean, "a number above 0"
        )
        _require(self.kind != "count" or self.k > 0, "k", self.k, "a number above 0")
        sized = math.isfinite(self.sd) and self.sd > 0
        _require(
            self.kind != "measure" or sized, "the standard deviation", self.sd, "a number above 0"
        )
        _require(
            0 <= self.likeness < 1, "the likeness within a plot", self.likeness, "0 to under 1"
        )

    def plant_variance(self, mean: float) -> float:
        """Return the variance of one plant: of its log for counts, of itself for measures."""
        return 1 / mean + 1 / self.k if self.kind == "count" else self.sd**2


@dataclass(frozen=True, slots=True)
class Aim:
    """What is to be seen.

    Attributes
    ----------
    difference : float
        As a share of the control's mean: 0.2 is 20 % more, -0.2 is 20 % less.
    power : float
        Chance to find it if it is there.
    level : float
        Chance to find one, two-sided, if there is none.
    comparisons : int
        Groups held against the control; the level is shared among them (Bonferroni).
    margin : float
        The difference that must be exceeded, as a share; 0 asks only whether there is one.
    small_sample : bool
        Use Student's t; otherwise the normal curve, as some published tables do.
    blocked : bool
        Each block holds one plot of each group, and they are compared within blocks. That costs a
        degree of freedom for each block after the first, which few blocks feel; what blocks take
        out of the variance is for the spread to say.
    """

    difference: float
    power: float = 0.8
    level: float = 0.05
    comparisons: int = 1
    margin: float = 0.0
    small_sample: bool = True
    blocked: bool = False

    def __post_init__(self) -> None:
        some = self.difference != 0 or self.margin != 0
        sensible = math.isfinite(self.difference) and self.difference > -1 and some
        _require(sensible, "the difference", self.difference, "a share above -1, not 0")
        beyond = math.isfinite(self.margin) and self.margin > -1 and self.margin != self.difference
        _require(beyond, "the margin", self.margin, "a share above -1 other than the difference")
        _require(0 < self.level < 1, "the level", self.level, "between 0 and 1")
        _require(self.level < self.power < 1, "the power", self.power, "between the level and 1")
        _require(self.comparisons >= 1, "the comparisons", self.comparisons, "1 or more")


def _require(right: bool, where: str, found: object, expected: str) -> None:
    if not right:
        raise PlanError(where, f"is {found}", expected)


def _effect(spread: Spread, aim: Aim) -> float:
    """Return the difference on the scale that is compared."""
    if spread.kind == "count":
        return math.log1p(aim.difference) - math.log1p(aim.margin)
    return spread.mean * (aim.difference - aim.margin)


def pair_variance(spread: Spread, aim: Aim, plants_per_plot: float) -> float:
    """Return the variance of the difference of two plot means, of counts of their logarithms.

    Parameters
    ----------
    spread : Spread
    aim : Aim
        Its difference tells the second mean.
    plants_per_plot : float
    """
    treated = spread.mean * (1 + aim.difference)
    plant = spread.plant_variance(spread.mean) + spread.plant_variance(treated)
    return plant * (1 + (plants_per_plot - 1) * spread.likeness) / plants_per_plot


def power_for(
    spread: Spread, aim: Aim, plots: float, plants_per_plot: float = 1, blocks: int = 1
) -> float:
    """Return the chance to find the difference with so many plots per group.

    Parameters
    ----------
    spread : Spread
        How much plants differ.
    aim : Aim
        What is to be seen; its `power` is not used.
    plots : float
        Plots per group, above 1; fractions are allowed.
    plants_per_plot : float
        Plants counted in each plot.
    blocks : int
        Blocks within which the groups are compared, where that is not one for each plot.
    """
    pair = pair_variance(spread, aim, plants_per_plot)
    shift = abs(_effect(spread, aim)) / math.sqrt(pair / plots)
    tail = aim.level / aim.comparisons / 2
    if not aim.small_sample:
        limit = stats.norm.isf(tail)
        return float(stats.norm.sf(limit - shift) + stats.norm.cdf(-limit - shift))
    freedom = 2 * plots - 1 - (plots if aim.blocked else blocks)
    limit = stats.t.isf(tail, freedom)
    if shift > limit + 37:  # beyond what the noncentral t is computed for; certain
        return 1.0
    low = stats.nct.cdf(-limit, freedom, shift)
    return float(stats.nct.sf(limit, freedom, shift) + (low if np.isfinite(low) else 0.0))


def plots_for(spread: Spread, aim: Aim, plants_per_plot: float = 1) -> float:
    """Return how many plots per group give the power asked for, as a fraction; never under 2.

    Raises
    ------
    PlanError
        If more than a million would be needed.
    """

    def short(plots: float) -> float:
        return power_for(spread, aim, plots, plants_per_plot) - aim.power

    # the normal curve's answer is close and never too many
    tails = stats.norm.isf(aim.level / aim.comparisons / 2) + stats.norm.isf(1 - aim.power)
    pair = pair_variance(spread, aim, plants_per_plot)
    guess = pair * float(tails / _effect(spread, aim)) ** 2
    if guess > _MOST_PLOTS:
        where = "the difference"
        found = f"of {aim.difference:.3g} would take more than {_MOST_PLOTS} plots per group"
        raise PlanError(where, found, mend="ask for a larger one")
    if short(2.0) >= 0:
        return 2.0
    high = max(guess, 2.0) + 4
    while short(high) < 0:
        high *= 1.5
    return float(optimize.brentq(short, 2.0, high, xtol=1e-9))


@dataclass(frozen=True, slots=True)
class Need:
    """How many plots and plants are needed.

    Attributes
    ----------
    spread : Spread
    aim : Aim
    plants_per_plot : int
        As asked for.
    plots_per_group, plants_per_group : int
        Needed at the least.
    by_difference : list of dict
        difference, plots_per_group, plants_per_group, at the plants per plot asked for.
    by_plot_size : list of dict
        plants_per_plot, plots_per_group, plants_per_group, at the difference asked for.
    curve : list of dict
        plots_per_group, power.
    cautions : list of str
    sentence : str
    """

    spread: Spread
    aim: Aim
    plants_per_plot: int
    plots_per_group: int
    plants_per_group: int
    by_difference: list[dict[str, Any]]
    by_plot_size: list[dict[str, Any]]
    curve: list[dict[str, Any]]
    cautions: list[str]
    sentence: str

    def to_json(self) -> dict[str, Any]:
        """Return the need as JSON values; what does not apply is None."""
        spread, aim = self.spread, self.aim
        return {
            "kind": spread.kind,
            "mean": spread.mean,
            "k": spread.k if spread.kind == "count" and math.isfinite(spread.k) else None,
            "sd": spread.sd if spread.kind == "measure" else None,
            "likeness": spread.likeness,
            "difference": aim.difference,
            "power": aim.power,
            "level": aim.level,
            "comparisons": aim.comparisons,
            "blocked": aim.blocked,
            "plants_per_plot": self.plants_per_plot,
            "plots_per_group": self.plots_per_group,
            "plants_per_group": self.plants_per_group,
            "by_difference": self.by_difference,
            "by_plot_size": self.by_plot_size,
            "curve": self.curve,
            "cautions": self.cautions,
            "sentence": self.sentence,
        }


def need(
    spread: Spread, aim: Aim, plants_per_plot: int = 1, *, cautions: Sequence[str] = ()
) -> Need:
    """Return how many plots and plants are needed, with the tables and the curve.

    Parameters
    ----------
    spread : Spread
        How much plants differ.
    aim : Aim
        What is to be seen.
    plants_per_plot : int
        Plants counted in each plot.
    cautions : sequence of str
        Passed on before those found here.

    Raises
    ------
    PlanError
        If no sensible number of plots is enough.
    """
    _require(plants_per_plot >= 1, "plants per plot", plants_per_plot, "1 or more")
    plots = _whole_plots(spread, aim, plants_per_plot)
    sign = math.copysign(1, aim.difference)
    shares = sorted({*_DIFFERENCES, abs(aim.difference)})
    aims = [
        replace(aim, difference=sign * share)
        for share in shares
        if sign * share > -1 and sign * share != aim.margin
    ]
    sizes = sorted({*_PLOT_SIZES, plants_per_plot})
    return Need(
        spread=spread,
        aim=aim,
        plants_per_plot=plants_per_plot,
        plots_per_group=plots,
        plants_per_group=plots * plants_per_plot,
        by_difference=[
            {"difference": other.difference, **_count(spread, other, plants_per_plot)}
            for other in aims
        ],
        by_plot_size=[{"plants_per_plot": size, **_count(spread, aim, size)} for size in sizes],
        curve=_curve(spread, aim, plots, plants_per_plot),
        cautions=[*cautions, *_cautions(spread, plots, plants_per_plot)],
        sentence=_sentence(aim, plots, plants_per_plot),
    )


def _whole_plots(spread: Spread, aim: Aim, plants_per_plot: int) -> int:
    # a hair's breadth over a whole number is the root finder's, not the plants'
    return math.ceil(plots_for(spread, aim, plants_per_plot) - 1e-6)


def _count(spread: Spread, aim: Aim, plants_per_plot: int) -> dict[str, int | None]:
    """Return plots and plants per group; None where no sensible number is enough."""
    try:
        plots = _whole_plots(spread, aim, plants_per_plot)
    except PlanError:
        return {"plots_per_group": None, "plants_per_group": None}
    return {"plots_per_group": plots, "plants_per_group": plots * plants_per_plot}


def _curve(
    spread: Spread, aim: Aim, plots: int, plants_per_plot: int
) -> list[dict[str, float | int]]:
    """Return the power at up to 40 numbers of plots, to twice the number needed."""
    numbers = np.unique(np.rint(np.linspace(2, max(2 * plots, 12), 40)).astype(int))
    return [
        {"plots_per_group": int(n), "power": power_for(spread, aim, float(n), plants_per_plot)}
        for n in numbers
    ]


def _sentence(aim: Aim, plots: int, plants_per_plot: int) -> str:
    share = f"{abs(aim.difference) * 100:.3g} %"
    way = "more" if aim.difference > 0 else "less"
    laid = laid_out(aim, plots, plants_per_plot)
    return (
        f"To see {share} {way} with a chance of {aim.power * 100:.3g} %, each group needs {laid}."
    )


def laid_out(aim: Aim, plots: int, plants_per_plot: int) -> str:
    """Return in words how many plants a group needs, and how they are laid out."""
    plants = f"{plots * plants_per_plot} plants"
    laid = plants if plants_per_plot == 1 else f"{plots} plots of {plants_per_plot} ({plants})"
    if aim.blocked:
        laid += f", one {'plant' if plants_per_plot == 1 else 'plot'} in each of {plots} blocks"
    return laid


def _cautions(spread: Spread, plots: int, plants_per_plot: int) -> list[str]:
    """Return what the number rests on."""
    found = []
    if plants_per_plot > 1 and spread.likeness == 0:
        found.append(
            "Plants of a plot were taken to be no more alike than any others; they mostly are,"
            " and then more plots are needed. Give the likeness, such as 0.1 or 0.2."
        )
    if plots < 4:
        found.append(
            "Fewer than 4 plots per group trust the spread typed in more than any trial can show;"
            " take at least 4 blocks."
        )
    found.append(
        "The number is as good as the mean and the spread it was made from; losses of plants come"
        " on top."
    )
    return found
