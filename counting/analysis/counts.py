"""Models of counts: index of dispersion, negative binomial, quasi-Poisson, extra zeros."""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special, stats

from counting.analysis.design import Design
from counting.analysis.result import Dispersion, Estimate, Zeros

__all__ = [
    "CountModel",
    "Variance",
    "dispersion",
    "extra_zeros",
    "fit_counts",
]

Floats = NDArray[np.float64]

Variance = Literal["negative binomial", "mean", "square"]
"""How the variance goes with the mean: mean + mean**2 / k, a multiple of the mean (quasi-Poisson),
or a multiple of its square (a constant coefficient of variation)."""

_ROUNDS = 100
_LARGEST_K = 1e6
"""Beyond this the negative binomial is the Poisson to six digits of its variance."""


@dataclass(frozen=True, slots=True)
class CountModel:
    """A fitted log-linear model.

    Attributes
    ----------
    method : str
        What was fitted, in words.
    log_ratios : dict of str to float
        Of each group to the control.
    covariance : (g, g) float64
        Of the log ratios, in the order of `groups`.
    df : float
        Residual degrees of freedom, for Student's t.
    dispersion : float
        Pearson chi-squared over residual degrees of freedom.
    k, k_se : float or None
        Size of the negative binomial; None where it is the Poisson.
    fitted : (n,) float64
    """

    method: str
    groups: tuple[str, ...]
    log_ratios: dict[str, float]
    covariance: Floats
    df: float
    dispersion: float
    k: float | None
    k_se: float | None
    fitted: Floats

    def ratio(self, group: str, level: float) -> Estimate:
        """Return a group's ratio to the control with Wald's interval on the log scale."""
        if group not in self.log_ratios or self.df < 1:
            return Estimate(math.exp(self.log_ratios[group]) if group in self.log_ratios else None)
        place = self.groups.index(group)
        value, se = self.log_ratios[group], math.sqrt(max(self.covariance[place, place], 0.0))
        if se == 0:
            return Estimate(math.exp(value), df=self.df)
        half = float(stats.t.ppf((1 + level) / 2, self.df)) * se
        p = float(2 * stats.t.sf(abs(value) / se, self.df))
        return Estimate(
            math.exp(value), math.exp(value - half), math.exp(value + half), p, self.df, se
        )


def dispersion(counts: Floats, exposure: Floats, design: Design, k: float | None) -> Dispersion:
    """Index of dispersion: Pearson's chi-squared of the Poisson model over its df.

    With one group it is the variance over the mean, with several the pooled index within groups,
    with blocks that within groups and blocks. The p is the upper tail of chi-squared.

    References
    ----------
    Fisher (1925) Statistical Methods for Research Workers.
    """
    fitted = _glm(counts, exposure, design.matrix, None).fitted
    df = len(counts) - design.matrix.shape[1]
    if df < 1 or not fitted.sum():
        return Dispersion(None, None, None)
    live = fitted > 0
    chi2 = float(np.sum((counts[live] - fitted[live]) ** 2 / fitted[live]))
    return Dispersion(chi2 / df, float(stats.chi2.sf(chi2, df)), k, chi2, df)


def fit_counts(
    counts: Floats, exposure: Floats, design: Design, variance: Variance = "negative binomial"
) -> CountModel:
    """Fit the log-linear model of counts.

    The negative binomial's k is of maximum likelihood, found in turn with the coefficients; the
    covariance is that of the coefficients at this k, from the expected information. Maximum
    likelihood takes no account of the coefficients spent on blocks, so that k comes out too large;
    with blocks the covariance is therefore multiplied by n / (n - p), as in least squares.

    The quasi-likelihoods multiply the covariance by Pearson's chi-squared over n - p.

    Parameters
    ----------
    counts : (n,) float64
    exposure : (n,) float64
        The model is of ``counts / exposure``.
    design : Design
    variance : {"negative binomial", "mean", "square"}

    References
    ----------
    McCullagh & Nelder (1989) Generalized Linear Models, 2nd ed., sec. 6.2, 8.2 and 9.2; Venables &
    Ripley (2002) Modern Applied Statistics with S, sec. 7.4.
    """
    if variance == "negative binomial":
        return _negative_binomial(counts, exposure, design)
    fit = _glm(counts, exposure, design.matrix, 0.0 if variance == "square" else None)
    df = len(counts) - design.matrix.shape[1]
    scale = _pearson(counts, fit.fitted, fit.fitted if variance == "mean" else fit.fitted**2, df)
    method = "quasi-Poisson" if variance == "mean" else "log-linear, constant variation"
    return _model(method, design, replace(fit, covariance=fit.covariance * scale), scale, None)


