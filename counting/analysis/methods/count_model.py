"""Models of counts: index of dispersion, negative binomial, quasi-Poisson, extra zeros."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from counting.analysis.estimates import NO_ESTIMATE, Dispersion, Estimate, Zeros
from counting.analysis.methods.design import Design
from counting.analysis.methods.log_linear import Cells, Fit
from counting.analysis.methods.negative_binomial import adjusted_size, likely_size, size_se
from counting.analysis.methods.student import exponentiated, student

__all__ = [
    "CountModel",
    "Variance",
    "dispersion",
    "extra_zeros",
    "fit_counts",
]

Floats = NDArray[np.float64]

Variance = Literal["negative binomial", "mean"]
"""How the variance goes with the mean: mean + mean**2 / k, or a multiple of the mean
(quasi-Poisson)."""

_FEW = 10
"""Degrees of freedom under which nobody can see that counts vary less than chance makes them
(chosen; `tests/simulation.md`)."""
_ROUNDS = 100
_TAIL = 0.025
_ROUNDING = 1e-15
"""A chi-squared smaller than this is the fit's own rounding."""
_FARTHEST = 20.0
"""Log ratio beyond which there is none: the fit runs off to no fruit at all, as where a group
shares with the others only blocks in which it, or they, carry nothing."""


@dataclass(frozen=True, slots=True)
class CountModel:
    """A fitted log-linear model.

    Attributes
    ----------
    method : str
        What was fitted, in words.
    groups : tuple of str
        Those that have a ratio.
    log_ratios : dict of str to float
        Of each group to the control.
    covariance : (g, g) float64
        Of the log ratios, in the order of `groups`.
    likely_covariance : (g, g) float64
        The same with k taken for known, as plain maximum likelihood has it.
    df : float
        Residual degrees of freedom, for Student's t.
    k, k_se : float or None
        Size of the negative binomial by maximum likelihood; None where it is the Poisson.
    k_adjusted : float or None
        Adjusted for the coefficients fitted; the covariance rests on it.
    fitted : (n,) float64
    slope : Estimate
        Of the covariate, where the design has one.
    """

    method: str
    groups: tuple[str, ...]
    log_ratios: dict[str, float]
    covariance: Floats
    likely_covariance: Floats
    df: float
    k: float | None
    k_se: float | None
    k_adjusted: float | None
    fitted: Floats
    slope: Estimate = NO_ESTIMATE

    def ratio(self, group: str, level: float) -> Estimate:
        """Return a group's ratio to the control with Wald's interval on the log scale, by t."""
        return self._ratio(group, level, self.covariance, self.df if self.df >= 1 else 0.0)

    def likely_ratio(self, group: str, level: float) -> Estimate:
        """Return the ratio as plain maximum likelihood has it: by the normal curve, k known."""
        return self._ratio(group, level, self.likely_covariance, math.inf)

    def _ratio(self, group: str, level: float, covariance: Floats, df: float) -> Estimate:
        if group not in self.log_ratios:
            return NO_ESTIMATE
        place = self.groups.index(group)
        se = math.sqrt(max(covariance[place, place], 0.0))
        return exponentiated(student(self.log_ratios[group], se, df, level, self.method))


def dispersion(counts: Floats, exposure: Floats, design: Design, k: float | None) -> Dispersion:
    """Index of dispersion: Pearson's chi-squared of the Poisson model over its df.

    With one group it is the variance over the mean, with several the pooled index within groups,
    with blocks that within groups and blocks. The p is the upper tail of chi-squared.

    References
    ----------
    Fisher (1925) Statistical Methods for Research Workers.
    """
    fitted = Cells.of(counts, exposure, design.matrix).fit(None).fitted
    df = len(counts) - design.matrix.shape[1]
    if df < 1 or not fitted.sum():
        return Dispersion(None, None, None)
    chi2 = _pearson(counts, fitted)
    return Dispersion(chi2 / df, float(stats.chi2.sf(chi2, df)), k, chi2, df)


def _pearson(counts: Floats, fitted: Floats) -> float:
    """Pearson's chi-squared of the Poisson model."""
    live = fitted > 0
    chi2 = float(np.sum((counts[live] - fitted[live]) ** 2 / fitted[live]))
    return chi2 if chi2 > _ROUNDING else 0.0


