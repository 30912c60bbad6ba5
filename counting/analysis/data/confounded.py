"""What went along with the groups and cannot be told from them: who counted, and when."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

__all__ = ["confounded"]


def confounded(rows: pd.DataFrame) -> list[str]:
    """Say where the groups were counted by different people or on different days.

    Parameters
    ----------
    rows : DataFrame
        ``group, source, at`` (text) and ``by``, a tuple of the people it rests on.
        The time of a photo count is that of its review and says nothing of the plants.
    """
    said = []
    people = {
        name: {one for names in each for one in names} for name, each in rows.groupby("group")["by"]
    }
    if _apart(people):
        said.append(
            "No one counted all groups: a difference between counters cannot be told from one "
            "between groups."
        )
    hand = rows[rows["source"] != "photo"]
    days = {
        name: {text[:10] for text in each if text} for name, each in hand.groupby("group")["at"]
    }
    if _apart(days):
        said.append(
            "The groups were counted on different days: growth cannot be told from a difference "
            "between groups."
        )
    return said


def _apart(named: Mapping[Any, set[str]]) -> bool:
    """Whether every group has a name and no name occurs in all of them."""
    sets = list(named.values())
    return len(sets) > 1 and all(sets) and not set.intersection(*sets)
