"""Estimates of several trials put together: random effects."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

from counting.analysis.estimates import Estimate
from counting.analysis.methods.student import student

__all__ = ["BESIDE", "Between", "Pooled", "pool"]

Floats = NDArray[np.float64]
Between = Literal["Paule and Mandel", "DerSimonian and Laird", "REML"]
"""How the variance between trials is estimated."""
BESIDE: tuple[Between, ...] = ("REML", "DerSimonian and Laird")
"""Beside the answer, which is by Paule and Mandel, for comparison with published fits."""


@dataclass(frozen=True, slots=True)
class Pooled:
    """What several trials say together.

    Attributes
    ----------
    mean : Estimate
        Of the trials' mean, by Hartung and Knapp: Student's t with trials - 1.
    tau2 : float
        Variance between trials.
    q, q_p : float
        Cochran's Q on trials - 1 degrees of freedom, and its upper tail.
    i2 : float
        Share of the variation that is between trials, in percent (Higgins & Thompson 2002).
    prediction_low, prediction_high : float
        Where a next trial's true value is to be expected, by the same t.
    wald : Estimate
        Of the trials' mean as if the variance between them were known, by the normal curve; for
        comparison with published fits.
    """

    mean: Estimate
    tau2: float
    q: float
    q_p: float
    i2: float
    prediction_low: float
    prediction_high: float
    wald: Estimate


def pool(
    values: Floats, variances: Floats, level: float = 0.95, between: Between = "Paule and Mandel"
) -> Pooled:
    """Put the estimates of several trials together as of a sample of places and seasons.

    Assumes that the trials are independent and their variances known well enough.

    Parameters
    ----------
    values, variances : (k,) float64
        Estimates (of ratios the logarithm) and their squared standard errors; k at least 2.
    level : float
        Of the intervals: 0.95 is 95 %.
    between : {"Paule and Mandel", "DerSimonian and Laird", "REML"}

    References
    ----------
    Paule & Mandel (1982) J. Res. Nat. Bur. Stand. 87:377-385; DerSimonian & Laird (1986) Contr.
    Clin. Trials 7:177-188; Viechtbauer (2005) J. Educ. Behav. Statist. 30:261-293 (REML); Hartung &
    Knapp (2001) Statist. Med. 20:3875-3889; Higgins, Thompson & Spiegelhalter (2009) J. R. Statist.
    Soc. A 172:137-159 (prediction).
    """
    k = len(values)
    fixed = 1 / variances
    q = _q(values, variances, 0.0)
    tau2 = {
        "Paule and Mandel": _paule_mandel,
        "DerSimonian and Laird": _dersimonian_laird,
        "REML": _reml,
    }[between](values, variances)
    weight = 1 / (variances + tau2)
    mean = float(weight @ values / weight.sum())
    se = math.sqrt(float(weight @ (values - mean) ** 2) / (k - 1) / float(weight.sum()))
    method = f"random effects ({between}; Hartung and Knapp)"
    found = student(mean, se, k - 1, level, method)
    typical = (k - 1) * fixed.sum() / (fixed.sum() ** 2 - float(fixed @ fixed))
    reach = float(stats.t.ppf((1 + level) / 2, k - 1)) * math.sqrt(tau2 + se**2)
    return Pooled(
        mean=found,
        tau2=tau2,
        q=q,
        q_p=float(stats.chi2.sf(q, k - 1)),
        i2=100 * tau2 / (tau2 + typical),
        prediction_low=mean - reach,
        prediction_high=mean + reach,
        wald=student(mean, 1 / math.sqrt(float(weight.sum())), math.inf, level),
    )


def _q(values: Floats, variances: Floats, tau2: float) -> float:
    """Weighted squares about the weighted mean."""
    weight = 1 / (variances + tau2)
    return float(weight @ (values - weight @ values / weight.sum()) ** 2)


def _paule_mandel(values: Floats, variances: Floats) -> float:
    df = len(values) - 1
    return _root(lambda tau2: _q(values, variances, tau2) - df, variances, values)


def _dersimonian_laird(values: Floats, variances: Floats) -> float:
    fixed = 1 / variances
    scale = fixed.sum() - float(fixed @ fixed) / fixed.sum()
    return max(0.0, float((_q(values, variances, 0.0) - len(values) + 1) / scale))


def _reml(values: Floats, variances: Floats) -> float:
    """Root of the derivative of the restricted likelihood."""

    def score(tau2: float) -> float:
        weight = 1 / (variances + tau2)
        mean = weight @ values / weight.sum()
        squares = float(weight**2 @ (values - mean) ** 2)
        return squares - float(weight.sum()) + float(weight @ weight / weight.sum())

    return _root(score, variances, values)


def _root(score: object, variances: Floats, values: Floats) -> float:
    """Return where a falling function of the variance between is 0; 0 where it starts below."""
    if not callable(score) or score(0.0) <= 0:
        return 0.0
    high = float(variances.max() + values.var()) + 1e-12
    while score(high) > 0:
        high *= 2
    return float(optimize.brentq(score, 0.0, high, xtol=1e-12))
