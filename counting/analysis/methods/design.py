"""The model matrix of groups and blocks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Design", "design_of"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Design:
    """Model matrix of groups (against the control) and blocks.

    Attributes
    ----------
    matrix : (n, p) float64
        Intercept, one column for each group but the control, then blocks.
    groups : tuple of str
        The groups of columns 1, 2 ...
    blocked : bool
        Whether blocks are in it.
    """

    matrix: Floats
    groups: tuple[str, ...]
    blocked: bool


def design_of(
    group: Sequence[str],
    block: Sequence[str] | None,
    groups: tuple[str, ...],
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
    """
    labels = np.asarray(group, dtype=object)
    present = [name for name in groups if bool((labels == name).any())]
    columns: list[Floats] = [np.ones(len(labels))]
    columns += [_is(labels, name) for name in present[1:]]
    if block is not None:
        places = np.asarray(block, dtype=object)
        columns += [_is(places, name) for name in list(dict.fromkeys(block))[1:]]
    matrix = np.column_stack(columns)
    # whole numbers: the products are exact, and their rank is that of the matrix
    if np.linalg.matrix_rank(matrix.T @ matrix, hermitian=True) < matrix.shape[1]:
        return None
    return Design(matrix, tuple(present[1:]), block is not None)


def _is(labels: NDArray[np.object_], name: str) -> Floats:
    return np.asarray(labels == name, "float64")
