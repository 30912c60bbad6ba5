"""A trial's own threshold and calibration, learnt from the photos that people confirmed."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from counting.errors import CountingError
from counting.files import now
from counting.finding.expected import expected_count
from counting.finding.matching import FREE, match_by_centre
from counting.finding.merge import spread_of
from counting.ledger import Ledger
from counting.ledger.facts import (
    Answer,
    Candidate,
    Mark,
    Proposal,
    Tuning,
    all_proposals,
    answers_that_stand,
    tuning,
)
from counting.settings import Settings, reaches

__all__ = [
    "LEAST_PHOTOS",
    "Confirmed",
    "Tuned",
    "confirmed_photos",
    "fit",
    "tune",
    "tuned_settings",
]

Floats = NDArray[np.float64]

LEAST_PHOTOS = 8
"""Fewer confirmed photos tell chance, not the trial."""
_FOLDS = 10
_SLOPE_SD, _OFFSET_SD, _SPREAD_SD = 0.3, 1.0, 0.4
"""How far a trial is expected to stray from what was learnt on others: standard deviations of
log slope, offset (log-odds) and log spread of a normal prior about "no change". Chosen so that
eight photos with some 100 fruit outweigh it."""
_NUMBERS = ("threshold", "slope", "offset", "fruit_spread")
"""Of the settings, what a trial can have of its own."""
_SPREADS = np.exp(np.linspace(-0.9, 1.2, 8))
_THRESHOLDS = np.round(np.arange(0.10, 0.91, 0.01), 2)


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
        Log-odds of the candidates that may count, before any tuning.
    fruit : (N,) ndarray of bool
        Whether each is a fruit.
    missed : int
        Fruit that no candidate showed.
    """

    photo: str
    reviewer: str
    odds: Floats
    fruit: NDArray[np.bool_]
    missed: int

    @property
    def count(self) -> int:
        """Fruit the person counted."""
        return int(self.fruit.sum()) + self.missed


@dataclass(frozen=True, slots=True)
class Tuned:
    """What tuning changed and how much it helps on photos it had not seen.

    Attributes
    ----------
    before, after : Settings
        With `after` equal to `before` when nothing helped.
    photos, reviewers : int
        What it was learnt from.
    gain : dict
        ``corrections_per_100``, ``log_loss``, ``count_mae`` and ``interval_coverage``, each a pair
        ``[before, after]`` by cross-validation over photos.
    stored : bool
        Whether the ledger has new numbers.
    """

    before: Settings
    after: Settings
    photos: int
    reviewers: int
    gain: dict[str, list[float]]
    stored: bool


def tuned_settings(settings: Settings, own: Tuning | None) -> tuple[Settings, Tuning | None]:
    """Return the settings with a trial's own numbers, and the record they come from.

    Numbers learnt with other stages are left aside: the record is None then.
    """
    if own is None or settings.stages != own.stages:
        return settings, None
    numbers = {name: getattr(own, name) for name in _NUMBERS}
    return dataclasses.replace(settings, **numbers), own


def tune(ledger: Ledger, settings: Settings, where: str) -> Tuned:
    """Fit threshold and calibration to the confirmed photos and record them where they help.

    Parameters
    ----------
    ledger : Ledger
        The trial's.
    settings : Settings
        Stages, and the numbers to start from, untuned.
    where : str
        Names the trial in messages.

    Raises
    ------
    CountingError
        If fewer than `LEAST_PHOTOS` photos are confirmed.
    """
    photos = confirmed_photos(ledger, settings.stages)
    if len(photos) < LEAST_PHOTOS:
        found = f"{len(photos)} photos confirmed from candidates of these stages"
        mend = "confirm more photos, then tune"
        raise CountingError(where, found, f"at least {LEAST_PHOTOS}", mend)
    before, _ = tuned_settings(settings, tuning(ledger))
    after, gain = _best(photos, settings, before)
    reviewers = sorted({photo.reviewer for photo in photos})
    stored = False
    if after != before:
        own = Tuning(
            **{name: getattr(after, name) for name in _NUMBERS},
            stages=after.stages,
            photos=tuple(sorted(photo.photo for photo in photos)),
            reviewers=tuple(reviewers),
            at=now(),
            gain=gain,
        )
        stored = ledger.add([own], by=", ".join(reviewers)) > 0
    return Tuned(before, after, len(photos), len(reviewers), gain, stored)


