"""Two reviewers compared, and each with what was proposed; where they differ, a third look."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from counting.errors import CorrectionsError
from counting.ledger import facts
from counting.ledger.facts import Answer, Proposal
from counting.plan.trial import Trial
from counting.review.agreement import Interval, Limits, icc, limits_of_agreement, match_marks
from counting.review.sheet import Made, SheetOptions, make_sheets

__all__ = ["COMPARED", "PROPOSALS", "Agreement", "Pair", "agree", "third_look"]

PROPOSALS = "proposals"
"""Stands as the second of a pair for what the finder proposed."""

COMPARED = {
    "photo": "str",
    "file": "str",
    "first": "Int64",
    "second": "Int64",
    "difference": "Int64",
    "matched": "Int64",
    "only_first": "Int64",
    "only_second": "Int64",
    "differs": "boolean",
}
"""One row per photo that both counted: counts, difference, marks in common and of one alone."""


@dataclass(frozen=True, slots=True)
class Pair:
    """Two counters of the same photos.

    Attributes
    ----------
    first, second : str
        Reviewers, or `PROPOSALS` as the second.
    photos : DataFrame
        Columns `COMPARED`, the largest difference first.
    limits : Limits
        Bland and Altman's.
    icc : Interval
        ICC(2,1).
    unanswered : tuple of str
        Photos that one counted and the other could not; they differ, too.
    """

    first: str
    second: str
    photos: pd.DataFrame
    limits: Limits
    icc: Interval
    unanswered: tuple[str, ...]

    @property
    def _other(self) -> str:
        return "the finder" if self.second == PROPOSALS else self.second

    @property
    def sentence(self) -> str:
        """The agreement in plain words."""
        n = len(self.photos)
        if not n:
            return f"{self.first} and {self._other} have counted no photo in common."
        same = int((self.photos["difference"] == 0).sum())
        text = f"{self.first} and {self._other} counted the same {_photos(n)}, {same} alike"
        if not math.isfinite(self.limits.sd):
            return text + "."
        bias = self.limits.bias.estimate
        lean = f"{self.first} counts {abs(bias):.1f} fruit {'more' if bias > 0 else 'fewer'}"
        text += f"; on average {lean}" if abs(bias) >= 0.05 else "; on average no difference"
        text += f", 95 % of differences between {self.limits.lower.estimate:.1f}"
        text += f" and {self.limits.upper.estimate:.1f}"
        if math.isfinite(self.icc.estimate):
            text += f"; ICC {self.icc.estimate:.2f}"
            if math.isfinite(self.icc.low):
                text += f" ({self.icc.low:.2f} to {self.icc.high:.2f})"
        return text + "."


@dataclass(frozen=True, slots=True)
class Agreement:
    """All pairs of reviewers with photos in common, then each reviewer with the proposals.

    Attributes
    ----------
    pairs : tuple of Pair
        As named; those of two people come first.
    """

    pairs: tuple[Pair, ...]

    @property
    def differing(self) -> tuple[str, ...]:
        """Photos on which two people differ, each once."""
        found: dict[str, None] = {}
        for pair in self.pairs:
            if pair.second == PROPOSALS:
                continue
            found |= dict.fromkeys(pair.photos.loc[pair.photos["differs"], "photo"])
            found |= dict.fromkeys(pair.unanswered)
        return tuple(found)

    def to_json(self) -> dict[str, Any]:
        """Return everything as JSON values; what cannot be computed is null."""
        return {
            "pairs": [
                {
                    "first": pair.first,
                    "second": pair.second,
                    "n": pair.limits.n,
                    "bias": _interval(pair.limits.bias),
                    "sd": _number(pair.limits.sd),
                    "lower_limit": _interval(pair.limits.lower),
                    "upper_limit": _interval(pair.limits.upper),
                    "icc": _interval(pair.icc),
                    "unanswered": list(pair.unanswered),
                    "photos": pair.photos.astype(object).to_dict("records"),
                    "sentence": pair.sentence,
                }
                for pair in self.pairs
            ],
            "differing": list(self.differing),
        }


def agree(trial: Trial, reviewers: Sequence[str] = (), *, by: int = 1) -> Agreement:
    """Compare the confirmed counts of reviewers with each other and with the proposals.

    Parameters
    ----------
    trial : Trial
        The trial.
    reviewers : sequence of str
        Whom to compare; all if none is named.
    by : int
        Fruit by which counts, or marks of one alone, make a photo one on which two differ.

    Raises
    ------
    CorrectionsError
        If a reviewer named has answered nothing.
    """
    with trial.ledger() as ledger:
        files = {photo.photo: photo.file for photo in facts.photos(ledger).values()}
        proposed = {
            proposal.photo: _Count.of_proposal(proposal)
            for proposal in facts.proposals(ledger).values()
        }
        answers: dict[str, dict[str, _Count]] = {}
        for answer in facts.answers(ledger):
            answers.setdefault(answer.reviewer, {})[answer.photo] = _Count.of_answer(answer)
    if unknown := sorted(set(reviewers) - set(answers)):
        known = ", ".join(sorted(answers)) or "nobody yet"
        raise CorrectionsError(trial.directory, f"{unknown[0]} has answered nothing", known)
    people = sorted(set(reviewers) or set(answers))
    pairs = [_pair((a, answers[a]), (b, answers[b]), files, by) for a, b in combinations(people, 2)]
    pairs = [pair for pair in pairs if len(pair.photos) or pair.unanswered]
    for person in people:
        pairs.append(_pair((person, answers[person]), (PROPOSALS, proposed), files, by))
    return Agreement(tuple(pairs))


def third_look(trial: Trial, agreement: Agreement, *, replace: bool = False) -> Made | None:
    """Make a sheet of the photos on which two people differ; None if there is no such photo.

    Whoever answers it last decides, since the newest answer for a photo counts.
    """
    if not agreement.differing:
        return None
    options = SheetOptions(photos=agreement.differing, part="third look", replace=replace)
    return make_sheets(trial, options)[0]


@dataclass(frozen=True, slots=True)
class _Count:
    """What one counter, or the finder, says about a photo: the number, and where the fruit are."""

    counted: bool
    count: int
    boxes: tuple[tuple[float, float, float, float], ...]

    @classmethod
    def of_answer(cls, answer: Answer) -> _Count:
        return cls(answer.counted, answer.count, tuple(mark.box for mark in answer.fruit))

    @classmethod
    def of_proposal(cls, proposal: Proposal) -> _Count:
        boxes = tuple(each.box for each in proposal.counted)
        return cls(True, len(boxes), boxes)


def _pair(
    one: tuple[str, dict[str, _Count]],
    other: tuple[str, dict[str, _Count]],
    files: dict[str, str],
    by: int,
) -> Pair:
    """Compare two counters on the photos they share."""
    rows, unanswered = [], []
    for photo in sorted(one[1].keys() & other[1].keys(), key=lambda key: files.get(key, key)):
        first, second = one[1][photo], other[1][photo]
        counted = [first.counted, second.counted]
        if not all(counted):
            if any(counted) and other[0] != PROPOSALS:
                unanswered.append(photo)
            continue
        rows.append(_row(photo, files.get(photo, ""), first, second, by))
    photos = pd.DataFrame(rows, columns=list(COMPARED)).astype(COMPARED)
    order = photos["difference"].abs().sort_values(ascending=False, kind="stable").index
    photos = photos.loc[order].reset_index(drop=True)
    counts = photos[["first", "second"]].to_numpy(dtype=np.float64)
    return Pair(
        one[0],
        other[0],
        photos,
        limits_of_agreement(counts[:, 0], counts[:, 1]),
        icc(counts),
        tuple(unanswered),
    )


def _row(photo: str, file: str, first: _Count, second: _Count, by: int) -> dict[str, Any]:
    matched = len(match_marks(first.boxes, second.boxes))
    alone = [len(each.boxes) - matched for each in (first, second)]
    return {
        "photo": photo,
        "file": file,
        "first": first.count,
        "second": second.count,
        "difference": first.count - second.count,
        "matched": matched,
        "only_first": alone[0],
        "only_second": alone[1],
        "differs": max(alone) >= by,
    }


def _photos(n: int) -> str:
    return "photo" if n == 1 else f"{n} photos"


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _interval(value: Interval) -> dict[str, float | None]:
    return {
        "estimate": _number(value.estimate),
        "low": _number(value.low),
        "high": _number(value.high),
    }
