"""What a comparison says: frozen values that write themselves as JSON without NaN."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any, Literal

__all__ = [
    "Cluster",
    "Comparison",
    "Contrast",
    "Dispersion",
    "Estimate",
    "GroupSummary",
    "PlantSummary",
    "Randomisation",
    "ShareAbove",
    "ShareDifference",
    "Superiority",
    "Zeros",
    "as_json",
]

Adjustment = Literal["Dunnett", "Holm", "none"]


def as_json(value: Any) -> Any:
    """Return dataclasses, tuples and numbers as JSON values; what is not finite becomes None."""
    if isinstance(value, dict):
        return {str(key): as_json(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [as_json(item) for item in value]
    if isinstance(value, bool | str | int) or value is None:
        return value
    number = float(value)
    return number if math.isfinite(number) else None


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
class ShareDifference:
    """Share above in the group less that in the control, with Newcombe's interval."""

    difference: float | None
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


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure with interval, p value and residual degrees of freedom."""

    value: float | None = None
    low: float | None = None
    high: float | None = None
    p: float | None = None
    df: float | None = None
    se: float | None = None


NO_ESTIMATE = Estimate()
"""What cannot be computed."""


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
class Superiority:
    """Chance that a plant of the group exceeds one of the control, ties counted half."""

    probability: float | None
    low: float | None
    high: float | None
    p: float | None


@dataclass(frozen=True, slots=True)
class Contrast:
    """One group against the control.

    The names are those of the comparison's JSON. `difference` is Welch's and `shift`
    Hodges-Lehmann's, both at the unit of analysis and without blocks; `ratio`, `within_blocks`
    and `randomisation_p` take the blocks into account. `likelihood` is the ratio as plain maximum
    likelihood has it (Wald's interval by the normal curve, k taken for known), for comparison with
    published fits; the headline is `ratio`.
    """

    group: str
    control: str
    difference: float | None
    difference_low: float | None
    difference_high: float | None
    difference_p: float | None
    difference_df: float | None
    ratio: float | None
    ratio_low: float | None
    ratio_high: float | None
    ratio_p: float | None
    ratio_df: float | None
    ratio_method: str | None
    randomisation_p: float | None
    shift: float | None
    shift_low: float | None
    shift_high: float | None
    p_adjusted: float | None
    adjustment: Adjustment
    ratio_p_adjusted: float | None
    share_difference: ShareDifference | None
    randomisation: Randomisation
    within_blocks: Estimate
    quasi_poisson: Estimate
    likelihood: Estimate
    superiority: Superiority
    detectable: float | None
    sentence: str = ""


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


@dataclass(frozen=True, slots=True)
class Comparison:
    """The answer of a trial for one measure.

    Attributes
    ----------
    unit : str
        Unit of the values, as ``"count"`` or ``"mm"``.
    unit_of_analysis : {"plant", "plot", "block"}
        What the treatment was allotted to.
    replicated : bool
        False where each group has a single plot (block), so that nothing can be tested.
    groups : tuple of GroupSummary
        The control first.
    comparisons : tuple of Contrast
        Every other group against the control.
    cautions : tuple of str
        What the reader must know before believing the sentence, most weighty first.
    sentence : str
        The answer in plain words.
    """

    measure: str
    unit: str
    kind: str
    level: float
    control: str
    groups: tuple[GroupSummary, ...]
    comparisons: tuple[Contrast, ...]
    dispersion: Dispersion
    cautions: tuple[str, ...]
    sentence: str
    main: bool
    unit_of_analysis: str
    replicated: bool
    plants: int
    plots: int | None
    blocks: int | None
    cluster: Cluster
    zeros: Zeros | None
    survey: str | None
    source: str | None
    per: str | None
    seed: int
    draws: int

    def to_json(self) -> dict[str, Any]:
        """Return the comparison as JSON values; what cannot be computed is None, never NaN."""
        value: dict[str, Any] = as_json(asdict(self))
        return value
