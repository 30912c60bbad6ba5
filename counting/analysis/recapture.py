"""The share of fruit that neither of two views shows: capture and recapture.

The estimate is Chapman's (1951, Univ. California Publ. Statistics 1:131), nearly without bias where
Lincoln's and Petersen's runs high on small numbers; its variance is Seber's (1970, Biometrics
26:13). It assumes that each view shows each fruit with the same chance, and that what one view
shows has no bearing on what the other does. Fruit deep in the leaves are hidden from both, so the
true number is rather higher: the estimate stands beside the hand counts and never in their place.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from scipy.stats import norm

from counting.errors import CountingError
from counting.records.two_views import TwoViews

__all__ = [
    "ASSUMED",
    "FEWEST",
    "Recaptured",
    "recapture",
    "recapture_json",
    "recapture_lines",
    "recapture_text",
]

_LEVEL = 0.95
FEWEST = 7
"""Fewer on both views leave Chapman's estimate too low (Robson & Regier 1964, from memory)."""

ASSUMED = (
    "This takes each fruit to be seen with the same chance, from each place anew. Fruit deep in the"
    " leaves are hidden from both, so more are missed than it says: count some plants by hand. No"
    " other figure rests on it."
)
"""What the share on neither view takes for granted, for a person to read beside it."""


@dataclass(frozen=True, slots=True)
class Recaptured:
    """Fruit that there are, by two views.

    Attributes
    ----------
    number : float
        Estimated number of fruit.
    se : float
        Its standard error.
    unseen, low, high : float
        Share of them that neither view shows, with its 95 % interval (normal on the logarithm of
        the number not seen, Chao 1987, Biometrics 43:783).
    """

    number: float
    se: float
    unseen: float
    low: float
    high: float


def recapture(first: int, second: int, both: int) -> Recaptured:
    """Estimate the number of fruit from what two views show.

    Parameters
    ----------
    first, second : int
        Fruit that each view shows.
    both : int
        Fruit that both show.

    Raises
    ------
    CountingError
        If both show more than one of them does, or a number is negative.
    """
    if not 0 <= both <= min(first, second):
        where, found = "two views", f"{first} and {second} fruit, {both} on both"
        raise CountingError(where, found, "at most as many on both as on each")
    number = (first + 1) * (second + 1) / (both + 1) - 1
    alone = (first - both) * (second - both)
    variance = (first + 1) * (second + 1) * alone / ((both + 1) ** 2 * (both + 2))
    seen = first + second - both
    missed = number - seen
    if missed <= 0 or number <= 0:
        return Recaptured(number, math.sqrt(variance), 0.0, 0.0, 0.0)
    step = float(norm.ppf(0.5 + _LEVEL / 2)) * math.sqrt(math.log1p(variance / missed**2))
    low, high = missed / math.exp(step), missed * math.exp(step)
    return Recaptured(
        number, math.sqrt(variance), missed / number, low / (seen + low), high / (seen + high)
    )


def recapture_json(views: Sequence[TwoViews]) -> list[dict[str, Any]]:
    """Return each group's views and what they tell as JSON values."""
    return [asdict(each) | asdict(recapture(each.first, each.second, each.both)) for each in views]


def recapture_lines(views: Sequence[TwoViews]) -> list[str]:
    """Return what two views of one side tell of each group, a line each; empty without any."""
    lines = []
    for each in views:
        told = recapture(each.first, each.second, each.both)
        of = "1 plant" if each.plants == 1 else f"{each.plants} plants"
        few = f" Fewer than {FEWEST} on both: too few to trust it." if each.both < FEWEST else ""
        lines.append(
            f"{each.group}, {each.survey}: two views of one side of {of} show {each.first} and "
            f"{each.second} fruit, {each.both} of them on both. By that {told.unseen:.0%} "
            f"({told.low:.0%} to {told.high:.0%}) are on neither.{few}"
        )
    return lines


def recapture_text(views: Sequence[TwoViews]) -> str:
    """Return what two views of one side tell, in sentences; empty without any."""
    lines = [f"- {line}" for line in recapture_lines(views)]
    head = "Two views of one side (capture and recapture, Chapman):"
    return "\n".join([head, *lines, ASSUMED]) if lines else ""
