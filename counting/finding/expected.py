"""How many fruit a photo shows: the expected count and its interval, from the probabilities."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

__all__ = ["Spread", "distribution", "expected_count", "widened"]

Array = NDArray[np.float64]

_LEVEL = 0.90
_NODES = 15  # quantiles of the photo's own shift; 15 give the tails of a 90 % interval
_SHIFTS = special.ndtri((np.arange(_NODES) + 0.5) / _NODES)


@dataclass(frozen=True, slots=True)
class Spread:
    """How far counts of whole photos stray from the sum of the probabilities.

    Attributes
    ----------
    shift_sd : float
        Standard deviation, over photos, of a shift common to the log-odds of all candidates of a
        photo: light, distance and plant make all of them easier or harder.
    missed : float
        Fruit that no candidate shows, per fruit expected among the candidates.
    strange : float
        Standard deviation of a factor common to all photos of a place (on its logarithm): how far
        the finder may be off in one that it never saw. 0 where its own reviewed photos tell.
    """

    shift_sd: float
    missed: float
    strange: float = 0.0


def expected_count(confidence: Array, spread: Spread) -> tuple[float, int, int]:
    """Return the expected number of fruit and the ends of its 90 % interval.

    Given the photo's shift, the fruit among the candidates are Poisson-binomial and the missed
    ones Poisson; the shift is normal.

    Parameters
    ----------
    confidence : (N,) ndarray of float
        Probability of each candidate.
    spread : Spread
        How far photos stray.

    Returns
    -------
    count : float
        Expected number.
    low, high : int
        5 % and 95 % quantiles.
    """
    if not len(confidence):
        return 0.0, 0, 0
    chances = distribution(confidence, spread)
    numbers = np.arange(len(chances))
    reached = np.cumsum(chances)
    low = int(np.searchsorted(reached, (1 - _LEVEL) / 2))
    high = int(np.searchsorted(reached, (1 + _LEVEL) / 2))
    count, high = float(chances @ numbers), min(high, len(chances) - 1)
    return count, *widened(count, low, high, spread.strange)


def widened(count: float, low: int, high: int, strange: float) -> tuple[int, int]:
    """Widen an interval for a place never seen: independent errors add up in squares."""
    reach = float(special.ndtri((1 + _LEVEL) / 2)) * strange * count
    if not reach:
        return low, high
    return (
        max(0, round(count - math.hypot(max(count - low, 0), reach))),
        round(count + math.hypot(max(high - count, 0), reach)),
    )


def distribution(confidence: Array, spread: Spread) -> Array:
    """Return the probability of 0, 1, 2 ... fruit in the photo; see `expected_count`."""
    odds = special.logit(np.minimum(confidence, 1 - 1e-9))
    shifted = special.expit(odds + spread.shift_sd * _SHIFTS[:, None])
    most = len(confidence)
    chances = np.zeros((_NODES, 2 * most + 12))
    chances[:, 0] = 1
    for number in range(most):
        one = shifted[:, number, None]
        moved = chances[:, : number + 1] * one
        chances[:, : number + 1] *= 1 - one
        chances[:, 1 : number + 2] += moved
    beyond = np.arange(chances.shape[1])
    mean = np.maximum(spread.missed * shifted.sum(axis=1, keepdims=True), 1e-12)
    hidden = np.exp(beyond * np.log(mean) - mean - special.gammaln(beyond + 1))
    both = [np.convolve(*pair)[: chances.shape[1]] for pair in zip(chances, hidden, strict=True)]
    total = np.sum(both, axis=0)
    return np.asarray(total / total.sum())
