"""What a method returns: figures with interval, p and degrees of freedom, as frozen values."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

__all__ = [
    "NO_ESTIMATE",
    "Cluster",
    "Dispersion",
    "Estimate",
    "GroupSummary",
    "Joint",
    "PlantSummary",
    "Randomisation",
    "ShareAbove",
    "ShareDifference",
    "Trend",
    "Zeros",
    "as_ratio",
]


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure with all that is known of it.

    Attributes
    ----------
    value, low, high : float or None
        The figure and its interval at the comparison's level.
    p : float or None
        Two-sided.
    df : float or None
        Degrees of freedom of the interval; None: by the normal curve.
    se : float or None
        Standard error; of a ratio that of its logarithm.
    method : str or None
        What was computed, in words.
    p_adjusted : float or None
        Adjusted for the number of groups held against the control.
    low_joint, high_joint : float or None
        The interval that holds for all groups together; None where there is only one.
    """

    value: float | None = None
    low: float | None = None
    high: float | None = None
    p: float | None = None
    df: float | None = None
    se: float | None = None
    method: str | None = None
    p_adjusted: float | None = None
    low_joint: float | None = None
    high_joint: float | None = None

    def to_json(self) -> dict[str, float | None]:
        """Return the figures under the names that the comparison's JSON has for them."""
        names = ("value", "low", "high", "p", "df", "se")
        return {name: getattr(self, name) for name in names}

    def jointly(self, joint: Joint | None) -> Estimate:
        """Return the estimate with what holds for all groups together."""
        if joint is None:
            return self
        return replace(self, p_adjusted=joint.p, low_joint=joint.low, high_joint=joint.high)


@dataclass(frozen=True, slots=True)
class Joint:
    """What holds of one group's estimate for all groups together: adjusted p and interval."""

    p: float
    low: float | None = None
    high: float | None = None


def as_ratio(joint: Joint) -> Joint:
    """Return what holds of a ratio from what holds of its logarithm."""
    if joint.low is None or joint.high is None:
        return joint
    return Joint(joint.p, math.exp(joint.low), math.exp(joint.high))


NO_ESTIMATE = Estimate()
"""What cannot be computed."""


@dataclass(frozen=True, slots=True)
class Trend:
    """How a measure goes with the dose, for each 1 more of it.

    Attributes
    ----------
    step : Estimate
        Of counts the ratio for each 1 more, of measures the difference.
    likelihood : Estimate
        Of counts as plain maximum likelihood has it, for comparison with published fits.
    ratio : bool
    gap : float
        The smallest distance of two doses, in which the trend is said.
    """

    step: Estimate
    likelihood: Estimate
    ratio: bool
    gap: float = 1.0

    def by_gap(self) -> Estimate:
        """Return the trend for as much more of the dose as lies between the two nearest."""

        def over(value: float | None) -> float | None:
            if value is None:
                return None
            return value**self.gap if self.ratio else value * self.gap

        return replace(
            self.step,
            value=over(self.step.value),
            low=over(self.step.low),
            high=over(self.step.high),
        )


@dataclass(frozen=True, slots=True)
class Randomisation:
    """A randomisation test over the draw.

    Attributes
    ----------
    p : float or None
        Two-sided.
    exact : bool
        Over all arrangements; otherwise over `draws` drawn with `seed`.
    arrangements : float or None
        How many ways the lots could have fallen (exact up to 2**53).
    smallest_p : float or None
        The smallest p that this many arrangements can give.
    """

    p: float | None
    exact: bool
    arrangements: float | None
    smallest_p: float | None
    draws: int | None
    seed: int | None


@dataclass(frozen=True, slots=True)
class ShareAbove:
    """How many plants lie above a number, as a share with Wilson's interval."""

    above: float
    count: int
    n: int
    share: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class PlantSummary:
    """The plants themselves, whatever the unit of analysis."""

    n: int
    mean: float | None
    sd: float | None
    median: float | None
    min: float | None
    max: float | None


@dataclass(frozen=True, slots=True)
class GroupSummary:
    """One group at the unit of analysis.

    Attributes
    ----------
    n : int
        Units analysed: plants, or plots (blocks) where the treatment was allotted to those.
    mean, mean_low, mean_high, sd, se, median, min, max : float or None
        Of the units' values; the interval is Student's.
    share_above : ShareAbove or None
        Of the plants.
    adjusted_mean : float or None
        Of a measure, as if the groups had been alike before the treatment; None where nothing from
        before is allowed for.
    plants : PlantSummary
        The plants below the units; equal to the units where plants were allotted.
    """

    group: str
    n: int
    mean: float | None
    mean_low: float | None
    mean_high: float | None
    sd: float | None
    se: float | None
    median: float | None
    min: float | None
    max: float | None
    share_above: ShareAbove | None
    plants: PlantSummary
    adjusted_mean: float | None = None


@dataclass(frozen=True, slots=True)
class ShareDifference:
    """Share above in the group less that in the control, with Newcombe's interval."""

    difference: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Dispersion:
    """Do counts vary more than chance alone would make them.

    Attributes
    ----------
    index : float or None
        Chi-squared over its degrees of freedom; with one group the variance over the mean.
    p : float or None
        Upper tail: more varied than chance.
    k, k_se : float or None
        The negative binomial's size by maximum likelihood: variance = mean + mean**2 / k.
    k_adjusted : float or None
        The size adjusted for the groups and blocks fitted, on which the ratio's interval rests;
        for plots that of their totals is used, not this one of plants.
    """

    index: float | None
    p: float | None
    k: float | None
    chi2: float | None = None
    df: int | None = None
    k_se: float | None = None
    k_adjusted: float | None = None


@dataclass(frozen=True, slots=True)
class Zeros:
    """Plants without any, against the number that the count model expects."""

    observed: int
    expected: float | None
    p: float | None


@dataclass(frozen=True, slots=True)
class Cluster:
    """How alike the plants of one plot are, and what that costs."""

    icc: float | None
    design_effect: float | None
    plants_per_plot: float | None
