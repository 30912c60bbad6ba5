"""The frames of a contact sheet: each photo with what was proposed on it, in the order to show."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, zip_longest

import numpy as np

from counting.finding.uncertain import expected_error, worth_a_look
from counting.finding.zone import likely_pairs
from counting.flags import Flag
from counting.ledger.facts import Border, Candidate, Photo, Proposal, left_out, photos, proposals
from counting.plan.trial import Trial

__all__ = ["Frame", "by_lot", "doubtful", "frames", "ordered", "uncovered"]


@dataclass(frozen=True, slots=True)
class Frame:
    """One photo of a sheet.

    Attributes
    ----------
    photo : str
        SHA-256 of the file.
    file : str
        Path inside the trial.
    width, height : int
        Size of the upright photo, px.
    survey, plant, group, side : str
        Where the photo belongs; none of it is shown on a blind sheet.
    truss : int or None
        Number of the truss photographed; None for a whole plant.
    proposal : str
        Hash of the ledger entry with the candidates, empty where none were proposed yet.
    candidates : tuple of Candidate
        All of them, those below the threshold too.
    shown : frozenset of int
        Numbers of the candidates that are proposed as fruit.
    flags : tuple of str
        Reasons to look, words of `counting.flags.Flag`.
    card : tuple of (float, float)
        Corners of the tag's card, px; empty without a tag.
    zone : tuple or None
        The two borders of the plant's part of the photo, each ``(x, y, x, y)`` in px; None where
        all of it is taken for the plant's.
    interval : tuple or None
        Expected count and the ends of its 90 % interval, where there is a proposal.
    likely : tuple of (int, str, int)
        Its candidates that are likely on another photo of the same side too: candidate, that photo
        and the candidate there.
    """

    photo: str
    file: str
    width: int
    height: int
    survey: str
    plant: str
    group: str
    side: str
    truss: int | None
    proposal: str
    candidates: tuple[Candidate, ...]
    shown: frozenset[int]
    flags: tuple[str, ...]
    card: tuple[tuple[float, float], ...]
    zone: tuple[Border, Border] | None = None
    interval: tuple[float, float, float] | None = None
    likely: tuple[tuple[int, str, int], ...] = ()

    @property
    def belongs_to(self) -> tuple[str, str]:
        """Survey and plant: photos that agree in both may show the same fruit twice."""
        return self.survey, self.plant

    @property
    def doubt(self) -> float:
        """By how many fruit the proposed count is likely to be off; 0 without a proposal.

        Rings on the next plants' fruit, or on fruit too small to count, are no part of it.
        """
        if self.interval is None:
            return 0.0
        return expected_error(sum(not each.small for each in _counted(self)), *self.interval)


def uncovered(without: int, photos: int) -> str:
    """Say on how many photos of a blind sheet a tag may show, since none was read.

    Parameters
    ----------
    without : int
        Photos in which no tag was read.
    photos : int
        All photos of the sheet.

    Returns
    -------
    str
        A sentence without its full stop; empty where there is nothing to say: a trial without
        tags has none to show.
    """
    if not without or 2 * without >= photos:
        return ""
    return (
        f"On {without} of {photos} photos no tag was read, so none is covered there; where one"
        " shows, whoever counts can tell the plant"
    )


def doubtful(listed: Sequence[Frame]) -> set[str]:
    """Return the photos to look at closely: those whose counts are likely to be off by most, at
    most three in ten, and those with a fault of their own.
    """
    errors = np.array([frame.doubt for frame in listed], dtype=np.float64)
    chosen = worth_a_look(errors, [frame.flags for frame in listed])
    return {frame.photo for frame, first in zip(listed, chosen, strict=True) if first}


def frames(trial: Trial) -> list[Frame]:
    """Return the trial's photos that are to be reviewed, in the order taken in.

    Photos of guard plants are left out, and photos and plants that are left out at present.
    """
    plants = trial.plants.set_index("code")
    with trial.ledger() as ledger:
        out, proposed = left_out(ledger), proposals(ledger)
        taken = photos(ledger)
    result = []
    for photo in taken.values():
        known = photo.plant in plants.index
        if known and bool(plants.at[photo.plant, "guard"]):
            continue
        if out.photo(photo.photo) or out.plant(photo.plant, photo.survey):
            continue
        group = str(plants.at[photo.plant, "group"]) if known else ""
        result.append(_frame(photo, group, proposed.get(photo.photo)))
    told = _likely(result, taken)
    return [replace(each, likely=tuple(told.get(each.photo, ()))) for each in result]


def _likely(
    listed: Sequence[Frame], taken: Mapping[str, Photo]
) -> dict[str, list[tuple[int, str, int]]]:
    """Return the likely pairs between photos of one plant, each with the earlier photo."""
    sets: dict[tuple[str, str], list[Frame]] = {}
    for frame in listed:
        sets.setdefault(frame.belongs_to, []).append(frame)
    told: dict[str, list[tuple[int, str, int]]] = {}
    for together in sets.values():
        for one, other in combinations(together, 2):
            pairs = likely_pairs(
                taken[one.photo], _counted(one), taken[other.photo], _counted(other)
            )
            told.setdefault(one.photo, []).extend((a, other.photo, b) for a, b in pairs)
    return told


def _counted(frame: Frame) -> list[Candidate]:
    """Return the candidates that are proposed as the plant's fruit."""
    return [each for each in frame.candidates if each.candidate in frame.shown and each.own]


