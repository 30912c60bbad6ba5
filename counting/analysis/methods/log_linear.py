"""The log-linear model of counts for a given variance: fit, covariance, leverage.

The fit is that of statsmodels' generalised linear models (a test holds both together) in a
twentieth of the time, which imputations and simulated trials need.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Cells", "Fit"]

Floats = NDArray[np.float64]

_ROUNDS = 100
_LONGEST = 3.0
"""Longest step of a coefficient in one round, so that a poor start does not run away."""
_CLOSE = 1e-10


@dataclass(frozen=True, slots=True)
class Fit:
    """Coefficients, and the counts expected of every plant.

    Attributes
    ----------
    coefficients : (p,) float64
    fitted : (n,) float64
    size : float or None
        The negative binomial's k that it was fitted with; None for the Poisson.
    """

    coefficients: Floats
    fitted: Floats
    size: float | None


@dataclass(frozen=True, slots=True)
class Cells:
    """Plants of one group, block and exposure enter the fit by their mean; the result is the same.

    Attributes
    ----------
    matrix : (c, p) float64
        Model matrix.
    exposure, plants, mean : (c,) float64
        Exposure, number and mean count of the plants of each cell.
    place : (n,) int64
        Cell of each plant.
    """

    matrix: Floats
    exposure: Floats
    plants: Floats
    mean: Floats
    place: NDArray[np.int64]

    @classmethod
    def of(cls, counts: Floats, exposure: Floats, matrix: Floats) -> Cells:
        """Gather the plants.

        Parameters
        ----------
        counts, exposure : (n,) float64
        matrix : (n, p) float64
        """
        rows = np.column_stack([matrix, exposure])
        kinds, place, plants = np.unique(rows, axis=0, return_inverse=True, return_counts=True)
        place = place.ravel()
        mean = np.bincount(place, counts) / plants
        return cls(kinds[:, :-1], kinds[:, -1], plants.astype("float64"), mean, place)

    def fit(self, size: float | None, start: Floats | None = None) -> Fit:
        """Fit the Poisson model (size None), or the negative binomial of that size, by scoring.

        Where a group or block has no finite level the coefficients stop far out.

        References
        ----------
        McCullagh & Nelder (1989) Generalized Linear Models, 2nd ed., sec. 2.5.
        """
        offset = np.log(self.exposure)
        level = np.log(self.mean + 0.5) - offset
        coefficients = np.linalg.lstsq(self.matrix, level)[0] if start is None else start
        for _ in range(_ROUNDS):
            fitted = np.exp(self.matrix @ coefficients + offset)
            root = np.sqrt(self.plants * _weight(fitted, size))
            off = root * (self.mean - fitted) / fitted
            step = np.linalg.lstsq(root[:, None] * self.matrix, off)[0]
            longest = float(np.abs(step).max())
            coefficients = coefficients + step * min(1.0, _LONGEST / max(longest, _LONGEST))
            if longest < _CLOSE:
                break
        fitted = np.exp(self.matrix @ coefficients + offset)
        return Fit(coefficients, fitted[self.place], size)

    def covariance(self, fit: Fit, variance: Floats) -> Floats:
        """Covariance of the coefficients where the counts have this variance.

        Parameters
        ----------
        fit : Fit
        variance : (n,) float64
            Of each plant's count, which may be another than the fit's own.

        References
        ----------
        McCullagh & Nelder (1989) Generalized Linear Models, 2nd ed., sec. 9.3 (of an estimating
        equation).
        """
        weight = _weight(fit.fitted, fit.size)
        bread = np.linalg.pinv(self._crossed(weight), hermitian=True)
        meat = self._crossed((weight / fit.fitted) ** 2 * variance)
        return np.asarray(bread @ meat @ bread, "float64")

    def leverage(self, fitted: Floats, size: float | None) -> Floats:
        """Return each plant's share of a coefficient, in all as many as there are coefficients.

        Parameters
        ----------
        fitted : (n,) float64
        size : float or None
            Of the negative binomial.
        """
        if self.matrix.shape[0] == self.matrix.shape[1]:
            # every cell has a coefficient of its own, which it determines alone
            return np.asarray(1 / self.plants, "float64")[self.place]
        weight = np.bincount(self.place, _weight(fitted, size))
        base = np.linalg.qr(np.sqrt(weight)[:, None] * self.matrix)[0]
        return np.asarray(np.sum(base**2, axis=1) / self.plants, "float64")[self.place]

    def _crossed(self, weight: Floats) -> Floats:
        """Sums of squares and products of the columns, weighted plant by plant."""
        return (self.matrix.T * np.bincount(self.place, weight)) @ self.matrix


def _weight(fitted: Floats, size: float | None) -> Floats:
    """Fisher's information of a count on the log of its mean."""
    return fitted / (1 + fitted / size) if size else fitted
