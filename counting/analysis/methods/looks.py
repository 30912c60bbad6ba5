"""Looking at a trial again and again: how often chance alone shows something, and what to do."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

__all__ = ["chance_of_showing", "correlation_of", "obrien_fleming"]

Floats = NDArray[np.float64]

_SEED = 1
"""Of the integration over several looks."""


def chance_of_showing(correlation: Floats, level: float = 0.95) -> float:
    """Return the chance that any of several looks shows a difference where there is none.

    Parameters
    ----------
    correlation : (k, k) float64
        Of the differences at the looks: near 1 where the same fruit hang at each.
    level : float
        Of each look's interval: 0.95 is 95 %.

    References
    ----------
    Armitage, McPherson & Rowe (1969) J. R. Statist. Soc. A 132:235-244.
    """
    k = len(correlation)
    ends = np.full(k, float(stats.norm.ppf((1 + level) / 2)))
    if k == 1:
        return 1 - level
    return 1 - _inside(ends, correlation)


def _inside(ends: Floats, correlation: Floats) -> float:
    looks = stats.multivariate_normal(
        np.zeros(len(ends)), correlation, allow_singular=True, seed=np.random.default_rng(_SEED)
    )
    return float(looks.cdf(ends, lower_limit=-ends))


def correlation_of(residuals: Floats) -> Floats:
    """Return how alike the looks are, from what the units are off their groups at each.

    Parameters
    ----------
    residuals : (n, k) float64
        Of n units at k looks; a look at which nothing varies goes with none.
    """
    off = residuals - residuals.mean(axis=0)
    length = np.sqrt((off**2).sum(axis=0))
    scaled = off / np.where(length > 0, length, 1.0)
    found = scaled.T @ scaled
    np.fill_diagonal(found, 1.0)
    return np.asarray(found)


def obrien_fleming(
    information: Sequence[float], level: float = 0.95, correlation: Floats | None = None
) -> tuple[float, ...]:
    """Return the bounds that z must pass at each look so that all together keep the level.

    Lan and DeMets' spending function of the O'Brien-Fleming kind: to either side ``2 - 2 F(z /
    sqrt(t))`` of the error is spent by the share t of the information, all of it at 1.
    Without a correlation looks are taken to add information as a sum of independent parts does.

    Parameters
    ----------
    information : sequence of float
        Share of all information at each look, rising, at most 1.
    level : float
        Of all looks together: 0.95 is 95 %.
    correlation : (k, k) float64, optional
        Of the differences at the looks, where each look is a count of its own: the same fruit do
        not hang at each, so that with the bounds for sums the error would be 0.06 to 0.07.

    References
    ----------
    O'Brien & Fleming (1979) Biometrics 35:549-556; Lan & DeMets (1983) Biometrika 70:659-663.
    """
    times = np.asarray(information, "float64")
    z = float(stats.norm.isf((1 - level) / 4))
    spent = 4 * stats.norm.sf(z / np.sqrt(times))
    bounds: list[float] = []
    for place in range(len(times)):
        if place == 0:
            bounds.append(float(stats.norm.isf(spent[0] / 2)))
            continue
        upto = times[: place + 1]
        sums = np.sqrt(np.minimum.outer(upto, upto) / np.maximum.outer(upto, upto))
        if correlation is not None:
            sums = correlation[: place + 1, : place + 1]

        def over(bound: float, at: int = place, shape: Floats = sums) -> float:
            return _inside(np.array([*bounds, bound]), shape) - (1 - float(spent[at]))

        bounds.append(float(optimize.brentq(over, 0.5, 10.0, xtol=1e-4)))
    return tuple(bounds)
