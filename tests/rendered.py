"""Rendered photos with known truth, and how far the finder is from it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.optimize import linear_sum_assignment

from counting.finding.candidates import LONG_SIDE_READ, find
from counting.finding.matching import FREE, match_by_centre
from counting.photos.image import load_image
from counting.photos.tag_reader import read_tags
from counting.settings import Settings

ROOT = Path(__file__).parent.parent
PLACES = (ROOT / "demo_images", ROOT / "fixtures" / "rendered")


def photos():
    """Return (path, truth) of every rendered photo with its truth."""
    listed = []
    for folder in PLACES:
        file = folder / "truth.json"
        if file.is_file():
            told = json.loads(file.read_text(encoding="utf-8"))
            listed += [(folder / photo["file"], photo) for photo in told["photos"]]
    return listed


def fruit(truth, *, least_mm=10.0, least_share=0.15):
    """Return the fruit of a photo that can be seen, as a table."""
    table = pd.DataFrame(truth["fruit"])
    if table.empty:
        return table
    return table[
        (table["diameter_mm"] >= least_mm) & (table["visible_share"] >= least_share)
    ].reset_index(drop=True)


def found(path):
    """Return what the finder sees, with the scale of the tag that it reads itself."""
    tags = read_tags(load_image(path).rgb)
    tag = tags[0] if tags else None
    return find(load_image(path, long_side=LONG_SIDE_READ), Settings(), tag=tag), tag


def matched(candidates, truth):
    """Return candidates and fruit side by side, those that match by centre."""
    boxes = ["x", "y", "width", "height"]
    sure = candidates["confidence"].to_numpy(np.float64)
    partner = match_by_centre(
        candidates[boxes].to_numpy(np.float64), sure, truth[boxes].to_numpy(np.float64)
    )
    hit = partner != FREE
    here = candidates[hit].reset_index(drop=True).add_suffix("_found")
    there = truth.iloc[partner[hit]].reset_index(drop=True)
    return pd.concat([here, there], axis=1)


def same_grouping(one, two):
    """Return the adjusted Rand index of two groupings (Hubert & Arabie 1985)."""
    table = pd.crosstab(np.asarray(one), np.asarray(two)).to_numpy()

    def pairs(counts):
        return float((counts * (counts - 1) / 2).sum())

    both, first, second = pairs(table), pairs(table.sum(axis=1)), pairs(table.sum(axis=0))
    every = pairs(np.array([table.sum()]))
    chance = first * second / every if every else 0.0
    most = (first + second) / 2
    return 1.0 if most == chance else (both - chance) / (most - chance)


def count_errors(true, said):
    """Return |fruit said - fruit true| of each true truss, trusses paired to share most fruit.

    `said` may hold fruit that are on no true truss: `true` is NA there, and they count.
    """
    true, said = pd.Series(true, dtype="Int64"), pd.Series(said, dtype="Int64")
    table = pd.crosstab(true, said)
    rows, columns = linear_sum_assignment(-table.to_numpy())
    got = pd.Series(0, index=table.index)
    got.iloc[rows] = said.value_counts().reindex(table.columns[columns]).to_numpy()
    return (got - true.value_counts().reindex(got.index)).abs().to_numpy()
