"""What a number of blocks that is there can show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

from scipy import optimize

from counting.errors import PlanError
from counting.plan.needed.plants import Aim, Spread, power_for

__all__ = ["Shows", "blocks_show"]

_MOST = 100.0
"""A hundred times as much again: beyond it nothing is worth telling."""


@dataclass(frozen=True, slots=True)
class Shows:
    """What so many blocks can show.

    Attributes
    ----------
    blocks, plants_per_plot : int
        Blocks, each with one plot of each group.
    more, less : float or None
        Smallest difference that is found with the chance asked for, as a share of the control's
        mean (`less` is below 0); None where none is.
    power : float
        Chance to find the difference asked for.
    aim : Aim
        What was asked for.
    """

    blocks: int
    plants_per_plot: int
    more: float | None
    less: float | None
    power: float
    aim: Aim

    @property
    def sentence(self) -> str:
        """What it means, in words."""
        plants = self.blocks * self.plants_per_plot
        chance = f"{self.aim.power * 100:.3g} %"
        sides = []
        if self.more is not None:
            sides.append(f"{self.more * 100:.0f} % more")
        if self.less is not None:
            sides.append(f"{-self.less * 100:.0f} % less")
        laid = f"{self.blocks} blocks ({plants} plants of each group)"
        text = (
            f"{laid} can show {' or '.join(sides)}, with a chance of {chance}."
            if sides
            else f"{laid} can show no difference with a chance of {chance}."
        )
        way = "more" if self.aim.difference > 0 else "less"
        return (
            f"{text} If {abs(self.aim.difference) * 100:.3g} % {way} is true, such a trial finds it"
            f" {self.power * 100:.0f} times in 100."
        )

    def to_json(self) -> dict[str, Any]:
        """Return it as JSON values."""
        return {
            "blocks": self.blocks,
            "plants_per_group": self.blocks * self.plants_per_plot,
            "more": self.more,
            "less": self.less,
            "difference": self.aim.difference,
            "power": self.power,
            "sentence": self.sentence,
        }


def blocks_show(spread: Spread, aim: Aim, blocks: int, plants_per_plot: int = 1) -> Shows:
    """Return what blocks, each with one plot of each group, can show.

    Parameters
    ----------
    spread : Spread
        How much plants differ within a block.
    aim : Aim
        The difference hoped for and the chance wanted.
    blocks : int
        2 or more.
    plants_per_plot : int
        Plants counted in each plot.

    Raises
    ------
    PlanError
        If there are fewer than two blocks.
    """
    if blocks < 2:
        mend = "one block holds each group once: it can describe, not test"
        option = "--have-blocks"
        raise PlanError(option, f"is {blocks}", "2 or more", mend)
    aim = replace(aim, blocked=True)

    def short(difference: float) -> float:
        other = replace(aim, difference=difference)
        return power_for(spread, other, blocks, plants_per_plot) - aim.power

    def smallest(steps: Sequence[float]) -> float | None:
        # step by step: where hardly a fruit is left the chance to tell falls again
        for near, far in pairwise(steps):
            if short(far) >= 0:
                return float(optimize.brentq(short, near, far, xtol=1e-6))
        return None

    return Shows(
        blocks,
        plants_per_plot,
        smallest((1e-6, 0.1, 0.5, 1.0, 3.0, 10.0, _MOST)),
        smallest((-1e-6, *(-step / 20 for step in range(1, 20)))),
        power_for(spread, aim, blocks, plants_per_plot),
        aim,
    )
