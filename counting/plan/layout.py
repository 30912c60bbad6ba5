"""Lots drawn inside each block, and what the layout that results can and cannot show."""

from __future__ import annotations

import math
import secrets
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from counting.crops import unmeasured
from counting.errors import PlanError
from counting.measures import MEASURES
from counting.plan.card import MOST_TAGS
from counting.plan.trial import Plan
from counting.tables import PLANTS, frame

__all__ = ["arrangements", "draw", "layout_notes", "lots", "new_id", "new_seed"]

_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ"
"""Without I and O, which a wet label turns into 1 and 0."""
_ID_LETTERS = "23456789abcdefghjkmnpqrstuvwxyz"
_ENOUGH_BLOCKS = 4
"""Four to six complete blocks: Mississippi State University Extension, P3930."""
_WHERE = "layout"
_USUAL_LEVEL = 0.05
"""The level at which a chance is usually called small."""


def new_seed() -> int:
    """Return a seed for the lots that nobody chose."""
    return secrets.randbelow(2**31)


def new_id() -> str:
    """Return a name for a trial that no other trial bears: ten letters and digits."""
    return "".join(secrets.choice(_ID_LETTERS) for _ in range(10))


def draw(plan: Plan) -> pd.DataFrame:
    """Draw lots for a plan: every arrangement it allows is equally likely.

    Where the treatment is allotted to plots or plants, each block holds every group equally
    often and lots are drawn inside each block; where it is allotted to whole blocks, lots are
    drawn for the blocks. Each block is one row; guard plants stand at the ends of a plot. The
    same seed gives the same arrangement.

    Returns
    -------
    DataFrame
        One row per plant in walking order, columns `counting.tables.PLANTS`.

    Raises
    ------
    PlanError
        If the layout cannot be laid out or needs more tags than there are.
    """
    _check(plan)
    rows: list[dict[str, object]] = []
    tag = 0
    for number, groups in enumerate(lots(plan), start=1):
        block = _letters(number)
        position = 0
        for place, group in enumerate(groups, start=1):
            for name, guard in _plants_of_plot(plan):
                position += 1
                tag += not guard
                rows.append(
                    {
                        "code": f"{block}{place}-{name}",
                        "group": group,
                        "block": block,
                        "plot": f"{block}{place}",
                        "row": number,
                        "position": position,
                        "guard": guard,
                        "tag": None if guard else tag,
                    }
                )
    return frame(rows, PLANTS)


def _check(plan: Plan) -> None:
    """Refuse what cannot be laid out."""
    layout, groups = plan.layout, len(plan.groups)
    if plan.allotted_to == "plant" and layout.plants_per_plot > 1:
        plants = layout.plots_per_group * layout.plants_per_plot
        raise PlanError(
            _WHERE,
            f"the treatment is allotted to single plants, yet plots hold {layout.plants_per_plot}",
            mend=f"take 1 plant per plot and {plants} plots per group and block",
        )
    if plan.allotted_to == "block" and layout.blocks % groups:
        raise PlanError(
            _WHERE,
            f"{layout.blocks} whole blocks cannot be shared evenly among {groups} groups",
            mend=f"take a multiple of {groups} blocks, such as {groups * _ENOUGH_BLOCKS}",
        )
    tags = _units(plan) * layout.plants_per_plot
    if plan.allotted_to == "block":
        tags *= layout.plots_per_group
    if tags >= MOST_TAGS:
        raise PlanError(
            _WHERE,
            f"{tags} plants to count",
            f"fewer than {MOST_TAGS}, one tag each",
            "split the trial or count fewer plants per plot",
        )


def _units(plan: Plan) -> int:
    """Return to how many plots, plants or blocks a treatment is allotted."""
    if plan.allotted_to == "block":
        return plan.layout.blocks
    return plan.layout.blocks * plan.layout.plots_per_group * len(plan.groups)


