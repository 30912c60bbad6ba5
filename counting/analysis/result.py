"""What a comparison says: frozen values that write themselves as JSON without NaN."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, fields, is_dataclass, replace
from typing import Any, Literal

from counting.analysis.estimates import (
    Cluster,
    Dispersion,
    Estimate,
    Randomisation,
    ShareAbove,
    ShareDifference,
    Zeros,
)

__all__ = ["Basis", "Comparison", "Contrast", "GroupSummary", "PlantSummary", "as_json"]

Adjustment = Literal["Dunnett", "Holm", "none"]


def as_json(value: Any) -> Any:
    """Return dataclasses, tuples and numbers as JSON values; what is not finite becomes None."""
    if is_dataclass(value) and not isinstance(value, type):
        value = asdict(value)
    if isinstance(value, dict):
        return {str(key): as_json(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [as_json(item) for item in value]
    if isinstance(value, bool | str | int) or value is None:
        return value
    number = float(value)
    return number if math.isfinite(number) else None


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


Basis = Literal["ratio", "within blocks", "difference", "superiority"]
"""On which estimate of a contrast the answer rests."""


@dataclass(frozen=True, slots=True)
class Contrast:
    """One group against the control.

    Attributes
    ----------
    group, control : str
    basis : {"ratio", "within blocks", "difference", "superiority"}
        On which estimate the answer rests: see `headline`.
    difference, shift : Estimate
        Welch's and Hodges-Lehmann's, at the unit of analysis and without blocks.
    ratio : Estimate
        Of counts the count model's, of measures the ratio of means.
    within_blocks : Estimate
        Difference by least squares with groups and blocks.
    quasi_poisson : Estimate
        The ratio by the quasi-Poisson model, as a check.
    likelihood : Estimate
        The ratio as plain maximum likelihood has it (Wald's interval by the normal curve, k taken
        for known), for comparison with published fits.
    superiority : Estimate
        Chance that a unit of the group lies above one of the control, ties counted half.
    adjustment : {"Dunnett", "Holm", "none"}
        How the adjusted p values were adjusted.
    detectable : float or None
        Difference, as a share of the control, that the trial could have found.
    p_holm : float or None
        The headline's p among those of all further measures, by Holm.
    """

    group: str
    control: str
    basis: Basis
    difference: Estimate
    ratio: Estimate
    within_blocks: Estimate
    shift: Estimate
    quasi_poisson: Estimate
    likelihood: Estimate
    superiority: Estimate
    randomisation: Randomisation
    share_difference: ShareDifference | None
    adjustment: Adjustment
    detectable: float | None
    p_holm: float | None = None
    sentence: str = ""

    def headline(self) -> Estimate:
        """Return the estimate on which the answer rests, named before any count is seen."""
        return {
            "ratio": self.ratio,
            "within blocks": self.within_blocks,
            "difference": self.difference,
            "superiority": self.superiority,
        }[self.basis]

    def with_headline(self, estimate: Estimate) -> Contrast:
        """Return the contrast with another estimate in the place of its headline."""
        if self.basis == "ratio":
            return replace(self, ratio=estimate)
        if self.basis == "within blocks":
            return replace(self, within_blocks=estimate)
        if self.basis == "difference":
            return replace(self, difference=estimate)
        return replace(self, superiority=estimate)

    def p_told(self) -> float | None:
        """Return the headline's p, adjusted where it is one of several."""
        best = self.headline()
        of_groups = best.p if best.p_adjusted is None else best.p_adjusted
        return of_groups if self.p_holm is None else self.p_holm

    def to_json(self) -> dict[str, Any]:
        """Return the contrast with the flat keys that others read."""
        chance = self.superiority
        return {
            "group": self.group,
            "control": self.control,
            **_flat("difference", self.difference),
            **_flat("ratio", self.ratio),
            "ratio_method": self.ratio.method,
            "randomisation_p": self.randomisation.p,
            "shift": self.shift.value,
            "shift_low": self.shift.low,
            "shift_high": self.shift.high,
            "p_adjusted": self._p_adjusted(),
            "adjustment": self.adjustment,
            "ratio_p_adjusted": self.ratio.p_adjusted,
            "share_difference": self.share_difference and asdict(self.share_difference),
            "randomisation": asdict(self.randomisation),
            "within_blocks": self.within_blocks.to_json(),
            "quasi_poisson": self.quasi_poisson.to_json(),
            "likelihood": self.likelihood.to_json(),
            "superiority": {
                "probability": chance.value,
                "low": chance.low,
                "high": chance.high,
                "p": chance.p,
            },
            "detectable": self.detectable,
            "sentence": self.sentence,
        }

    def _p_adjusted(self) -> float | None:
        """Holm's of the headline; Dunnett's of the difference; of a single group its own."""
        if self.adjustment == "Holm":
            return self.p_holm
        if self.adjustment == "Dunnett":
            return self.mean_difference().p_adjusted
        return self.difference.p

    def mean_difference(self) -> Estimate:
        """Return the difference within blocks where there are any, else Welch's."""
        return self.within_blocks if self.within_blocks.value is not None else self.difference


def _flat(name: str, estimate: Estimate) -> dict[str, float | None]:
    return {
        name: estimate.value,
        f"{name}_low": estimate.low,
        f"{name}_high": estimate.high,
        f"{name}_p": estimate.p,
        f"{name}_df": estimate.df,
    }


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
        shallow = {each.name: getattr(self, each.name) for each in fields(self)}
        shallow["comparisons"] = [each.to_json() for each in self.comparisons]
        value: dict[str, Any] = as_json(shallow)
        return value