def _negative_binomial(counts: Floats, exposure: Floats, design: Design) -> CountModel:
    """Fit coefficients and k in turn; the Poisson where the counts vary no more than it says."""
    n, p = design.matrix.shape
    fit = _glm(counts, exposure, design.matrix, None)
    size = _size(counts, fit.fitted)
    if size is None:
        scale = _pearson(counts, fit.fitted, fit.fitted, n - p)
        return _model("Poisson", design, fit, scale, None)
    for _ in range(_ROUNDS):
        fit = _glm(counts, exposure, design.matrix, size, start=fit.coefficients)
        fresh = _size(counts, fit.fitted)
        if fresh is None or abs(fresh - size) < 1e-9 * size:
            break
        size = fresh
    scale = _pearson(counts, fit.fitted, fit.fitted + fit.fitted**2 / size, n - p)
    if design.blocked and n > p:
        fit = replace(fit, covariance=fit.covariance * n / (n - p))
    size_se = _size_se(counts, fit.fitted, size)
    return replace(_model("negative binomial", design, fit, scale, size), k_se=size_se)


@dataclass(frozen=True, slots=True)
class _Fit:
    coefficients: Floats
    fitted: Floats
    covariance: Floats


def _pearson(counts: Floats, fitted: Floats, variance: Floats, df: int) -> float:
    """Pearson's chi-squared over its degrees of freedom."""
    return float(np.sum((counts - fitted) ** 2 / variance)) / df if df > 0 else math.nan


def _model(method: str, design: Design, fit: _Fit, scale: float, size: float | None) -> CountModel:
    last = 1 + len(design.groups)
    return CountModel(
        method=method,
        groups=design.groups,
        log_ratios={n: float(fit.coefficients[1 + i]) for i, n in enumerate(design.groups)},
        covariance=fit.covariance[1:last, 1:last],
        df=float(len(fit.fitted) - design.matrix.shape[1]),
        dispersion=scale,
        k=size,
        k_se=None,
        fitted=fit.fitted,
    )


def _glm(
    counts: Floats,
    exposure: Floats,
    matrix: Floats,
    size: float | None,
    *,
    start: Floats | None = None,
) -> _Fit:
    """Fit a log-linear model with a variance of the mean (None), mean**2 (0) or negative binomial.

    The covariance is for a scale of 1.
    """
    from statsmodels.genmod import families
    from statsmodels.genmod.generalized_linear_model import GLM

    if size is None:
        family = families.Poisson()
    elif size == 0:
        family = families.Gamma(families.links.Log())
    else:
        family = families.NegativeBinomial(alpha=1 / size)
    # plants of one cell enter by their mean alone, which is quicker and gives the same fit
    cells, place, size_of = np.unique(
        np.column_stack([matrix, exposure]), axis=0, return_inverse=True, return_counts=True
    )
    model = GLM(
        np.bincount(place.ravel(), counts) / size_of,
        cells[:, :-1],
        family=family,
        offset=np.log(cells[:, -1]),
        var_weights=size_of,
    )
    with warnings.catch_warnings():
        # a fit that ends without converging shows in its own figures
        warnings.simplefilter("ignore")
        fit = model.fit(start_params=start, tol=1e-12, scale=1.0)
    return _Fit(
        np.asarray(fit.params, "float64"),
        np.asarray(fit.fittedvalues, "float64")[place.ravel()],
        np.asarray(fit.cov_params(), "float64"),
    )


def _size(counts: Floats, fitted: Floats) -> float | None:
    """Return the size k of maximum likelihood for given fitted values; None for the Poisson."""

    def score(log_k: float) -> float:
        return _score(counts, fitted, math.exp(log_k))

    # towards the Poisson the score's sign is that of the excess of variance
    if float(np.sum((counts - fitted) ** 2 - counts)) <= 0:
        return None
    low, high = math.log(1e-6), math.log(_LARGEST_K)
    if score(high) >= 0:
        return None
    if score(low) <= 0:
        return math.exp(low)
    return math.exp(float(optimize.brentq(score, low, high, xtol=1e-13)))


def _score(counts: Floats, fitted: Floats, k: float) -> float:
    """Derivative of the negative binomial's log-likelihood by k."""
    terms = (
        special.digamma(counts + k)
        - special.digamma(k)
        + np.log(k / (k + fitted))
        + 1
        - (counts + k) / (k + fitted)
    )
    return float(np.sum(terms))


def _size_se(counts: Floats, fitted: Floats, k: float) -> float | None:
    """Standard error of k from the observed information."""
    information = -float(
        np.sum(
            special.polygamma(1, counts + k)
            - special.polygamma(1, k)
            + 1 / k
            - 2 / (k + fitted)
            + (counts + k) / (k + fitted) ** 2
        )
    )
    return 1 / math.sqrt(information) if information > 0 else None


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
