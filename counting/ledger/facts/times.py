"""A moment in time as the ledger has it: one parser for every room."""

from __future__ import annotations

from datetime import UTC, datetime

__all__ = ["NEVER", "moment", "read_time"]

NEVER = datetime.min.replace(tzinfo=UTC)
"""Before all times: the moment of a text that tells none."""


def read_time(text: str) -> datetime | None:
    """Return an ISO 8601 time, with its offset if it carries one; None if it is none."""
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        return None


def moment(text: str) -> datetime:
    """Return an ISO 8601 time that can be held against others.

    Parameters
    ----------
    text : str
        As written by a device or a person.

    Returns
    -------
    datetime
        Aware. Without an offset it is taken for UTC; `NEVER` where the text is no time.
    """
    time = read_time(text)
    if time is None:
        return NEVER
    return time if time.tzinfo else time.replace(tzinfo=UTC)
