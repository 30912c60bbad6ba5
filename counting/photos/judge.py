"""What a photographer is told of a photo while still standing in the row."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import pandas as pd

from counting.flags import Flag
from counting.photos.binding import Codes
from counting.photos.examine import Examined

__all__ = ["Judgement", "judge"]


@dataclass(frozen=True, slots=True)
class Judgement:
    """One photo judged.

    Attributes
    ----------
    kind : {"good", "other plant", "no tag", "blurred", "dark", "bright", "far", "damaged"}
        What matters most.
    plants : tuple of str
        Plants whose tags were read, nearest to the photo's middle first.
    px_per_mm : float or None
        At the tag; None without one.
    """

    kind: Literal["good", "other plant", "no tag", "blurred", "dark", "bright", "far", "damaged"]
    plants: tuple[str, ...]
    px_per_mm: float | None


def judge(examined: Examined, plants: pd.DataFrame, expected: str) -> Judgement:
    """Say whether a photo will do for the plant it was taken of.

    Parameters
    ----------
    examined : Examined
        The photo, with the trial's tags sought in it.
    plants : DataFrame
        Columns `counting.tables.PLANTS`.
    expected : str
        Code of the plant that the photographer stands before.

    Returns
    -------
    Judgement
        What spoils the photo comes before what a person can mend later.
    """
    codes = Codes.of(plants).tags
    seen = tuple(codes[tag.id] for tag in examined.tags if tag.id in codes)
    scale = 1 / examined.tags[0].mm_per_px if examined.tags else None
    flags = set(examined.quality.flags)
    if examined.damage:
        return Judgement("damaged", seen, scale)
    if Flag.BLURRED in flags:
        return Judgement("blurred", seen, scale)
    if Flag.TOO_DARK in flags or Flag.TOO_BRIGHT in flags:
        return Judgement("dark" if Flag.TOO_DARK in flags else "bright", seen, scale)
    if not seen:
        return Judgement("no tag", seen, scale)
    if expected not in seen:
        return Judgement("other plant", seen, scale)
    if Flag.TOO_SMALL in flags:
        return Judgement("far", seen, scale)
    return Judgement("good", seen, scale)
