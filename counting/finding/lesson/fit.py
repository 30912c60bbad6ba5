"""Threshold, calibration and interval learnt from photos that people confirmed.

Pure numbers: where the photos come from, a trial's reviews or published labels, is not asked here.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from counting.finding.expected import expected_count
from counting.finding.lesson.confirmed import Confirmed
from counting.finding.lesson.odds import chance, log_odds
from counting.finding.merge import spread_of
from counting.settings import Settings, reaches

__all__ = [
    "GAINS",
    "LEAST_PHOTOS",
    "LOOKS",
    "Taught",
    "figures_of",
    "fit",
    "helps",
    "ranked",
    "teach",
]

Floats = NDArray[np.float64]

LOOKS = (0.8,)
"""Sizes of the looks, over those that ship, that a lesson tries beside them: 512 px in the first
look. Larger ones take `propose` longer and brought nothing (STAGES.md)."""
LEAST_PHOTOS = 5
"""Fewer confirmed photos tell chance, not the trial."""
GAINS = ("count_mae", "log_loss")
"""The figures that decide whether a lesson helps, by photos left out of it: it is used where one of
them falls. With ten photos a stricter rule refuses every second lesson that would have helped
(STAGES.md)."""
_GAINS_AT_SIZE = ("count_mae", "corrections_per_100")
"""The same where the size of the looks is learnt too."""
_FOLDS = 10
_SLOPE_SD, _OFFSET_SD, _SPREAD_SD = 0.3, 1.0, 0.4
"""How far a trial is expected to stray from what was learnt on others: standard deviations of
log slope, offset (log-odds) and log spread of a normal prior about "no change". Chosen so that
eight photos with some 100 fruit outweigh it."""
_SPREADS = np.exp(np.linspace(-0.9, 1.2, 8))
_LOWEST, _HIGHEST = 0.10, 0.90
"""Where a trial's own threshold may lie: beyond, a few photos would decide too much."""


@dataclass(frozen=True, slots=True)
class Taught:
    """What photos taught, and how much it helps on photos left out of the learning.

    Attributes
    ----------
    before, after : Settings
        As shipped, and as learnt.
    used : bool
        Whether `after` does better on photos left out, in one of `GAINS` at least.
    gain : dict
        ``corrections_per_100``, ``count_mae``, ``log_loss`` and ``interval_coverage``, each a pair
        ``[before, after]`` by cross-validation over photos.
    looks : tuple of float
        Sizes of the looks that were tried beside the one as shipped.
    """

    before: Settings
    after: Settings
    used: bool
    gain: dict[str, list[float]]
    looks: tuple[float, ...] = ()


def teach(
    photos: Sequence[Confirmed], settings: Settings, looks: Sequence[float] = LOOKS
) -> Taught:
    """Learn from photos, and say by photos left out whether it helps.

    Parameters
    ----------
    photos : sequence of Confirmed
        At least `LEAST_PHOTOS`; their order decides the folds.
    settings : Settings
        As shipped.
    looks : sequence of float
        Sizes of the looks to try beside the one as shipped, where all of the photos were seen at
        them. One is taken where the candidates rank better there, and left again where that does
        not help.
    """
    photos = [photo.at(settings.look) or photo for photo in photos]
    sizes = {settings.look: photos}
    for look in looks:
        seen = [there for photo in photos if (there := photo.at(look))]
        if len(seen) == len(photos):
            sizes[look] = seen
    old = _figures([(photo, settings) for photo in photos])
    folds = min(_FOLDS, len(photos))
    trials, elsewhere = [], False
    for fold in range(folds):
        rest = [place for place in range(len(photos)) if place % folds != fold]
        fitted = _fit_at_best_size(sizes, rest, settings)
        elsewhere |= fitted.look != settings.look
        trials += [(photo, fitted) for photo in sizes[fitted.look][fold::folds]]
    after = _fit_at_best_size(sizes, range(len(photos)), settings)
    new = _figures(trials)
    # other candidates have another log loss, whichever are better
    decide = _GAINS_AT_SIZE if elsewhere or after.look != settings.look else GAINS
    helps = any(round(new[name] - old[name], 9) < 0 for name in decide)
    if not helps and len(sizes) > 1:
        return teach(photos, settings, ())
    gain = {name: [round(old[name], 4), round(new[name], 4)] for name in old}
    return Taught(settings, after, helps, gain, tuple(sizes)[1:])


def figures_of(taught: Taught) -> dict[str, float]:
    """Return the figures on photos left out that a lesson works with: its own, if it is used."""
    return {name: pair[1 if taught.used else 0] for name, pair in taught.gain.items()}


def helps(at_once: Mapping[str, float], thorough: Mapping[str, float]) -> bool:
    """Whether a thorough lesson does better than one at once on photos left out.

    Parameters
    ----------
    at_once, thorough : mapping of str to float
        From `figures_of`.
    """
    return round(thorough["corrections_per_100"] - at_once["corrections_per_100"], 9) < 0


