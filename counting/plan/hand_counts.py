"""Which plants are counted by hand as well: drawn by lot, in each group alike."""

from __future__ import annotations

import hashlib
import math

import numpy as np
import pandas as pd

__all__ = ["SHARE", "hand_counted"]

SHARE = 0.2
"""One plant in five: 10 to 20 % of the plants of each group at each survey (common practice)."""


def hand_counted(plants: pd.DataFrame, *, seed: int, survey: str) -> set[str]:
    """Draw the plants of a survey that are counted by hand beside the photo.

    Parameters
    ----------
    plants : DataFrame
        Columns `counting.tables.PLANTS`; guard plants are never drawn.
    seed : int
        The plan's.
    survey : str
        Date of the survey: each draws anew.

    Returns
    -------
    set of str
        Codes; at least two of each group where it has so many.
    """
    digest = hashlib.sha256(f"{seed}|{survey}".encode()).digest()
    rng = np.random.default_rng(int.from_bytes(digest[:8], "big"))
    drawn: set[str] = set()
    counted = plants[~plants["guard"]]
    for _, members in counted.groupby("group", sort=True):
        codes = sorted(str(code) for code in members["code"])
        number = min(len(codes), max(2, math.ceil(SHARE * len(codes))))
        drawn |= {codes[place] for place in rng.permutation(len(codes))[:number]}
    return drawn
