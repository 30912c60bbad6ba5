"""The negative binomial's size k: of maximum likelihood, and adjusted for what was fitted."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

__all__ = ["Leverage", "adjusted_size", "likely_size", "size_se"]

Floats = NDArray[np.float64]
Leverage = Callable[[float | None], Floats]
"""Of a size (None: the Poisson) the leverage of each plant."""

_WIDEN = 2.0
_SMALLEST_K, _LARGEST_K = 1e-6, 1e6
"""Beyond the largest the negative binomial is the Poisson to six digits of its variance."""


def likely_size(counts: Floats, fitted: Floats) -> float | None:
    """Return the k of maximum likelihood for given fitted values; None for the Poisson.

    Parameters
    ----------
    counts, fitted : (n,) float64
    """
    # towards the Poisson the score's sign is that of the excess of variance
    excess = float(np.sum((counts - fitted) ** 2 - counts))
    return _root(lambda k: _score(counts, fitted, k), fitted, excess)


def adjusted_size(counts: Floats, fitted: Floats, leverage: Leverage) -> float | None:
    """Return the k of the profile likelihood adjusted for the coefficients; None for the Poisson.

    The adjusted likelihood is the likelihood less half the log determinant of the coefficients'
    information: without that k takes the fitted values for the true ones.

    Parameters
    ----------
    counts, fitted : (n,) float64
    leverage : callable
        See `counting.analysis.methods.log_linear.Cells.leverage`.

    References
    ----------
    Cox & Reid (1987) J. R. Statist. Soc. B 49:1-39; for counts McCarthy, Chen & Smyth (2012)
    Nucleic Acids Res. 40:4288-4297.
    """

    def score(k: float) -> float:
        # derivative by k of the log determinant
        spent = float(np.sum(leverage(k) * fitted / (k * (k + fitted))))
        return _score(counts, fitted, k) - spent / 2

    excess = float(np.sum((counts - fitted) ** 2 - counts + leverage(None) * fitted))
    return _root(score, fitted, excess)


def _root(score: Callable[[float], float], fitted: Floats, excess: float) -> float | None:
    """Return where the score, falling with k, is 0; None where the counts have no excess."""
    squared = float(np.sum(fitted**2))
    if excess * _LARGEST_K <= squared:
        return None
    low = high = squared / excess  # the size by moments
    while score(low) <= 0:
        low /= _WIDEN
        if low < _SMALLEST_K:
            return _SMALLEST_K
    while score(high) >= 0:
        high *= _WIDEN
        if high > _LARGEST_K:
            return None
    ends = (math.log(low), math.log(high))
    found = optimize.brentq(lambda log_k: score(math.exp(log_k)), *ends, xtol=1e-10)
    return math.exp(float(found))


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


def size_se(counts: Floats, fitted: Floats, k: float) -> float | None:
    """Return the standard error of the k of maximum likelihood, from the observed information.

    Parameters
    ----------
    counts, fitted : (n,) float64
    k : float
    """
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
