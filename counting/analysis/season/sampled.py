"""A sample of reviewed plants and the finder's counts of all: one answer for all of them."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from counting.analysis.compare import compare
from counting.analysis.contrasts import detectable_ratio, each_adjusted
from counting.analysis.data.overlap import NO_OVERLAP, PlantPhotos, plants_photos
from counting.analysis.data.selection import select
from counting.analysis.data.units import to_units
from counting.analysis.estimates import NO_ESTIMATE, Estimate, as_ratio
from counting.analysis.methods.design import design_of
from counting.analysis.methods.difference_estimator import (
    Corrected,
    corrected,
    ratio_of_corrected,
)
from counting.analysis.methods.differences import jointly
from counting.analysis.question import Question
from counting.analysis.result import Comparison, Contrast
from counting.analysis.words.phrases import percent
from counting.analysis.words.sentence import worded
from counting.finding.lesson.alike import common_settings, expected_as
from counting.ledger import Ledger
from counting.ledger.facts import Proposal, glances, sheets
from counting.plan.trial import Trial
from counting.records.confirmed import tell_apart

__all__ = ["Sampled", "compare_sampled", "sampled_plants"]


@dataclass(frozen=True, slots=True)
class Sampled:
    """A plant at a survey: what the finder expects, and what a person counted where it was drawn.

    Attributes
    ----------
    expected : float
        By the finder alone, from all of the plant's photos.
    reviewed : float
        NaN where not all of its photos were reviewed.
    chance : float
        That it was drawn; 1 where it was reviewed without having been drawn.
    """

    survey: str
    plant: str
    expected: float
    reviewed: float
    chance: float


def sampled_plants(trial: Trial, ledger: Ledger) -> list[Sampled]:
    """Return every plant with proposals on all of its photos; empty where no sample was drawn."""
    chances = {
        photo: chance
        for sheet in sheets(ledger).values()
        for photo, chance in sheet.chances.items()
    }
    if not chances:
        return []
    found = []
    listed = plants_photos(trial, ledger)
    seen = glances(ledger)
    told = {each: _told(listed, each, seen) for each in {plant.survey for plant in listed}}
    for each in listed:
        judged, made = each.judged, each.made
        if len(made) < len(judged):
            continue
        overlap = each.overlap or NO_OVERLAP
        expected = overlap.share * sum(told[each.survey](proposal) for proposal in made.values())
        whole = all(one.counted for one in judged)
        reviewed = float(len(tell_apart(judged))) if whole else math.nan
        chance = min((chances[photo] for photo in made if photo in chances), default=1.0)
        found.append(Sampled(each.survey, each.plant, expected, reviewed, chance))
    return found


def _told(
    listed: list[PlantPhotos], survey: str, seen: Mapping[tuple[str, float, str], Proposal]
) -> Callable[[Proposal], float]:
    """Return how the finder's counts of a survey are read: alike before and after a lesson."""
    here = [each for each in listed if each.survey == survey]
    if len({made.made_with for each in here for made in each.made.values()}) < 2:
        return lambda proposal: float(proposal.count)
    waiting = [
        each.made[one.photo.photo]
        for each in here
        for one in each.judged
        if not one.answer and one.photo.photo in each.made
    ]
    settings = common_settings(waiting)
    if settings is None:
        return lambda proposal: float(proposal.count)
    return lambda proposal: expected_as(proposal, settings, seen)


def compare_sampled(trial: Trial, plants: list[Sampled], question: Question) -> Comparison | None:
    """Compare the groups by the finder's counts of all plants, corrected by the sample reviewed.

    Parameters
    ----------
    trial : Trial
    plants : list of Sampled
    question : Question
        Of the count of fruit; its survey None: the last with plants.

    Returns
    -------
    Comparison or None
        None where a group's sample has fewer than two reviewed plants at the survey.
    """
    survey = question.survey or max((each.survey for each in plants), default="")
    rows = [each for each in plants if each.survey == survey]
    places = trial.plants.set_index("code")[["group", "block", "plot"]]
    table = pd.DataFrame([places.loc[each.plant] for each in rows]).reset_index(drop=True)
    if table.empty:
        return None
    chance = _as_reviewed(rows, table)
    found = corrected(
        np.array([each.expected for each in rows]),
        np.array([each.reviewed for each in rows]),
        chance,
        table["group"].to_numpy("str"),
    )
    if any(n < 2 for n in found.reviewed.values()):
        return None
    table = table.assign(
        value=found.values,
        plant=[each.plant for each in rows],
        survey=survey,
        source="photo",
        measure=question.measure,
        unit="count",
    )
    asked = replace(question, kind="length", survey=survey, source=None, above=None, before=None)
    base = compare(table, asked)
    contrasts = tuple(_with_ratio(each, table, asked) for each in base.comparisons)
    contrasts = each_adjusted(_together(contrasts, asked))
    caution = _caution(rows, found, contrasts)
    return worded(
        replace(
            base,
            kind="count",
            comparisons=contrasts,
            cautions=(caution, *base.cautions),
            source="photo",
        )
    )


