"""Confirmed marks into counts: each fruit once, however many photos show it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from counting.ledger.facts import Judged

__all__ = ["Fruit", "tell_apart"]

Key = tuple[str, int]
"""A photo and the number of a mark in it."""


@dataclass(frozen=True, slots=True)
class Fruit:
    """One fruit, however many photos show it.

    Attributes
    ----------
    photos : frozenset of str
        The photos that show it.
    truss : int or None
        Its truss, where a mark or its photo names one.
    """

    photos: frozenset[str]
    truss: int | None


def tell_apart(judged: Iterable[Judged]) -> list[Fruit]:
    """Return the fruit of one plant at one survey, twins in two photos as one.

    Parameters
    ----------
    judged : iterable of Judged
        The plant's photos; those that are not counted are passed over.

    Returns
    -------
    list of Fruit
        The count is its length; independent of the order of the photos.
    """
    trusses: dict[Key, int | None] = {}
    links: list[tuple[Key, str]] = []
    fruit: list[Fruit] = []
    for each in sorted(judged, key=lambda each: each.photo.photo):
        photo, answer = each.photo, each.answer
        if answer is None or not answer.counted:
            continue
        if not answer.marks:  # a count without marks, as from a photo too crowded to mark
            fruit += [Fruit(frozenset({photo.photo}), photo.truss)] * answer.count
        for mark in answer.fruit:
            key = (photo.photo, int(mark.mark))
            trusses[key] = mark.truss if mark.truss is not None else photo.truss
            if mark.twin:
                links.append((key, mark.twin))
    return fruit + _joined(trusses, links)


def _joined(trusses: dict[Key, int | None], links: list[tuple[Key, str]]) -> list[Fruit]:
    """Join marks that are linked, directly or through others."""
    number = {key: place for place, key in enumerate(trusses)}
    pairs = [(number[key], number[twin]) for key, text in links if (twin := _key(text)) in number]
    one, other = np.array(pairs, dtype=np.int64).reshape(-1, 2).T
    linked = coo_array((np.ones(len(one)), (one, other)), shape=(len(number), len(number)))
    _, groups = connected_components(linked, directed=False) if number else (0, [])
    together: dict[int, list[Key]] = {}
    for key, group in zip(trusses, groups, strict=True):
        together.setdefault(int(group), []).append(key)
    fruit = []
    for keys in together.values():
        named = [truss for truss in (trusses[key] for key in keys) if truss is not None]
        fruit.append(Fruit(frozenset(photo for photo, _ in keys), min(named, default=None)))
    return fruit


def _key(twin: str) -> Key | None:
    photo, _, mark = twin.rpartition(":")
    return (photo, int(mark)) if mark.isdecimal() else None