def confirmed_photos(ledger: Ledger, stages: Sequence[str]) -> list[Confirmed]:
    """Return the photos that people counted, each by the answer that stands, in the photos' order.

    Photos whose candidates came from other stages are left out.
    """
    standing = answers_that_stand(ledger)
    wanted = {answer.proposal for answer in standing.values()}
    made = {each.entry: each for each in all_proposals(ledger) if each.entry in wanted}
    return [
        _confirmed(answer, made[answer.proposal])
        for _, answer in sorted(standing.items())
        if answer.counted
        and answer.proposal in made
        and made[answer.proposal].stages == tuple(stages)
    ]


def _confirmed(answer: Answer, proposal: Proposal) -> Confirmed:
    """Say for each candidate whether the person took it for a fruit that counts."""
    taken = {mark.candidate for mark in answer.fruit if mark.candidate is not None}
    judged = {mark.candidate for mark in answer.marks}
    # a fruit that is not this plant's teaches nothing of what is a fruit
    unclear = {mark.candidate for mark in answer.marks if mark.state in {"unsure", "elsewhere"}}
    unclear |= {each.candidate for each in proposal.candidates if not each.own} - judged
    others = [each for each in proposal.candidates if each.candidate not in judged]
    added = [mark for mark in answer.fruit if mark.candidate is None]
    partner = match_by_centre(_boxes(others), _confidence(others), _boxes(added))
    taken |= {each.candidate for each, mark in zip(others, partner, strict=True) if mark != FREE}
    used = [
        each
        for each in proposal.candidates
        if each.candidate not in unclear and (each.candidate in taken or not each.small)
    ]
    made = proposal.made_with
    odds = (_log_odds(_confidence(used)) - made.offset) / made.slope
    is_fruit = np.array([each.candidate in taken for each in used], dtype=bool)
    missed = len(answer.fruit) - int(is_fruit.sum())
    return Confirmed(answer.photo, answer.reviewer, odds, is_fruit, max(missed, 0))


def _boxes(drawn: Sequence[Candidate | Mark]) -> Floats:
    return np.array([each.box for each in drawn], np.float64).reshape(-1, 4)


def _confidence(candidates: Sequence[Candidate]) -> Floats:
    return np.array([each.confidence for each in candidates], dtype=np.float64)


def _log_odds(probability: Floats) -> Floats:
    held = np.clip(probability, 1e-4, 1 - 1e-4)
    return np.asarray(np.log(held / (1 - held)))


def _chance(odds: Floats, settings: Settings) -> Floats:
    return np.asarray(1 / (1 + np.exp(-(settings.slope * odds + settings.offset))))


def fit(photos: Sequence[Confirmed], settings: Settings, *, cut: bool) -> Settings:
    """Fit the numbers to photos.

    Slope and offset of the log-odds by maximum likelihood under a normal prior about no change
    (Platt 1999 with a prior), the spread likewise by the counts of whole photos, the threshold by
    the fewest corrections.

    Parameters
    ----------
    photos : sequence of Confirmed
        At least one.
    settings : Settings
        Untuned.
    cut : bool
        Choose the threshold anew; else it is moved along, so that the same candidates are
        proposed as before.

    Returns
    -------
    Settings
        With the numbers fitted.
    """
    odds = np.concatenate([photo.odds for photo in photos])
    fruit = np.concatenate([photo.fruit for photo in photos])

    def badness(numbers: Floats) -> float:
        line = np.exp(numbers[0]) * odds + numbers[1]
        prior = (numbers[0] / _SLOPE_SD) ** 2 / 2 + (numbers[1] / _OFFSET_SD) ** 2 / 2
        return float(np.logaddexp(0, np.where(fruit, -line, line)).sum() + prior)

    log_slope, offset = minimize(badness, np.zeros(2), method="L-BFGS-B").x
    slope, offset = round(float(np.exp(log_slope)), 4), round(float(offset), 4)
    fitted = dataclasses.replace(settings, slope=slope, offset=offset)
    moved = float(_chance(_log_odds(np.array([settings.threshold])), fitted)[0])
    threshold = _cheapest(photos, fitted, moved) if cut else round(moved, 4)
    fitted = dataclasses.replace(fitted, threshold=threshold)
    return dataclasses.replace(fitted, fruit_spread=_spread(photos, fitted))


