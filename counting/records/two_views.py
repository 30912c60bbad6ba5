"""Two views of one side of a plant: how many fruit each showed, and how many both."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations

from counting.ledger import Ledger
from counting.ledger.facts import Judged, left_out, one_side, standing_answers
from counting.plan.trial import Trial
from counting.records.confirmed import tell_apart

__all__ = ["TwoViews", "two_views", "views_not_linked"]


@dataclass(frozen=True, slots=True)
class TwoViews:
    """What two views showed, over the plants of a group at a survey.

    Attributes
    ----------
    group, survey : str
    plants : int
        Plants, or trusses, of which two photos of one side were counted.
    first, second : int
        Fruit counted on the one photo of each, and on the other.
    both : int
        Fruit marked as the same on both.
    """

    group: str
    survey: str
    plants: int
    first: int
    second: int
    both: int


def two_views(trial: Trial, ledger: Ledger) -> list[TwoViews]:
    """Return what two photos of one side showed, by survey and group, the control first.

    A side's second view is named after it: ``path`` and ``path 2``. Photos that were not counted,
    or counted without marks, tell nothing here; guard plants and what was left out are passed over.
    """
    plants = trial.plants.set_index("code")
    out = left_out(ledger)
    sides: dict[tuple[str, str, int | None], list[Judged]] = defaultdict(list)
    for each in standing_answers(ledger):
        photo, answer = each.photo, each.answer
        if answer is None or not answer.counted or (answer.count and not answer.marks):
            continue
        known = photo.plant in plants.index and not bool(plants.at[photo.plant, "guard"])
        if known and photo.side and not out.plant(photo.plant, photo.survey):
            sides[photo.survey, photo.plant, photo.truss].append(each)
    sums: dict[tuple[str, str], list[tuple[int, int, int]]] = defaultdict(list)
    for (survey, plant, _), judged in sides.items():
        pair = _one_side(judged)
        if pair:
            sums[survey, str(plants.at[plant, "group"])].append(_shown(pair))
    order = {group.name: place for place, group in enumerate(trial.plan.groups)}
    order[trial.plan.control] = -1
    keys = sorted(sums, key=lambda key: (key[0], order.get(key[1], len(order))))
    return [_summed(group, survey, sums[survey, group]) for survey, group in keys]


def _summed(group: str, survey: str, shown: list[tuple[int, int, int]]) -> TwoViews:
    first, second, both = (sum(each) for each in zip(*shown, strict=True))
    return TwoViews(group, survey, len(shown), first, second, both)


def views_not_linked(judged: Iterable[Judged]) -> list[str]:
    """Return why two views of one side are not added; empty where fruit of theirs are linked.

    Added up as they are, nearly every fruit would count twice.
    """
    told: dict[int | None, list[Judged]] = defaultdict(list)
    for each in judged:
        if each.answer is not None and each.answer.counted and each.photo.side:
            told[each.photo.truss].append(each)
    reasons = []
    for some in told.values():
        for one, other in combinations(some, 2):
            if not one_side(one.photo.side, other.photo.side):
                continue
            first, second, both = _shown([one, other])
            if first and second and not both:
                names = " and ".join(sorted((one.photo.side, other.photo.side)))
                reasons.append(
                    f"{names} show one side, and no fruit on one is linked to one on the other,"
                    " so nothing is added up"
                )
    return reasons


def _one_side(judged: list[Judged]) -> list[Judged]:
    """Return the first two photos of one side; empty where no side has two."""
    listed = sorted(judged, key=lambda each: (each.photo.side.casefold(), each.photo.photo))
    for place, one in enumerate(listed):
        for other in listed[place + 1 :]:
            if one_side(one.photo.side, other.photo.side):
                return [one, other]
    return []


def _shown(pair: list[Judged]) -> tuple[int, int, int]:
    """Return how many fruit the one photo shows, the other, and both."""
    fruit = tell_apart(pair)
    one, other = (
        {number for number, each in enumerate(fruit) if judged.photo.photo in each.photos}
        for judged in pair
    )
    return len(one), len(other), len(one & other)