def _as_reviewed(rows: list[Sampled], table: pd.DataFrame) -> np.ndarray:
    """Bring the chances down to those drawn that were reviewed already, as if by lot too."""
    drawn = np.array([each.chance for each in rows])
    done = np.array([not math.isnan(each.reviewed) for each in rows])
    keys = list(zip(table["group"], table["block"], drawn, strict=True))
    chance = drawn.copy()
    for key in set(keys):
        mine = np.array([each == key for each in keys])
        if key[2] < 1 and done[mine].any():
            # of the plants with this chance so many were drawn; of those so many are reviewed
            there = sum(1 for each in keys if each[:2] == key[:2])
            chance[mine] = key[2] * done[mine].sum() / max(mine.sum(), 1)
            chance[mine] = np.clip(chance[mine], 1 / max(there, 1), 0.999)
    # drawn with certainty, or reviewed without a draw: the count stands for itself
    return chance


def _with_ratio(contrast: Contrast, table: pd.DataFrame, question: Question) -> Contrast:
    """Put the ratio of the corrected means into a contrast."""
    units = to_units(select(table, question), question.allotted_to)
    pair = units.table[units.table["group"].isin([contrast.group, contrast.control])]
    block = pair["block"].tolist() if units.blocked else None
    design = design_of(pair["group"].tolist(), block, (contrast.control, contrast.group))
    design = design or design_of(pair["group"].tolist(), None, (contrast.control, contrast.group))
    ratio = NO_ESTIMATE
    if design is not None and design.groups:
        treated = (pair["group"] == contrast.group).to_numpy()
        values = pair["value"].to_numpy("float64")
        ratio = ratio_of_corrected(values, design.matrix, 1, treated, question.level)
    return _resting_on(ratio, replace(contrast, basis="ratio"), question.level)


def _resting_on(ratio: Estimate, contrast: Contrast, level: float) -> Contrast:
    return replace(contrast, ratio=ratio, detectable=detectable_ratio(ratio, level))


def _together(contrasts: tuple[Contrast, ...], question: Question) -> tuple[Contrast, ...]:
    """Adjust the ratios for the number of groups.

    Each is of one pair of groups with an error of its own; taken as if they did not go together
    the intervals are safe, and a little wide.
    """
    logs = {
        each.group: replace(each.ratio, value=math.log(each.ratio.value))
        for each in contrasts
        if each.ratio.value and each.ratio.se and each.ratio.p is not None
    }
    if len(logs) < 2:
        return contrasts
    diagonal = np.diag([(each.se or 0.0) ** 2 for each in logs.values()])
    joint = jointly(logs, diagonal, question.level, question.seed)
    return tuple(
        _resting_on(each.ratio.jointly(as_ratio(joint[each.group])), each, question.level)
        if each.group in joint
        else each
        for each in contrasts
    )


def _caution(rows: list[Sampled], found: Corrected, contrasts: tuple[Contrast, ...]) -> str:
    """Say how much was reviewed and what more would bring."""
    done = sum(found.reviewed.values())
    text = (
        f"{done} of {len(rows)} plants were drawn by lot and reviewed; of the others the finder "
        "counted the fruit, corrected by what the reviews found in each group."
    )
    first = contrasts[0] if contrasts else None
    if first is None or not first.ratio.se or not first.ratio.value:
        return text
    sampling = sum(
        found.sampling.get(name, 0.0) / max(mean, 1e-9) ** 2
        for name, mean in _means(rows, found).items()
        if name in {first.group, first.control}
    )
    se = first.ratio.se
    twice = math.sqrt(max(se**2 - sampling / 2, se**2 / 4))
    now, then = (math.expm1(1.96 * each) for each in (se, twice))
    enough = ": enough" if now - then < _LITTLE else ""
    return (
        f"{text} Reviewing as many again would narrow the interval from about {percent(now)} to "
        f"about {percent(then)} to either side{enough}."
    )


_LITTLE = 0.02
"""Narrower by less than two points is not worth a second evening (chosen)."""


def _means(rows: list[Sampled], found: Corrected) -> dict[str, float]:
    """Return a mean count for each group, to put its error in proportion."""
    mean = float(np.mean(found.values)) if rows else 0.0
    return dict.fromkeys(found.sampling, mean)