def _fit_at_best_size(
    sizes: Mapping[float, Sequence[Confirmed]], places: Sequence[int], settings: Settings
) -> Settings:
    """Fit the numbers to the photos of these places at the size that ranks them best."""
    by_size = {size: [photos[place] for place in places] for size, photos in sizes.items()}
    best = max(by_size, key=lambda size: (ranked(by_size[size]), size == settings.look))
    return fit(by_size[best], dataclasses.replace(settings, look=best))


def ranked(photos: Sequence[Confirmed]) -> float:
    """Return how well candidates rank: average precision, a fruit that none shows missed."""
    odds = np.concatenate([photo.odds for photo in photos])
    fruit = np.concatenate([photo.fruit for photo in photos])[np.argsort(-odds, kind="stable")]
    precision = np.cumsum(fruit) / np.arange(1, len(fruit) + 1)
    highest = np.maximum.accumulate(precision[::-1])[::-1]
    return float(highest[fruit].sum()) / max(sum(photo.count for photo in photos), 1)


def fit(photos: Sequence[Confirmed], settings: Settings) -> Settings:
    """Fit the numbers to photos.

    Slope and offset of the log-odds by maximum likelihood under a normal prior about no change
    (Platt 1999 with a prior), the spread likewise by the counts of whole photos. The threshold lies
    midway between the one that proposes as many candidates as people counted fruit and the one of
    best expected F1: the first alone proposes too much where few are found, the second too little.
    The threshold of fewest corrections was tried too: on ten photos it is chance.

    Parameters
    ----------
    photos : sequence of Confirmed
        At least one.
    settings : Settings
        As shipped.

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
    counted = sum(photo.count for photo in photos)
    fitted = dataclasses.replace(
        fitted, threshold=_threshold(chance(odds, fitted), counted, fitted)
    )
    return dataclasses.replace(fitted, fruit_spread=_spread(photos, fitted))


def _threshold(sure: Floats, counted: int, settings: Settings) -> float:
    """Return the threshold for candidates of these chances where people counted so many fruit."""
    if not counted or not len(sure):
        # no fruit tells no number of them: what was proposed before still is
        at = float(chance(log_odds(np.array([settings.threshold])), settings)[0])
    else:
        ranked = np.sort(sure)[::-1]
        balanced = float(ranked[counted - 1 : counted + 1].mean()) if counted < len(ranked) else 0.0
        expected_f1 = 2 * np.cumsum(ranked) / (np.arange(1, len(ranked) + 1) + counted)
        at = (max(balanced, float(ranked[-1])) + float(ranked[expected_f1.argmax()])) / 2
    return round(min(max(at, _LOWEST), _HIGHEST), 4)


def _corrections(photo: Confirmed, settings: Settings) -> int:
    shown = reaches(chance(photo.odds, settings), settings.threshold)
    return int((shown != photo.fruit).sum()) + photo.missed


def _spread(photos: Sequence[Confirmed], settings: Settings) -> float:
    """Return the factor on the spread under which the counts of the photos are most likely.

    Counts are taken as normal here, with the variance that `counting.finding.expected` describes
    (to first order in the shift), since it is tried many times.
    """
    spread = spread_of(dataclasses.replace(settings, fruit_spread=1.0))
    chances = [chance(photo.odds, settings) for photo in photos]
    inner = np.array([float((each * (1 - each)).sum()) for each in chances])
    mean = np.array([float(each.sum()) for each in chances])
    away = np.array([photo.count for photo in photos]) - (1 + spread.missed) * mean
    sd = _SPREADS[:, None] * spread.shift_sd * inner
    variance = np.maximum(sd**2 + inner + spread.missed * mean, 0.1)
    likely = -(away**2 / variance + np.log(variance)).sum(axis=1) / 2
    worth = likely - (np.log(_SPREADS) / _SPREAD_SD) ** 2 / 2
    return round(float(_SPREADS[worth.argmax()]), 4)


def _figures(trials: Sequence[tuple[Confirmed, Settings]]) -> dict[str, float]:
    """Return how well settings do on the photos they are paired with."""
    corrections = fruit = candidates = within = 0
    loss = away = 0.0
    for photo, settings in trials:
        sure = np.clip(chance(photo.odds, settings), 1e-6, 1 - 1e-6)
        corrections += _corrections(photo, settings)
        fruit += photo.count
        candidates += len(sure)
        loss -= float(np.log(np.where(photo.fruit, sure, 1 - sure)).sum())
        away += abs(int(reaches(sure, settings.threshold).sum()) - photo.count)
        _, low, high = expected_count(sure, spread_of(settings))
        within += low <= photo.count <= high
    return {
        "corrections_per_100": 100 * corrections / max(fruit, 1),
        "log_loss": loss / max(candidates, 1),
        "count_mae": away / len(trials),
        "interval_coverage": within / len(trials),
    }
