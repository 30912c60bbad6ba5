"""What is seen of a vine from one side and from both, and trials drawn from it.

``python tests/both_sides.py`` prints the figures.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from rendered import photos, plants

from counting.analysis.calibrate import Calibration, calibrate_table
from counting.analysis.question import Question
from counting.tables import OBSERVATIONS, frame

SMALLEST_MM = 10.0
SHOWS = 0.15
"""A person marks a fruit from this visible share on, as the recorded reviewer does."""
CONTROL, TREATED = "own-rooted", "grafted"
SHARES_BY_HAND = (0.1, 0.2, 0.3)


@dataclass(frozen=True, slots=True)
class Sides:
    """What is seen of the true fruit, over a number of plants seen from both sides.

    Attributes
    ----------
    plants, fruit : int
        Plants (each survey for itself) and their true fruit.
    one : float
        Share of the true fruit that the photo from the path shows.
    other : float
        Share that the photo from the other side shows.
    either, twice : float
        Share that at least one of the photos shows, and that both show.
    """

    plants: int
    fruit: int
    one: float
    other: float
    either: float
    twice: float


def vines():
    """Return each plant at each survey with its photos: ((survey, plant), {side: truth})."""
    by_plant = defaultdict(dict)
    for _, photo in photos():
        by_plant[photo["survey"], photo["plant"]][photo["side"]] = photo
    return sorted(by_plant.items())


def true_fruit(survey, plant):
    """Return the ids of a plant's fruit that count, whether or not a photo shows them."""
    every = plants()[plant]["surveys"][survey]["fruit"]
    return {fruit["id"] for fruit in every if fruit["diameter_mm"] >= SMALLEST_MM}


def shown(photo, least=SHOWS):
    """Return the ids of the fruit that count and can be seen in a photo."""
    return {
        fruit["id"]
        for fruit in photo["fruit"]
        if fruit["diameter_mm"] >= SMALLEST_MM and fruit["visible_share"] >= least
    }


def sides_seen():
    """Return what one side and both show, over the plants photographed from both."""
    both = [(key, sides) for key, sides in vines() if len(sides) == 2]
    counts = np.zeros(5)
    for (survey, plant), sides in both:
        one, other = shown(sides["path"]), shown(sides["wall"])
        counts += [
            len(true_fruit(survey, plant)),
            len(one),
            len(other),
            len(one | other),
            len(one & other),
        ]
    return Sides(len(both), int(counts[0]), *(counts[1:] / counts[0]).tolist())


def one_side_shares():
    """Return the share seen from the path alone by survey and group, over all plants."""
    rows = [
        {
            "survey": survey,
            "group": plants()[plant]["group"],
            "true": len(true_fruit(survey, plant)),
            "seen": len(shown(sides["path"])),
        }
        for (survey, plant), sides in vines()
    ]
    table = pd.DataFrame(rows).groupby(["survey", "group"]).sum()
    return table.assign(share=table["seen"] / table["true"])


def visibility():
    """Return, for each plant at each survey, how much of each true fruit the path's photo shows."""
    listed = []
    for (survey, plant), sides in vines():
        share = {fruit["id"]: fruit["visible_share"] for fruit in sides["path"]["fruit"]}
        each = [share.get(number, 0.0) for number in sorted(true_fruit(survey, plant))]
        listed.append(np.array(each))
    return listed


