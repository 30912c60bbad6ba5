"""How alike the plants of one plot are."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from counting.analysis.estimates import Cluster

__all__ = ["intraclass"]

Floats = NDArray[np.float64]


def intraclass(values: Floats, plot: NDArray[np.int64], strata: tuple[Floats, ...]) -> Cluster:
    """Intraclass correlation of plants in a plot, within groups and blocks, and its design effect.

    By analysis of variance, ``(B - W) / (B + (m - 1) W)`` with B and W the mean squares between
    and within plots and m the plants per plot (for unequal plots Fisher's adjusted mean); kept
    at 0 or more. Design effect ``1 + (m - 1) icc`` (Kish 1965, Survey Sampling).

    Parameters
    ----------
    values : (n,) float64
        One per plant.
    plot : (n,) int64
        Number of each plant's plot, from 0.
    strata : tuple of (p,) array
        Labels of each plot: its group and, where they are strata, its block.
    """
    size = np.bincount(plot).astype("float64")
    if len(size) == 0:
        return Cluster(None, None, None)
    m = float(size.mean())
    nothing = Cluster(None, None, m)
    mean = np.bincount(plot, values) / size
    design = np.column_stack([labels[:, None] == np.unique(labels) for labels in strata])
    design = design.astype("float64")
    between_df = len(size) - int(np.linalg.matrix_rank(design))
    within_df = int(size.sum()) - len(size)
    if between_df < 1 or within_df < 1:
        return nothing
    root = np.sqrt(size)
    fitted = design @ np.linalg.lstsq(design * root[:, None], mean * root, rcond=None)[0]
    between = float(np.sum(size * (mean - fitted) ** 2)) / between_df
    within = float(np.sum((values - mean[plot]) ** 2)) / within_df
    adjusted = (size.sum() - np.sum(size**2) / size.sum()) / max(len(size) - 1, 1)
    m0 = float(adjusted) if len(size) > 1 else m
    below = between + (m0 - 1) * within
    if below <= 0:
        return nothing
    icc = max(0.0, (between - within) / below)
    return Cluster(icc, 1 + (m - 1) * icc, m)
