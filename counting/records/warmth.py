"""Warmth that a crop received: temperature sums from the diary's highs and lows."""

from __future__ import annotations

import numpy as np
import pandas as pd

from counting.tables import EVENTS, Schema, check, empty

__all__ = ["BASE_C", "WARMTH", "degree_days", "warmth"]

BASE_C = 10.0
"""Temperature under which a tomato is taken not to develop, degrees Celsius: common practice for
warm-season crops."""
_KNOWN_SHARE = 0.8
"""Share of the days that must have a record; the others take the mean of those (chosen)."""

WARMTH: Schema = {
    "day": "str",  # ISO date
    "low_c": "float64",
    "high_c": "float64",
    "degree_days": "float64",
}
"""One row per day with a record, the mean where a day has several."""


def warmth(diary: pd.DataFrame, base_c: float = BASE_C) -> pd.DataFrame:
    """Return the days for which the diary has a low and a high, with their degree days.

    A day's degree days are the mean of low and high less the base, not under 0.

    Parameters
    ----------
    diary : DataFrame
        Columns `counting.tables.EVENTS`.
    base_c : float
        Degrees Celsius.

    Returns
    -------
    DataFrame
        Columns `WARMTH`, by day.

    References
    ----------
    McMaster & Wilhelm (1997) Agric. For. Meteorol. 87:291-300 (method 1).
    """
    told = check(diary, EVENTS, "diary")
    told = told[told["low_c"].notna() & told["high_c"].notna()]
    if told.empty:
        return empty(WARMTH)
    days = told.assign(day=told["at"].str[:10]).groupby("day", as_index=False)
    means = days[["low_c", "high_c"]].mean().sort_values("day", ignore_index=True)
    middle = (means["low_c"] + means["high_c"]) / 2
    return check(means.assign(degree_days=np.maximum(middle - base_c, 0.0)), WARMTH, "warmth")


def degree_days(days: pd.DataFrame, start: str, end: str) -> float:
    """Return the degree days after `start` up to and with `end`.

    Parameters
    ----------
    days : DataFrame
        Columns `WARMTH`.
    start, end : str
        ISO dates.

    Returns
    -------
    float
        NaN where fewer than four in five of the days have a record.
    """
    span = (pd.Timestamp(end) - pd.Timestamp(start)).days
    inside = days[(days["day"] > start) & (days["day"] <= end)]
    if span <= 0 or len(inside) < _KNOWN_SHARE * span:
        return float("nan")
    return float(inside["degree_days"].mean() * span)
