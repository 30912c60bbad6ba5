"""The model matrix of groups and blocks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
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


def design_of(table: pd.DataFrame, groups: tuple[str, ...], blocked: bool) -> Design | None:
    """Return the model matrix, or None where blocks and groups cannot be told apart.

    Parameters
    ----------
    table : DataFrame
        Columns ``group`` and ``block``.
    groups : tuple of str
        The control first; those without a line are left out.
    blocked : bool
        Whether blocks have columns too.
    """
    present = [name for name in groups if (table["group"] == name).any()]
    columns: list[Floats] = [np.ones(len(table))]
    columns += [_is(table["group"], name) for name in present[1:]]
    if blocked:
        names = list(dict.fromkeys(table["block"]))
        columns += [_is(table["block"], name) for name in names[1:]]
    matrix = np.column_stack(columns)
    # whole numbers: the products are exact, and their rank is that of the matrix
    if np.linalg.matrix_rank(matrix.T @ matrix, hermitian=True) < matrix.shape[1]:
        return None
    return Design(matrix, tuple(present[1:]), blocked)


def _is(column: pd.Series, name: str) -> Floats:
    return np.asarray(column == name, "float64")
