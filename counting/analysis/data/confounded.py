"""What went along with the groups and cannot be told from them: who counted, when, what is lost."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

__all__ = ["confounded", "lost_unevenly"]

_UNEVEN = 0.1
"""Shares of the groups' plants that are lost and differ by more than this are spoken of; chosen."""


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


def lost_unevenly(lost: Mapping[str, int], of: Mapping[str, int]) -> str:
    """Return what plants without a value may mean where one group has lost more than another.

    Parameters
    ----------
    lost : mapping of str to int
        Plants without a value, by group.
    of : mapping of str to int
        All plants of each group; those of a group without any value are told elsewhere.
    """
    shares = {name: lost.get(name, 0) / n for name, n in of.items() if n > lost.get(name, 0)}
    if len(shares) < 2 or max(shares.values()) - min(shares.values()) <= _UNEVEN:
        return ""
    told = ", ".join(f"{lost.get(name, 0)} of {of[name]} in {name}" for name in shares)
    return (
        f"Plants without a value: {told}. If the treatment has to do with it (the weak die, the "
        "rich are hard to count), those left do not stand for their group: look why each is "
        "missing. A dead plant carries 0 fruit and may be counted so, if that was settled before."
    )


def _apart(named: Mapping[Any, set[str]]) -> bool:
    """Whether every group has a name and no name occurs in all of them."""
    sets = list(named.values())
    return len(sets) > 1 and all(sets) and not set.intersection(*sets)
