"""How much of what the photos of one plant show they show twice."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from counting.ledger import Ledger
from counting.ledger.facts import Judged, Proposal, left_out, proposals, standing_answers
from counting.plan.trial import Trial
from counting.records.confirmed import tell_apart

__all__ = ["NO_OVERLAP", "Overlap", "PlantPhotos", "may_overlap", "overlap_of", "plants_photos"]

_FEW = 3
"""Plants below which an overlap is not estimated; a spread needs at least so many."""


@dataclass(frozen=True, slots=True)
class Overlap:
    """Fruit told apart, as a share of the fruit counted photo by photo.

    Attributes
    ----------
    share : float
        1 where no fruit is shown twice.
    spread : float
        By how much a plant's own share differs, for each fruit counted on it (SD).
    plants : int
        Plants that it was learned from.
    """

    share: float
    spread: float
    plants: int

    def apply(self, counted: float, sd: float) -> tuple[float, float]:
        """Return the fruit told apart of a plant, with its SD.

        Parameters
        ----------
        counted, sd : float
            Fruit counted photo by photo, and what is not known of it.
        """
        return self.share * counted, math.hypot(self.share * sd, self.spread * counted)


NO_OVERLAP = Overlap(1.0, 0.0, 0)
"""Of a plant with a single photo."""


def may_overlap(judged: Sequence[Judged]) -> bool:
    """Whether two of a plant's photos can show the same fruit: not if each is of its own truss.

    Parameters
    ----------
    judged : sequence of Judged
        The photos of one plant at one survey.
    """
    trusses = {each.photo.truss for each in judged}
    return len(judged) > 1 and (None in trusses or len(trusses) < len(judged))


def overlap_of(plants: Iterable[Sequence[Judged]]) -> Overlap | None:
    """Learn the overlap from plants of which several photos were all reviewed.

    The share is a ratio of totals and its spread that of the plants' own shares about it, by which
    the share for another plant is uncertain.

    Parameters
    ----------
    plants : iterable of sequence of Judged
        The photos of each plant at one survey.

    Returns
    -------
    Overlap or None
        None with fewer than three such plants.

    References
    ----------
    Cochran (1977) Sampling Techniques, 3rd ed., sec. 6.3 (ratio of totals).
    """
    pairs = [
        (float(len(tell_apart(judged))), float(sum(len(tell_apart([one])) for one in judged)))
        for judged in plants
        if may_overlap(judged) and all(one.counted for one in judged)
    ]
    apart, counted = np.array([pair for pair in pairs if pair[1] > 0]).reshape(-1, 2).T
    n = len(counted)
    if n < _FEW:
        return None
    share = float(apart.sum() / counted.sum())
    off = (apart - share * counted) / counted.mean()
    spread = math.sqrt(float(np.sum(off**2)) / (n - 1) * (1 + 1 / n))
    return Overlap(share, spread, n)


@dataclass(frozen=True, slots=True)
class PlantPhotos:
    """A plant's photos at a survey, with what was proposed on them.

    Attributes
    ----------
    judged : tuple of Judged
    made : dict
        SHA-256 of a photo to its proposal; a photo that was never looked at has none.
    overlap : Overlap or None
        As on the survey's plants of which all photos were reviewed; None where it is not known.
    """

    survey: str
    plant: str
    judged: tuple[Judged, ...]
    made: dict[str, Proposal]
    overlap: Overlap | None


def plants_photos(trial: Trial, ledger: Ledger) -> list[PlantPhotos]:
    """Return the plants that have photos, by survey and plant.

    Guard plants and plants left out with a reason are left out.

    Parameters
    ----------
    trial : Trial
    ledger : Ledger
        The trial's, open.
    """
    made, out = proposals(ledger), left_out(ledger)
    guards = set(trial.plants.loc[trial.plants["guard"].fillna(False), "code"])
    by_plant: dict[tuple[str, str], list[Judged]] = defaultdict(list)
    for each in standing_answers(ledger):
        by_plant[each.photo.survey, each.photo.plant].append(each)
    overlaps = {
        survey: overlap_of(judged for (day, _), judged in by_plant.items() if day == survey)
        for survey in {survey for survey, _ in by_plant}
    }
    return [
        PlantPhotos(
            survey,
            plant,
            tuple(judged),
            {
                each.photo.photo: made[each.photo.photo]
                for each in judged
                if each.photo.photo in made
            },
            overlaps[survey] if may_overlap(judged) else NO_OVERLAP,
        )
        for (survey, plant), judged in sorted(by_plant.items(), key=lambda item: item[0])
        if plant not in guards and not out.plant(plant, survey)
    ]
