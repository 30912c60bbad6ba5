"""Answers given faster than a person can look: told as a caution, never refused."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from counting.ledger.facts import Answer

__all__ = ["LOOK_S", "RING_S", "caution", "hurried"]

LOOK_S = 1.0
"""To see a photo at all and press Next; common practice, a round figure on the low side."""
RING_S = 0.2
"""For each ring: an eye that searches rests a fifth to a third of a second on each thing it looks
at (from memory: Rayner 1998, Psychological Bulletin 124:372); the short end is taken."""


def hurried(answer: Answer) -> bool:
    """Tell whether a photo was counted faster than the eye can go from ring to ring.

    Parameters
    ----------
    answer : Answer
        One other than a count needs no look at the rings, so it never is.
    """
    return answer.counted and answer.seconds < max(LOOK_S, RING_S * len(answer.marks))


def caution(answers: Iterable[Answer]) -> str:
    """Return a sentence that says whose counts were given too fast and how many; empty if none.

    Parameters
    ----------
    answers : iterable of Answer
    """
    all_counted: Counter[str] = Counter()
    fast: Counter[str] = Counter()
    for answer in answers:
        all_counted[answer.reviewer] += answer.counted
        fast[answer.reviewer] += hurried(answer)
    who = [f"{name} {fast[name]} of {all_counted[name]}" for name in sorted(fast) if fast[name]]
    if not who:
        return ""
    return (
        f"Photos confirmed faster than a person can look (under {LOOK_S:g} s, or under "
        f"{RING_S:g} s for each ring): {', '.join(who)}. Have them looked at again; "
        "until then these counts are hardly better than the proposals."
    )
