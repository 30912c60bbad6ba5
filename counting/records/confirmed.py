"""Confirmed marks into counts: whose answer stands, and each fruit once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from counting.ledger import Ledger
from counting.plan.left_out import left_out

__all__ = ["Answer", "Fruit", "counts", "moment", "standing_answers", "tell_apart"]

_COUNTED = {"confirmed", "added"}


@dataclass(frozen=True, slots=True)
class Answer:
    """What stands for one photo.

    Attributes
    ----------
    photo, plant, survey, side : str
        The photo (SHA-256) and where it belongs.
    truss : int or None
        The truss it shows, None for the whole plant.
    file : str
        Path inside the trial, for messages.
    answer : str
        counted, cannot tell, retake; empty when nobody has looked yet.
    count : int
        Fruit that count.
    marks : sequence of dict
        The marks of the answer that stands.
    reviewer, at : str
        Who and when; empty when nobody has looked yet.
    """

    photo: str
    plant: str
    survey: str
    side: str
    truss: int | None
    file: str
    answer: str
    count: int
    marks: Sequence[dict[str, Any]]
    reviewer: str
    at: str

    @property
    def missing(self) -> str:
        """Why the photo gives no count; empty if it does."""
        name = self.file.rsplit("/", 1)[-1]
        reasons = {
            "": f"{name} is not confirmed yet",
            "cannot tell": f"{name} cannot be counted",
            "retake": f"{name} is to be taken again",
        }
        return reasons.get(self.answer, "")


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


def counts(mark: Mapping[str, Any]) -> bool:
    """Whether a mark is a fruit that counts."""
    return mark["state"] in _COUNTED and not mark["small"]


def moment(text: str) -> datetime:
    """Return an ISO time as an aware time; without an offset it is taken for UTC."""
    try:
        time = datetime.fromisoformat(text)
    except ValueError:
        return datetime.min.replace(tzinfo=UTC)
    return time if time.tzinfo else time.replace(tzinfo=UTC)


def standing_answers(ledger: Ledger) -> list[Answer]:
    """Return the answer that stands for every photo that is not left out.

    Of several reviewers the newest answer stands; "cannot tell" gives way to any other, since
    somebody could.
    """
    out = left_out(ledger)
    newest: dict[str, dict[str, Any]] = {}
    for entry in ledger.standing("confirmation"):
        body = entry.body
        before = newest.get(body["photo"])
        if before is None or _rank(body) > _rank(before):
            newest[body["photo"]] = body
    return [
        _answer(entry.body, newest.get(entry.key, {}))
        for entry in ledger.standing("photo")
        if entry.key not in out
    ]


def _rank(body: dict[str, Any]) -> tuple[bool, datetime, str]:
    return (body["answer"] != "cannot tell", moment(body["at"]), body["reviewer"])


def _answer(photo: dict[str, Any], said: dict[str, Any]) -> Answer:
    return Answer(
        photo=photo["photo"],
        plant=photo["plant"],
        survey=photo["survey"],
        side=photo["side"],
        truss=photo["truss"],
        file=photo["file"],
        answer=said.get("answer", ""),
        count=said.get("count", 0),
        marks=said.get("marks", ()),
        reviewer=said.get("reviewer", ""),
        at=said.get("at", ""),
    )


def tell_apart(answers: Iterable[Answer]) -> list[Fruit]:
    """Return the fruit of one plant at one survey, twins in two photos as one.

    Parameters
    ----------
    answers : iterable of Answer
        The plant's photos; those that are not counted are passed over.

    Returns
    -------
    list of Fruit
        The count is its length; independent of the order of the photos.
    """
    trusses: dict[tuple[str, int], int | None] = {}
    links: list[tuple[tuple[str, int], str]] = []
    fruit: list[Fruit] = []
    for answer in sorted(answers, key=lambda answer: answer.photo):
        if answer.answer != "counted":
            continue
        if not answer.marks:  # a count without marks, as from a photo too crowded to mark
            fruit += [Fruit(frozenset({answer.photo}), answer.truss)] * answer.count
        for mark in answer.marks:
            if counts(mark):
                key = (answer.photo, int(mark["mark"]))
                truss = mark["truss"] if mark["truss"] is not None else answer.truss
                trusses[key] = truss
                if mark["twin"]:
                    links.append((key, mark["twin"]))
    return fruit + _joined(trusses, links)


def _joined(
    trusses: dict[tuple[str, int], int | None], links: list[tuple[tuple[str, int], str]]
) -> list[Fruit]:
    """Join marks that are linked, directly or through others."""
    parent = {key: key for key in trusses}

    def root(key: tuple[str, int]) -> tuple[str, int]:
        while parent[key] != key:
            parent[key] = parent[parent[key]]
            key = parent[key]
        return key

    for key, twin in links:
        photo, _, mark = twin.rpartition(":")
        other = (photo, int(mark)) if mark.isdecimal() else None
        if other in parent:
            low, high = sorted((root(key), root(other)))
            parent[high] = low
    groups: dict[tuple[str, int], list[tuple[str, int]]] = {}
    for key in trusses:
        groups.setdefault(root(key), []).append(key)
    fruit = []
    for keys in groups.values():
        named = [truss for truss in (trusses[key] for key in keys) if truss is not None]
        fruit.append(Fruit(frozenset(photo for photo, _ in keys), min(named, default=None)))
    return fruit