def fit_counts(
    counts: Floats, exposure: Floats, design: Design, variance: Variance = "negative binomial"
) -> CountModel:
    """Fit the log-linear model of counts.

    The coefficients and k of the negative binomial are of maximum likelihood, found in turn.
    Maximum likelihood takes no account of the coefficients spent on groups and blocks, so that its
    k is too large and too sure of itself; the covariance of the coefficients therefore rests on
    the k of the adjusted profile likelihood. Where that has none, since the counts vary no more
    than chance makes counts vary, and for the quasi-Poisson itself, the covariance is the
    Poisson's times Pearson's chi-squared over n - p, or the Poisson's where nothing varies. Of few
    plots the interval is never narrower than the Poisson's own by the normal curve.
    `tests/simulation.md` shows what that gives.

    Parameters
    ----------
    counts : (n,) float64
    exposure : (n,) float64
        The model is of ``counts / exposure``.
    design : Design
    variance : {"negative binomial", "mean"}

    References
    ----------
    McCullagh & Nelder (1989) Generalized Linear Models, 2nd ed., sec. 6.2, 8.2 and 9.2; Venables &
    Ripley (2002) Modern Applied Statistics with S, sec. 7.4; Cox & Reid (1987) J. R. Statist. Soc.
    B 49:1-39.
    """
    cells = Cells.of(counts, exposure, design.matrix)
    if variance == "mean":
        return _model(cells, counts, design, cells.fit(None), None)
    fit = _likely(cells, counts)
    adjusted = adjusted_size(counts, fit.fitted, lambda k: cells.leverage(fit.fitted, k))
    return _model(cells, counts, design, fit, adjusted)


def _likely(cells: Cells, counts: Floats) -> Fit:
    """Fit coefficients and k in turn; the Poisson where the counts vary no more than it says."""
    fit = cells.fit(None)
    size = likely_size(counts, fit.fitted)
    for _ in range(_ROUNDS):
        if size is None:
            break
        fit = cells.fit(size, start=fit.coefficients)
        fresh = likely_size(counts, fit.fitted)
        if fresh is not None and abs(fresh - size) < 1e-8 * size:
            break
        size = fresh
    return fit


def _model(
    cells: Cells, counts: Floats, design: Design, fit: Fit, adjusted: float | None
) -> CountModel:
    """Gather what was fitted; without an adjusted k the scale is Pearson's."""
    df = len(counts) - design.matrix.shape[1]
    if adjusted is None:
        chi2 = _pearson(counts, fit.fitted)
        # counts without any variation say nothing of chance: then it is the Poisson's
        scale, least = (chi2 / df if chi2 > 0 and df > 0 else 1.0), _least(df)
        method = "quasi-Poisson" if chi2 > 0 and scale >= least else "Poisson"
        variance = fit.fitted * max(scale, least)
    else:
        method = "negative binomial"
        variance = fit.fitted + fit.fitted**2 / adjusted
    likely = fit.fitted + (fit.fitted**2 / fit.size if fit.size else 0.0)
    logs = dict(zip(design.groups, fit.coefficients[1:].tolist(), strict=False))
    logs = {name: log for name, log in logs.items() if abs(log) < _FARTHEST}
    places = [1 + design.groups.index(name) for name in logs]
    covariance = cells.covariance(fit, variance)
    slope = NO_ESTIMATE
    if design.adjusted:
        se = math.sqrt(max(float(covariance[-1, -1]), 0.0))
        slope = student(float(fit.coefficients[-1]), se, float(df), method="slope of the covariate")
    return CountModel(
        method=method,
        groups=tuple(logs),
        log_ratios=logs,
        covariance=covariance[np.ix_(places, places)],
        likely_covariance=cells.covariance(fit, likely)[np.ix_(places, places)],
        df=float(df),
        k=fit.size,
        k_se=size_se(counts, fit.fitted, fit.size) if fit.size else None,
        k_adjusted=adjusted,
        fitted=fit.fitted,
        slope=slope,
    )


def _least(df: int) -> float:
    """Return the scale at which Student's interval is as wide as the Poisson's by the normal curve.

    A few plots that happen to lie close together would else give a ratio more exactly than fruit
    can be counted; of such trials four in ten cry wolf.
    """
    return (
        0.0 if not 1 <= df < _FEW else float((stats.norm.isf(_TAIL) / stats.t.isf(_TAIL, df)) ** 2)
    )


def extra_zeros(counts: Floats, model: CountModel) -> Zeros:
    """Compare the plants without any with the number that the count model expects.

    The p is one-sided, of the normal approximation to the number of zeros.
    """
    if model.k is None:
        chances = np.exp(-model.fitted)
    else:
        chances = (model.k / (model.k + model.fitted)) ** model.k
    observed, expected = int((counts == 0).sum()), float(chances.sum())
    variance = float(np.sum(chances * (1 - chances)))
    if variance <= 0:
        return Zeros(observed, expected, None)
    p = float(stats.norm.sf((observed - 0.5 - expected) / math.sqrt(variance)))
    return Zeros(observed, expected, p)