def draw_trial(seen, rng, *, each=30, by_hand=0.2):
    """Draw a trial whose groups differ in fruit and in how much of it the leaves hide.

    Plants are drawn with replacement from the rendered ones. A group's foliage is drawn as the
    visible share from which a fruit is counted, between 0.05 and 0.7, so the share seen differs
    from group to group as the rendered leaves make it; the control has lost up to 40 % of its
    fruit at random.

    Parameters
    ----------
    seen : list of array
        From `visibility`.
    rng : Generator
    each : int
        Plants of each group, all photographed.
    by_hand : float
        Share of them, chosen at random, that are counted by hand as well.

    Returns
    -------
    DataFrame
        Observations.
    dict
        Group to the mean of its plants' true fruit.
    """
    fewer = rng.uniform(0.6, 1.0)
    rows, truth = [], {}
    for group, kept in ((CONTROL, fewer), (TREATED, 1.0)):
        least = rng.uniform(0.05, 0.7)
        handed = set(rng.permutation(each)[: round(by_hand * each)].tolist())
        true = []
        for plant, which in enumerate(rng.integers(len(seen), size=each)):
            fruit = seen[which][rng.random(len(seen[which])) < kept]
            true.append(len(fruit))
            rows.append(_row(group, plant, "photo", int((fruit >= least).sum())))
            if plant in handed:
                rows.append(_row(group, plant, "tally", len(fruit)))
        truth[group] = float(np.mean(true))
    return frame(rows, OBSERVATIONS), truth


def recovered(trials=200, *, each=30, shares: Iterable[float] = SHARES_BY_HAND, seed=20260706):
    """Return how near calibration comes to the true ratio of the groups in drawn trials.

    Returns
    -------
    DataFrame
        One row per trial: `by_hand`, the share counted by hand; `true`, the ratio of the groups'
        true means; `photo` and `found`, that ratio from photo counts alone and calibrated;
        `share_ratio`, how differently the groups are seen; `inside`, whether the 95 % interval
        holds the true ratio.
    """
    rng = np.random.default_rng(seed)
    seen, cycle, rows = visibility(), list(shares), []
    for number in range(trials):
        by_hand = cycle[number % len(cycle)]
        table, truth = draw_trial(seen, rng, each=each, by_hand=by_hand)
        found = calibrate_table(table, Question("fruit", control=CONTROL, draws=1))
        rows.append({"by_hand": by_hand, "true": truth[TREATED] / truth[CONTROL]} | _said(found))
    return pd.DataFrame(rows).assign(
        inside=lambda rows: (rows["low"] <= rows["true"]) & (rows["true"] <= rows["high"])
    )


def errors(table, name="found"):
    """Return error of a recovered ratio as a share of the true one."""
    return table[name] / table["true"] - 1


def summary(table):
    """Return average error, average size of the error and cover, by share counted by hand."""
    off = table.assign(
        error=errors(table), size=errors(table).abs(), photo_size=errors(table, "photo").abs()
    )
    figures = {
        "trials": ("error", "size"),
        "mean_error": ("error", "mean"),
        "mean_size": ("size", "mean"),
        "median_size": ("size", "median"),
        "within_5": ("size", lambda size: (size <= 0.05).mean()),
        "photo_mean_size": ("photo_size", "mean"),
        "inside": ("inside", "mean"),
    }
    by_share = off.groupby("by_hand").agg(**figures)
    whole = off.assign(by_hand="all").groupby("by_hand").agg(**figures)
    return pd.concat([by_share, whole])


def _said(found: Calibration):
    contrast = found.comparison.comparisons[0]
    return {
        "photo": contrast.photo_ratio,
        "found": contrast.ratio.value,
        "low": contrast.ratio.low,
        "high": contrast.ratio.high,
        "share_ratio": contrast.share_ratio.value,
    }


def _row(group, plant, source, value):
    return {
        "survey": "2026-07-20",
        "plant": f"{group} {plant}",
        "measure": "fruit",
        "value": float(value),
        "unit": "count",
        "source": source,
        "group": group,
    }


def main():
    """Print what is known about sides and calibration."""
    sys.stdout.write(f"{sides_seen()}\n{one_side_shares().round(3).to_string()}\n")
    for each in (30, 12):
        shares = SHARES_BY_HAND if each == 30 else (0.25,)
        table = recovered(each=each, shares=shares)
        sys.stdout.write(f"{each} plants a group\n{summary(table).round(3).to_string()}\n")
        sys.stdout.write(f"{table['share_ratio'].describe().round(2).to_dict()}\n")


if __name__ == "__main__":
    main()
