"""What a comparison says: frozen values that write themselves as JSON without NaN."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, fields, is_dataclass, replace
from typing import Any, Literal

from counting.analysis.estimates import (
    NO_ESTIMATE,
    Cluster,
    Dispersion,
    Estimate,
    GroupSummary,
    PlantSummary,
    Randomisation,
    ShareDifference,
    Trend,
    Zeros,
)

__all__ = [
    "Adjustment",
    "Basis",
    "Comparison",
    "Contrast",
    "Covariate",
    "GroupSummary",
    "Missing",
    "PlantSummary",
    "Verdict",
    "as_json",
]

Verdict = Literal[
    "more", "fewer", "no difference that matters", "could not tell", "unfinished", "not judged"
]
Adjustment = Literal["Dunnett", "Steel", "Holm", "none"]


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


Basis = Literal["ratio", "within blocks", "difference", "superiority", "lots", "true counts"]
"""On which estimate of a contrast the answer rests."""


@dataclass(frozen=True, slots=True)
class Contrast:
    """One group against the control.

    Attributes
    ----------
    group, control : str
    basis : {"ratio", "within blocks", "difference", "superiority", "lots", "true counts"}
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
        Chance that a unit of the group lies above one of the control, ties counted half; of
        grades in blocks where the layout allows it one of the same block.
    adjustment : {"Dunnett", "Steel", "Holm", "none"}
        How the adjusted p values were adjusted.
    detectable : float or None
        Difference, as a share of the control, that the trial could have found.
    unadjusted : Estimate or None
        What the headline would be without the values from before the treatment.
    true_counts : Estimate or None
        Ratio of true counts, where hand counts of the same plants tell it.
    common_variance_p : float or None
        The difference's p as Dunnett (1955) has it, with one variance for all groups; for
        comparison with published tables.
    lots_adjusted : float or None
        The p of the lots, adjusted for the number of groups.
    p_holm : float or None
        The headline's p among those of all further measures, by Holm.
    verdict : str
        What the trial says of the two groups.
    rests_on : str
        The single unit without which it would not, where there is one.
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
    unadjusted: Estimate | None = None
    true_counts: Estimate | None = None
    common_variance_p: float | None = None
    lots_adjusted: float | None = None
    p_holm: float | None = None
    verdict: Verdict = "could not tell"
    rests_on: str = ""
    sentence: str = ""

    def headline(self) -> Estimate:
        """Return the estimate on which the answer rests, named before any count is seen."""
        lots = Estimate(
            self.difference.value,
            p=self.randomisation.p,
            method="difference of means, its p by the lots drawn again",
            p_adjusted=self.lots_adjusted,
        )
        return {
            "ratio": self.ratio,
            "within blocks": self.within_blocks,
            "difference": self.difference,
            "superiority": self.superiority,
            "lots": lots,
            "true counts": self.true_counts or NO_ESTIMATE,
        }[self.basis]

    def held_within_blocks(self) -> bool:
        """Whether the chance of lying higher is that of pairs of one block."""
        return "within blocks" in (self.superiority.method or "")

    def told(self) -> Estimate:
        """Return the headline as it is said: of several groups with the interval of all together.

        It is this interval that agrees with `p_told`.
        """
        best = self.headline()
        if best.low_joint is None or best.high_joint is None:
            return best
        return replace(best, low=best.low_joint, high=best.high_joint)

    def neutral(self) -> float:
        """Return what the headline is where the groups are alike."""
        return {"ratio": 1.0, "true counts": 1.0, "superiority": 0.5}.get(self.basis, 0.0)

    def p_told(self) -> float | None:
        """Return the headline's p, adjusted where it is one of several; none of what is a part."""
        if self.verdict == "not judged":
            return None
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
            "difference_se": self.difference.se,
            **_flat("ratio", self.ratio),
            "ratio_method": self.ratio.method,
            "randomisation_p": self.randomisation.p,
            "shift": self.shift.value,
            "shift_low": self.shift.low,
            "shift_high": self.shift.high,
            "p_adjusted": self._p_adjusted(),
            "adjustment": self.adjustment,
            "difference_p_adjusted": self.mean_difference().p_adjusted,
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
            "unadjusted": self.unadjusted and self.unadjusted.to_json(),
            "true_counts": self.true_counts and self.true_counts.to_json(),
            "headline": self._headline(),
            "sentence": self.sentence,
        }

    def _p_adjusted(self) -> float | None:
        """Holm's or, of several groups, Dunnett's own of the difference; of a single group its own.

        Dunnett's has one variance for all groups, as published tables do; what the answer rests
        on is `p_told`.
        """
        if self.p_holm is not None or self.basis in {"superiority", "lots"}:
            return self.p_told()
        if self.adjustment == "Dunnett":
            return self.common_variance_p
        of_counts = self.basis in {"ratio", "true counts"}
        return self.difference.p if of_counts else self.headline().p

    def _headline(self) -> dict[str, Any]:
        best = self.headline()
        return {
            "estimate": best.value,
            "low": best.low,
            "high": best.high,
            "low_joint": best.low if best.low_joint is None else best.low_joint,
            "high_joint": best.high if best.high_joint is None else best.high_joint,
            "p": best.p,
            "p_adjusted": self.p_told(),
            "se": best.se,
            "df": best.df,
            "method": best.method,
            "verdict": self.verdict,
        }

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
class Covariate:
    """What the comparison allows for: a record of the same plants from before the treatment.

    Attributes
    ----------
    slope, se : float or None
        In the count model of the logarithm on that of a count, else per unit of the measure.
    """

    measure: str
    survey: str | None
    slope: float | None
    se: float | None