def ordered(listed: Sequence[Frame], seed: int) -> list[Frame]:
    """Return frames in a shuffled order, plants with a doubtful photo first.

    The photos of one plant at one survey stay together, doubtful ones first, so that its sides can
    be held against each other.

    Parameters
    ----------
    listed : sequence of Frame
        In any order; the result does not depend on it.
    seed : int
        Decides the order.
    """
    sets: dict[tuple[str, str], list[Frame]] = {}
    for frame in sorted(listed, key=lambda frame: frame.photo):
        sets.setdefault(frame.belongs_to, []).append(frame)
    keys = sorted(sets)
    shuffled = [keys[place] for place in np.random.default_rng(seed).permutation(len(keys))]
    first = doubtful(listed)
    shuffled.sort(key=lambda key: not any(frame.photo in first for frame in sets[key]))
    return [
        frame
        for key in shuffled
        for frame in sorted(
            sets[key],
            key=lambda frame: (frame.photo not in first, frame.side, frame.truss or 0),
        )
    ]


def by_lot(listed: Sequence[Frame], number: int, seed: int) -> list[Frame]:
    """Return the photos to review first: plants drawn by lot, the groups in turn.

    They teach the finder this trial's fruit. Chosen photos (the most doubtful ones, or such that
    differ most in light and ripeness) taught worse than lots on labelled photos (STAGES.md): the
    finder learns from them what is rare. All photos of a plant at a survey come together.

    Parameters
    ----------
    listed : sequence of Frame
        In any order; the result does not depend on it.
    number : int
        So many photos at least, where there are as many.
    seed : int
        Draws the lots.
    """
    sets: dict[tuple[str, tuple[str, str]], list[Frame]] = {}
    for frame in sorted(listed, key=lambda frame: frame.photo):
        sets.setdefault((frame.group, frame.belongs_to), []).append(frame)
    keys = sorted(sets)
    drawn: dict[str, list[list[Frame]]] = {}
    for place in np.random.default_rng(seed).permutation(len(keys)):
        drawn.setdefault(keys[place][0], []).append(sets[keys[place]])
    turns = zip_longest(*(drawn[group] for group in sorted(drawn)))
    chosen: list[Frame] = []
    for together in (each for turn in turns for each in turn if each is not None):
        if len(chosen) >= number:
            break
        chosen += together
    return chosen


def _frame(photo: Photo, group: str, proposal: Proposal | None) -> Frame:
    """Join a photo with its proposal."""
    proposed = proposal or Proposal(photo.photo)
    return Frame(
        photo=photo.photo,
        file=photo.file,
        width=photo.width,
        height=photo.height,
        survey=photo.survey,
        plant=photo.plant,
        group=group,
        side=photo.side,
        truss=photo.truss,
        proposal=proposed.entry,
        candidates=proposed.candidates,
        shown=frozenset(each.candidate for each in proposed.shown),
        flags=_flags([*photo.flags, *proposed.flags]),
        card=photo.tag.card if photo.tag else (),
        zone=proposed.zone,
        interval=_interval(proposed),
    )


def _interval(proposed: Proposal) -> tuple[float, float, float] | None:
    count, low, high = proposed.count, proposed.count_low, proposed.count_high
    return None if count is None or low is None or high is None else (count, low, high)


def _flags(words: Sequence[str]) -> tuple[str, ...]:
    """Return known words once each, in the order of `Flag`."""
    given = set(words)
    return tuple(flag.value for flag in Flag if flag.value in given)
