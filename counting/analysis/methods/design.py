"""The model matrix of groups and blocks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Design", "design_of", "trend_of"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Design:
    """Model matrix of groups (against the control) and blocks.

    Attributes
    ----------
    matrix : (n, p) float64
        Intercept, one column for each group but the control, then blocks, then a covariate.
    groups : tuple of str
        The groups of columns 1, 2 ...
    blocked : bool
        Whether blocks are in it.
    adjusted : bool
        Whether the last column is a covariate.
    """

    matrix: Floats
    groups: tuple[str, ...]
    blocked: bool
    adjusted: bool = False


def design_of(
    group: Sequence[str],
    block: Sequence[str] | None,
    groups: tuple[str, ...],
    covariate: Floats | None = None,
    across: Sequence[str] | None = None,
) -> Design | None:
    """Return the model matrix, or None where blocks and groups cannot be told apart.

    Parameters
    ----------
    group : sequence of str
        Of each unit.
    block : sequence of str or None
        Of each unit; None: blocks have no columns.
    groups : tuple of str
        The control first; those without a unit are left out.
    covariate : (n,) float64, optional
        Of each unit, known before the treatment; it is centred.
    across : sequence of str, optional
        Second strata of each unit, crossed with the blocks: the columns of a Latin square.
    """
    labels = np.asarray(group, dtype=object)
    present = [name for name in groups if bool((labels == name).any())]
    columns: list[Floats] = [np.ones(len(labels))]
    columns += [_is(labels, name) for name in present[1:]]
    if block is not None:
        places = np.asarray(block, dtype=object)
        columns += [_is(places, name) for name in list(dict.fromkeys(block))[1:]]
    if across is not None:
        places = np.asarray(across, dtype=object)
        columns += [_is(places, name) for name in list(dict.fromkeys(across))[1:]]
    if covariate is not None:
        centred = covariate - covariate.mean()
        columns.append(centred / (np.abs(centred).max() or 1.0))
    matrix = np.column_stack(columns)
    # whole numbers: the products are exact, and their rank is that of the matrix
    if np.linalg.matrix_rank(matrix.T @ matrix, hermitian=True) < matrix.shape[1]:
        return None
    if covariate is not None:  # the rank is better seen of columns alike in size
        matrix[:, -1] = covariate - covariate.mean()
    return Design(matrix, tuple(present[1:]), block is not None, covariate is not None)


def trend_of(
    dose: Floats, block: Sequence[str] | None, covariate: Floats | None = None
) -> Design | None:
    """Return the model matrix of a trend over doses, or None where it cannot be told from blocks.

    Parameters
    ----------
    dose : (n,) float64
        Of each unit; its column is called ``dose``.
    block : sequence of str or None
        Of each unit; None: blocks have no columns.
    covariate : (n,) float64, optional
        Of each unit, known before the treatment.
    """
    bare = design_of(["all"] * len(dose), block, ("all",), covariate)
    if bare is None or np.ptp(dose) == 0:
        return None
    centred = dose - dose.mean()
    matrix = np.insert(bare.matrix, 1, centred, axis=1)
    scaled = matrix / np.abs(matrix).max(axis=0)
    if np.linalg.matrix_rank(scaled) < matrix.shape[1]:
        return None
    return Design(matrix, ("dose",), bare.blocked, bare.adjusted)


def _is(labels: NDArray[np.object_], name: str) -> Floats:
    return np.asarray(labels == name, "float64")
