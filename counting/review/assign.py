"""Share the photos out among volunteers, with some given to all, so that they can be compared."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from counting.errors import CountingError
from counting.plan.trial import Trial
from counting.review.frames import Frame
from counting.review.sampling import draw_sample
from counting.review.sheet import Made, SheetOptions, chosen_frames, make_sheets, seed_of
from counting.text import plain_name

__all__ = ["Assigned", "assign", "shares"]


@dataclass(frozen=True, slots=True)
class Assigned:
    """The sheets made for volunteers.

    Attributes
    ----------
    sheets : tuple of Made
        One for each volunteer, in the order named.
    reviewers : tuple of str
        Their names; empty where only a number of volunteers was given.
    common : tuple of str
        Photos that stand on every sheet.
    """

    sheets: tuple[Made, ...]
    reviewers: tuple[str, ...]
    common: tuple[str, ...]


def assign(
    trial: Trial,
    reviewers: int | Sequence[str],
    *,
    overlap: float = 0.1,
    sample: float | None = None,
    options: SheetOptions | None = None,
) -> Assigned:
    """Make one contact sheet for each volunteer.

    Plants are drawn by lot: a share of them, `overlap`, goes to everyone, the rest to one
    volunteer each, so that all have about the same number of photos. The photos of one plant at
    one survey stay together.

    Parameters
    ----------
    trial : Trial
        The trial.
    reviewers : int or sequence of str
        How many volunteers, or their names.
    overlap : float
        Share of the photos that every volunteer gets, 0..1.
    sample : float, optional
        Share of the plants to draw by lot for review, 0..1; the rest is left to the finder and to
        ``counting compare --include-unreviewed``. None: all.
    options : SheetOptions, optional
        Which photos, and how the sheets look.

    Raises
    ------
    CountingError
        If there is no volunteer, one is named twice, or there is not a photo for each.
    """
    options = options or SheetOptions()
    names = [""] * reviewers if isinstance(reviewers, int) else [_name(name) for name in reviewers]
    _check(trial, names, overlap)
    listed = chosen_frames(trial, options)
    if sample is not None:
        if not 0 < sample <= 1:
            raise CountingError(trial.directory, f"sample {sample:g}", "a share up to 100 %")
        blocks = dict(zip(trial.plants["code"], trial.plants["block"], strict=True))
        chances = draw_sample(listed, blocks, sample, seed_of(trial, options))
        options = replace(options, chances=chances)
        listed = [frame for frame in listed if frame.photo in chances]
    common, own = shares(listed, len(names), overlap, seed_of(trial, options))
    if any(not common and not each for each in own):
        raise CountingError(
            trial.directory,
            f"{len(listed)} photos are too few for {len(names)} volunteers",
            mend="name fewer volunteers",
        )
    sheets = []
    for number, (name, photos) in enumerate(zip(names, own, strict=True), start=1):
        part = f"{number} of {len(names)}"
        wanted = replace(options, photos=(*common, *photos), reviewer=name, part=part, per_file=0)
        sheets += make_sheets(trial, wanted)
    return Assigned(tuple(sheets), tuple(name for name in names if name), tuple(common))


def shares(
    listed: Sequence[Frame], volunteers: int, overlap: float, seed: int
) -> tuple[list[str], list[list[str]]]:
    """Return the photos for everyone and those for each volunteer alone.

    Parameters
    ----------
    listed : sequence of Frame
        All photos to share out.
    volunteers : int
        How many.
    overlap : float
        Share of the photos for everyone; whole plants are taken until it is reached.
    seed : int
        Draws the lots.

    Returns
    -------
    common : list of str
    own : list of list of str
        One list for each volunteer.
    """
    sets: dict[tuple[str, str], list[str]] = {}
    for frame in sorted(listed, key=lambda frame: frame.photo):
        sets.setdefault(frame.belongs_to, []).append(frame.photo)
    keys = sorted(sets)
    drawn = [keys[place] for place in np.random.default_rng(seed).permutation(len(keys))]
    common: list[str] = []
    own: list[list[str]] = [[] for _ in range(volunteers)]
    for key in drawn:
        if len(common) < overlap * len(listed) - 1e-9:
            common += sets[key]
        else:
            min(own, key=len).extend(sets[key])
    return common, own


def _name(text: str) -> str:
    try:
        return plain_name(text, "a volunteer's name")
    except ValueError as error:
        option = "--reviewer"
        raise CountingError(option, str(error)) from error


def _check(trial: Trial, names: Sequence[str], overlap: float) -> None:
    """Refuse what cannot be shared out."""
    given = [name for name in names if name]
    if not names:
        raise CountingError(trial.directory, "no volunteer", "at least one")
    if len(set(given)) != len(given):
        raise CountingError(trial.directory, "a volunteer is named twice", "each once")
    if any("|" in name for name in given):
        raise CountingError(trial.directory, "a volunteer's name holds the sign |", "a plain name")
    if not 0 <= overlap <= 1:
        raise CountingError(trial.directory, f"overlap {overlap:g}", "a share from 0 to 100 %")
