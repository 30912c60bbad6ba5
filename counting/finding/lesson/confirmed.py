"""What people said of the finder's candidates, photo by photo: what a lesson is learnt from."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from counting.finding.lesson.odds import as_shipped
from counting.finding.matching import FREE, match_by_centre
from counting.ledger import Ledger
from counting.ledger.facts import (
    Answer,
    Candidate,
    Mark,
    Proposal,
    all_answers,
    all_proposals,
    answers_that_stand,
    glances,
    photos,
)

__all__ = [
    "Confirmed",
    "Reviewed",
    "boxes_of",
    "confirmed_by",
    "confirmed_photos",
    "glanced",
    "reviewed",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Confirmed:
    """A photo whose candidates a person has judged.

    Attributes
    ----------
    photo : str
        SHA-256 of the file.
    reviewer : str
        Who.
    odds : (N,) ndarray of float
        Log-odds of the candidates that may count, before any lesson.
    fruit : (N,) ndarray of bool
        Whether each is a fruit.
    missed : int
        Fruit that no candidate showed.
    answer : int
        Place in the ledger's chain of the answer; 0 where it stands in none.
    look : float
        Size of the look at which the candidates were seen, over the one that ships.
    others : mapping of float to Confirmed
        What the same photo shows at other sizes.
    """

    photo: str
    reviewer: str
    odds: Floats
    fruit: NDArray[np.bool_]
    missed: int
    answer: int = 0
    look: float = 1.0
    others: Mapping[float, Confirmed] = field(default_factory=dict)

    def at(self, look: float) -> Confirmed | None:
        """Return the photo as a size of the look shows it, None where nobody looked so."""
        return self if look == self.look else self.others.get(look)

    @property
    def count(self) -> int:
        """Fruit the person counted."""
        return int(self.fruit.sum()) + self.missed


@dataclass(frozen=True, slots=True)
class Reviewed:
    """An answer that can teach, and what it began from."""

    answer: Answer
    proposal: Proposal


def confirmed_photos(ledger: Ledger, stages: Sequence[str], weights: str = "") -> list[Confirmed]:
    """Return the photos that people counted, each by the answer that stands, in the photos' order.

    Photos whose candidates came from other stages are left out, and those with a count alone; also
    views of plants beside, since the photo that they are views of has taught already.

    Parameters
    ----------
    ledger : Ledger
    stages : sequence of str
        Whose candidates.
    weights : str
        The scorer's, as in `counting.settings.Settings`. A photo reviewed with others counts where
        it was looked at with these too.
    """
    return _confirmed_all(ledger, reviewed(ledger, stages), weights)


def reviewed(ledger: Ledger, stages: Sequence[str]) -> list[Reviewed]:
    """Return the answers that `confirmed_photos` is about, each with what it began from."""
    views = {photo.photo for photo in photos(ledger).values() if photo.view_of}
    standing = answers_that_stand(ledger).values()
    # one confirmed beside others was hardly searched: it must not teach that all is right
    opened = (a for a in standing if a.alone and a.photo not in views)
    return _with_proposals(ledger, opened, stages)


def confirmed_by(
    ledger: Ledger, answers: Sequence[int], stages: Sequence[str], weights: str = ""
) -> list[Confirmed]:
    """Return the photos that the answers of these places in the chain tell of."""
    wanted = set(answers)
    told = (a for a in all_answers(ledger) if a.seq in wanted)
    return _confirmed_all(ledger, _with_proposals(ledger, told, stages), weights)


def _with_proposals(
    ledger: Ledger, answers: Iterable[Answer], stages: Sequence[str]
) -> list[Reviewed]:
    standing = sorted(answers, key=lambda answer: answer.photo)
    wanted = {answer.proposal for answer in standing}
    made = {each.entry: each for each in all_proposals(ledger) if each.entry in wanted}
    return [
        Reviewed(answer, made[answer.proposal])
        for answer in standing
        if answer.counted
        and _tells_which(answer)
        and answer.proposal in made
        and made[answer.proposal].stages == tuple(stages)
    ]


def _confirmed_all(ledger: Ledger, told: Sequence[Reviewed], weights: str) -> list[Confirmed]:
    seen: dict[str, dict[float, Proposal]] = {}
    for (photo, look, by), glance in glances(ledger).items():
        if by == weights:
            seen.setdefault(photo, {})[look] = glance
    found = []
    for each in told:
        looks = {
            look: glanced(each.answer, glance)
            for look, glance in seen.get(each.answer.photo, {}).items()
            if glance.stages == each.proposal.stages
        }
        made_with = each.proposal.made_with
        if made_with.weights == weights:
            looks.pop(made_with.look, None)
            found.append(replace(_confirmed(each.answer, each.proposal), others=looks))
        elif looks:
            first = looks.pop(1.0, None) or looks.pop(max(looks))
            found.append(replace(first, others=looks))
    return found


def _tells_which(answer: Answer) -> bool:
    """Whether its marks say which candidates are fruit: a count alone, of a crowd, does not."""
    return bool(answer.marks) or not answer.count


def glanced(answer: Answer, glance: Proposal) -> Confirmed:
    """Say for each candidate, which the person never saw, whether it shows a fruit of the marks."""
    fruit = _partners(glance.candidates, answer.fruit) != FREE
    others = [mark for mark in answer.marks if mark.unclear]
    unclear = _partners(glance.candidates, others) != FREE
    kept = [
        place
        for place, each in enumerate(glance.candidates)
        if fruit[place] or (each.own and not each.small and not unclear[place])
    ]
    odds = as_shipped(_confidence(glance.candidates), glance.made_with)[kept]
    missed = len(answer.fruit) - int(fruit.sum())
    look = glance.made_with.look
    return Confirmed(answer.photo, answer.reviewer, odds, fruit[kept], missed, answer.seq, look)


def _partners(candidates: Sequence[Candidate], marks: Sequence[Mark]) -> NDArray[np.int64]:
    return match_by_centre(boxes_of(candidates), _confidence(candidates), boxes_of(marks))


def _confirmed(answer: Answer, proposal: Proposal) -> Confirmed:
    """Say for each candidate whether the person took it for a fruit that counts."""
    taken = {mark.candidate for mark in answer.fruit if mark.candidate is not None}
    judged = {mark.candidate for mark in answer.marks}
    # a fruit that is not this plant's teaches nothing of what is a fruit
    unclear = {mark.candidate for mark in answer.marks if mark.unclear}
    unclear |= {each.candidate for each in proposal.candidates if not each.own} - judged
    others = [each for each in proposal.candidates if each.candidate not in judged]
    added = [mark for mark in answer.fruit if mark.candidate is None]
    partner = _partners(others, added)
    taken |= {each.candidate for each, mark in zip(others, partner, strict=True) if mark != FREE}
    used = [
        each
        for each in proposal.candidates
        if each.candidate not in unclear and (each.candidate in taken or not each.small)
    ]
    odds = as_shipped(_confidence(used), proposal.made_with)
    is_fruit = np.array([each.candidate in taken for each in used], dtype=bool)
    missed = len(answer.fruit) - int(is_fruit.sum())
    look = proposal.made_with.look
    return Confirmed(
        *(answer.photo, answer.reviewer, odds, is_fruit, max(missed, 0), answer.seq, look)
    )


def boxes_of(drawn: Sequence[Candidate | Mark]) -> Floats:
    """Return boxes (N, 4): centre x, centre y, width, height in px of the full photo."""
    return np.array([each.box for each in drawn], np.float64).reshape(-1, 4)


def _confidence(candidates: Sequence[Candidate]) -> Floats:
    return np.array([each.confidence for each in candidates], dtype=np.float64)