def lots(plan: Plan) -> Iterator[list[str]]:
    """Yield, block by block, the groups of its plots in the order in which they stand.

    The seed is the plan's; every arrangement is equally likely.
    """
    rng = np.random.default_rng(plan.seed)
    names = [group.name for group in plan.groups]
    layout = plan.layout
    if plan.allotted_to == "block":
        shared = names * (layout.blocks // len(names))
        for index in rng.permutation(len(shared)):
            yield [shared[index]] * layout.plots_per_group
        return
    slips = names * layout.plots_per_group
    for _ in range(layout.blocks):
        yield [slips[index] for index in rng.permutation(len(slips))]


def _plants_of_plot(plan: Plan) -> Iterator[tuple[str, bool]]:
    """Yield the plants of a plot as (name, is a guard), guards at both ends."""
    guards = plan.layout.guards_per_plot
    before = (guards + 1) // 2
    for guard in range(1, before + 1):
        yield f"G{guard}", True
    for plant in range(1, plan.layout.plants_per_plot + 1):
        yield str(plant), False
    for guard in range(before + 1, guards + 1):
        yield f"G{guard}", True


def _letters(number: int) -> str:
    """Return the name of the n-th block: A to Z, then AA, AB, ..."""
    text = ""
    while number:
        number, rest = divmod(number - 1, len(_LETTERS))
        text = _LETTERS[rest] + text
    return text


def arrangements(plan: Plan) -> int:
    """Return how many different arrangements the lots can give, all equally likely."""
    groups, layout = len(plan.groups), plan.layout
    if plan.allotted_to == "block":
        each = layout.blocks // groups
        return _ways(groups, each)
    return int(_ways(groups, layout.plots_per_group) ** layout.blocks)


def _ways(groups: int, each: int) -> int:
    """Return in how many orders slips can lie, so many of each group."""
    return math.factorial(groups * each) // int(math.factorial(each) ** groups)


@dataclass(frozen=True, slots=True)
class _Shape:
    """What decides how much a layout can show."""

    blocks: int
    units_per_group: int
    unit: str


def layout_notes(plan: Plan) -> list[str]:
    """Say plainly what a layout can't show, most serious first; empty when nothing is amiss.

    Returns
    -------
    list of str
        Sentences for the person who plans.
    """
    units = _units(plan) // len(plan.groups)
    shape = _Shape(plan.layout.blocks, units, plan.allotted_to)
    return [*_unit_notes(plan, shape), *_other_notes(plan)]


def _unit_notes(plan: Plan, shape: _Shape) -> Iterator[str]:
    """Yield what the number of plots (plants, blocks) per group leaves open."""
    unit, units = shape.unit, shape.units_per_group
    plants = plan.layout.plants_per_plot * (plan.layout.plots_per_group if unit == "block" else 1)
    if units == 1:
        yield (
            f"One {unit} per group: this layout can describe, not test. A difference between the"
            f" groups may as well be one between the two places. Take at least {_ENOUGH_BLOCKS}"
            " blocks."
        )
        return
    if unit == "block":
        yield (
            "Whole blocks are allotted: the groups are compared between blocks, so the differences"
            " of soil and light between blocks stay in the comparison."
        )
    elif shape.blocks == 1:
        yield (
            "One block: the plots stand side by side as if the place were even. Blocks along the"
            " slope or the shade make the comparison fairer."
        )
    if unit != "block" and units < _ENOUGH_BLOCKS:
        yield (
            f"{units} {unit}s per group are few: only large differences can be told from chance."
            f" {_ENOUGH_BLOCKS} to 6 complete blocks are common practice."
        )
    if plants > 1:
        yield (
            f"The treatment is allotted to the {unit}: its {plants} plants are one result, not"
            f" {plants}. More plants steady that result; only more {unit}s make the test stronger."
        )
    yield from _chance_note(plan)


def _chance_note(plan: Plan) -> Iterator[str]:
    """Yield what the lots themselves can prove between two groups, where that is little."""
    layout = plan.layout
    if plan.allotted_to == "block":
        each = layout.blocks // len(plan.groups)
        ways = math.comb(2 * each, each)
    else:
        ways = math.comb(2 * layout.plots_per_group, layout.plots_per_group) ** layout.blocks
    # the same difference with the two groups changed about is as large
    smallest = 2 / ways
    if smallest > _USUAL_LEVEL:
        yield (
            f"Between two groups the lots can fall in {ways} ways, so a test that draws them again"
            f" cannot give a chance under 2 in {ways} ({smallest:.2g}), however large the"
            " difference."
        )


def _other_notes(plan: Plan) -> Iterator[str]:
    """Yield notes about guard plants, dates, the main measure and the crop."""
    if plan.layout.guards_per_plot < 2 and plan.allotted_to == "plant":
        yield (
            "Plants with different treatments stand side by side: what is sprayed or watered on one"
            " may reach the next. Shield them, or set guard plants between."
        )
    elif plan.layout.guards_per_plot < 2:
        yield (
            "Without guard plants at both ends of a plot the plants counted stand next to another"
            " treatment or at the open end: spray drift and light from the side reach them."
        )
    if plan.first_treatment and plan.surveys and plan.surveys[0] > plan.first_treatment:
        yield (
            f"The first survey ({plan.surveys[0]}) comes after the first treatment"
            f" ({plan.first_treatment}): nothing will show whether the groups were alike before."
            " Count once before it."
        )
    if plan.main_measure not in MEASURES:
        yield (
            f"The main measure {plan.main_measure!r} is none of the known ones"
            f" ({', '.join(MEASURES)}): it is recorded as a plain number without unit."
        )
    if doubt := unmeasured(plan.crop):
        yield doubt
