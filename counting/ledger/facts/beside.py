"""Several plants on one photo: a fruit that two of them claim counts for one."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace
from math import hypot

from counting.ledger.facts.answer import Answer, Judged, Mark

__all__ = ["each_fruit_once"]

_ELSEWHERE = "elsewhere"


def each_fruit_once(judged: Iterable[Judged]) -> list[Judged]:
    """Return photos and answers with every fruit at one plant at most.

    A photo may be looked at as a view of several plants, and a person may take one fruit for two
    of them. It then counts for the plant that the photo was taken of, else for the view whose id
    comes first; at the other it is a fruit of elsewhere.

    Parameters
    ----------
    judged : iterable of Judged
        Photos and views in any order.

    Returns
    -------
    list of Judged
        In the same order.
    """
    listed = list(judged)
    of_file: dict[str, list[int]] = defaultdict(list)
    for place, each in enumerate(listed):
        if each.counted:
            of_file[each.photo.sha256].append(place)
    for places in of_file.values():
        if len(places) == 1:
            continue
        places.sort(key=lambda place: (listed[place].photo.view_of, listed[place].photo.photo))
        claimed: list[Mark] = []
        for place in places:
            listed[place] = _without(listed[place], claimed)
            answer = listed[place].answer
            claimed += answer.fruit if answer else ()
    return listed


def _without(judged: Judged, claimed: Sequence[Mark]) -> Judged:
    answer: Answer | None = judged.answer
    if answer is None:
        return judged
    marks = tuple(
        replace(mark, state=_ELSEWHERE, twin="")
        if mark.counts and any(_same(mark, other) for other in claimed)
        else mark
        for mark in answer.marks
    )
    if marks == answer.marks:
        return judged
    kept = replace(answer, marks=marks, count=sum(mark.counts for mark in marks))
    return replace(judged, answer=kept, claimed=answer.count - kept.count)


def _same(one: Mark, other: Mark) -> bool:
    """Whether two marks lie on one fruit: the middles nearer than half of the smaller one."""
    size = min(one.width, one.height, other.width, other.height)
    return hypot(one.x - other.x, one.y - other.y) < size / 2