def _cheapest(photos: Sequence[Confirmed], settings: Settings, near: float) -> float:
    """Return the threshold of fewest corrections; of equals, the one nearest to `near`."""
    costs = [
        sum(
            _corrections(photo, dataclasses.replace(settings, threshold=float(at)))
            for photo in photos
        )
        for at in _THRESHOLDS
    ]
    equals = _THRESHOLDS[np.array(costs) == min(costs)]
    return float(equals[np.abs(equals - near).argmin()])


def _corrections(photo: Confirmed, settings: Settings) -> int:
    shown = reaches(_chance(photo.odds, settings), settings.threshold)
    return int((shown != photo.fruit).sum()) + photo.missed


def _spread(photos: Sequence[Confirmed], settings: Settings) -> float:
    """Return the factor on the spread under which the counts of the photos are most likely.

    Counts are taken as normal here, with the variance that `counting.finding.expected` describes
    (to first order in the shift), since it is tried many times.
    """
    spread = spread_of(dataclasses.replace(settings, fruit_spread=1.0))
    chances = [_chance(photo.odds, settings) for photo in photos]
    inner = np.array([float((chance * (1 - chance)).sum()) for chance in chances])
    mean = np.array([float(chance.sum()) for chance in chances])
    away = np.array([photo.count for photo in photos]) - (1 + spread.missed) * mean
    sd = _SPREADS[:, None] * spread.shift_sd * inner
    variance = np.maximum(sd**2 + inner + spread.missed * mean, 0.1)
    likely = -(away**2 / variance + np.log(variance)).sum(axis=1) / 2
    worth = likely - (np.log(_SPREADS) / _SPREAD_SD) ** 2 / 2
    return round(float(_SPREADS[worth.argmax()]), 4)


def _best(
    photos: Sequence[Confirmed], untuned: Settings, before: Settings
) -> tuple[Settings, dict[str, list[float]]]:
    """Return the settings that do best on photos left out of their fitting, with the gain."""
    old = _figures([(photo, before) for photo in photos])
    folds = [list(range(first, len(photos), _FOLDS)) for first in range(min(_FOLDS, len(photos)))]
    chosen, figures = before, old
    for cut in (False, True):
        trials = []
        for fold in folds:
            rest = [photo for place, photo in enumerate(photos) if place not in fold]
            fitted = fit(rest, untuned, cut=cut)
            trials += [(photos[place], fitted) for place in fold]
        new = _figures(trials)
        if _better(new, figures):
            chosen, figures = fit(photos, untuned, cut=cut), new
    return chosen, {name: [round(old[name], 4), round(figures[name], 4)] for name in old}


def _better(new: Mapping[str, float], old: Mapping[str, float]) -> bool:
    """Fewer corrections, or as many with probabilities that fit better."""
    fewer = old["corrections_per_100"] - new["corrections_per_100"]
    return fewer > 1e-9 or (abs(fewer) <= 1e-9 and new["log_loss"] < old["log_loss"] - 1e-9)


def _figures(trials: Sequence[tuple[Confirmed, Settings]]) -> dict[str, float]:
    """Return how well settings do on the photos they are paired with."""
    corrections = fruit = candidates = within = 0
    loss = away = 0.0
    for photo, settings in trials:
        chance = np.clip(_chance(photo.odds, settings), 1e-6, 1 - 1e-6)
        corrections += _corrections(photo, settings)
        fruit += photo.count
        candidates += len(chance)
        loss -= float(np.log(np.where(photo.fruit, chance, 1 - chance)).sum())
        away += abs(int(reaches(chance, settings.threshold).sum()) - photo.count)
        _, low, high = expected_count(chance, spread_of(settings))
        within += low <= photo.count <= high
    return {
        "corrections_per_100": 100 * corrections / max(fruit, 1),
        "log_loss": loss / max(candidates, 1),
        "count_mae": away / len(trials),
        "interval_coverage": within / len(trials),
    }