@dataclass(frozen=True, slots=True)
class Missing:
    """Plants of a group that should have a value at the survey and have none yet."""

    group: str
    plants: int


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
        False where nothing can be tested: each group has a single plot (block), or `untested`.
    groups : tuple of GroupSummary
        The control first.
    comparisons : tuple of Contrast
        Every other group against the control.
    cautions : tuple of str
        What the reader must know before believing the sentence, most weighty first.
    sentence : str
        The answer in plain words.
    smallest_difference : float or None
        The smallest difference worth having, as a share of the control's mean.
    untested : str
        Why rows cannot be taken for units, where they cannot; else empty.
    complete : bool
        Whether every plant has its value, or is left out with a reason.
    missing : tuple of Missing
        How many plants of each group have none yet.
    not_before : str or None
        The survey that the plan lets decide.
    covariate : Covariate or None
        What the answer allows for.
    trend : Trend or None
        Over doses, where groups have amounts.
    course : str or None
        How the surveys were brought to one value for each plant.
    part_of : str or None
        The measure told beside it that it is a part of; then it gets no verdict of its own.
    log_covariance : tuple of tuple of float
        Of the logarithms of the ratios, in the order of the contrasts that have one with an error;
        not written as JSON.
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
    smallest_difference: float | None = None
    untested: str = ""
    complete: bool = True
    missing: tuple[Missing, ...] = ()
    not_before: str | None = None
    covariate: Covariate | None = None
    trend: Trend | None = None
    course: str | None = None
    part_of: str | None = None
    log_covariance: tuple[tuple[float, ...], ...] = ()

    def finished(self) -> bool:
        """Whether the survey is whole and is the one that the plan lets decide, or a later one."""
        early = self.not_before and self.survey and self.survey < self.not_before
        return self.complete and not early

    def to_json(self) -> dict[str, Any]:
        """Return the comparison as JSON values; what cannot be computed is None, never NaN."""
        shallow = {each.name: getattr(self, each.name) for each in fields(self)}
        del shallow["log_covariance"]
        shallow["comparisons"] = [each.to_json() for each in self.comparisons]
        value: dict[str, Any] = as_json(shallow)
        return value
