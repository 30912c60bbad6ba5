"""Completed tables put together by Rubin's rules."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from counting.analysis.estimates import NO_ESTIMATE, Estimate
from counting.analysis.methods.student import student

__all__ = ["pooled"]


def pooled(estimates: Sequence[Estimate], level: float = 0.95) -> Estimate:
    """Put the estimates of completed tables together; nothing where one of them is missing.

    Parameters
    ----------
    estimates : sequence of Estimate
        One of each completed table, with standard error and degrees of freedom.
    level : float
        Of the interval: 0.95 is 95 %.

    References
    ----------
    Rubin (1987) Multiple Imputation for Nonresponse in Surveys, ch. 3; degrees of freedom of
    Barnard & Rubin (1999) Biometrika 86:948-955.
    """
    known = [
        (each.value, each.se, each.df)
        for each in estimates
        if each.value is not None and each.se is not None and each.df
    ]
    m = len(known)
    if m < len(estimates) or not m:
        return NO_ESTIMATE
    values = np.array([value for value, _, _ in known])
    inside = float(np.mean([se**2 for _, se, _ in known]))
    between = float(values.var(ddof=1)) * (1 + 1 / m)
    total = inside + between
    complete = float(np.mean([df for _, _, df in known]))
    df = complete
    if between > 0:
        share = between / total
        observed = (complete + 1) / (complete + 3) * complete * (1 - share)
        df = 1 / (share**2 / (m - 1) + 1 / observed) if observed > 0 else complete
    return student(float(values.mean()), math.sqrt(total), df, level)
