"""Rendered photos with known truth, and how far the finder is from it.

``python tests/rendered.py`` prints the figures for trusses and sizes.
"""

from __future__ import annotations

import json
import sys
import tomllib
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
from scipy.optimize import linear_sum_assignment

from counting.accuracy.rows import true_words
from counting.crops import TOMATO
from counting.finding.candidates import LONG_SIDE_READ, find
from counting.finding.matching import FREE, match_by_centre
from counting.finding.trusses import number_trusses
from counting.finding.zone import NO_TAGS, RowTags, TagSeen
from counting.flags import Flag
from counting.photos.image import load_image
from counting.photos.tags.reader import read_tags
from counting.plan.card import CARD, MARKER
from counting.settings import OWN_FROM, Settings

ROOT = Path(__file__).parent.parent
TRUTH = ROOT / "demo_images" / "truth.json"


SMALL_TRUTH = ROOT / "fixtures" / "rendered" / "truth.json"
RULE_MM = 10.0
"""The rendered trial counts fruit from this diameter."""
SHARES = (0, 0.4, 0.7, 0.9, 1)
"""Edges of the classes of visible share."""
CARD_MM = np.array([*CARD.corners, *MARKER.corners], dtype=float)
"""Corners of the card, then of its marker, from the card's left top."""


@cache
def told(file=TRUTH):
    """Return a truth file's content; it is not to be changed."""
    return json.loads(file.read_text(encoding="utf-8"))


def photos(file=TRUTH):
    """Return (path, truth) of every photo of a truth file; none where that is missing."""
    if not file.is_file():
        return []
    return [(file.parent / photo["file"], photo) for photo in told(file)["photos"]]


def plants():
    """Return the true fruit of every plant of the rendered trial, seen or not."""
    return told()["plants"]


def fruit(truth, *, least_mm=RULE_MM, least_share=0.15):
    """Return the fruit of a photo that can be seen, as a table."""
    table = pd.DataFrame(truth["fruit"])
    if table.empty:
        return table
    return table[
        (table["diameter_mm"] >= least_mm) & (table["visible_share"] >= least_share)
    ].reset_index(drop=True)


@cache
def places():
    """Return plant and place in its row by the number of its tag, of the rendered trial."""
    table = pd.read_csv(TRUTH.parent / "plants.csv")
    return {row.tag: (row.code, row.position) for row in table.itertuples()}


@cache
def spacing_mm():
    """Return how far apart the plants of the rendered trial stand."""
    plan = tomllib.loads((TRUTH.parent / "trial.toml").read_text(encoding="utf-8"))
    return float(plan["layout"]["spacing_mm"])


def found(path):
    """Return what the finder sees, with scale and zone of the tag that it reads itself."""
    tags = read_tags(load_image(path).rgb)
    tag = tags[0].record() if tags else None
    row = NO_TAGS
    if tags and TRUTH.parent in path.parents:
        plant, position = places()[tags[0].id]
        row = RowTags((TagSeen(plant, tags[0].corners, position),), spacing_mm())
    image = load_image(path, long_side=LONG_SIDE_READ)
    return find(image, Settings(), tag=tag, smallest_mm=RULE_MM, row=row), tag


def sure_of(candidates):
    """Return the candidates that are fruit of a size to count, whosever they are."""
    sure = candidates["confidence"] >= Settings().threshold
    if "flags" in candidates:
        sure &= ~candidates["flags"].str.contains(Flag.TOO_SMALL_TO_COUNT, regex=False)
    return candidates[sure].reset_index(drop=True)


def counted(candidates):
    """Return the candidates that the tool counts before a person looks."""
    sure = sure_of(candidates)
    if "own_share" in sure:
        sure = sure[sure["own_share"] >= OWN_FROM]
    return sure.reset_index(drop=True)


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


def count_errors(seen, shown, pairs_found):
    """Return |fruit said - fruit there| of each true truss.

    A true truss is paired with the truss of the candidates that has most of its fruit.

    Parameters
    ----------
    seen : DataFrame
        True fruit, with `truss`.
    shown : DataFrame
        Candidates, with `truss`.
    pairs_found : DataFrame
        From `matched`.
    """
    there = seen["truss"].value_counts().sort_index()
    said = pd.Series(0, index=there.index)
    if len(pairs_found):
        table = pd.crosstab(pairs_found["truss"], pairs_found["truss_found"])
        rows, columns = linear_sum_assignment(-table.to_numpy())
        sizes = shown["truss"].value_counts()
        for row, column in zip(rows, columns, strict=True):
            if table.iloc[row, column]:
                said[table.index[row]] = sizes[table.columns[column]]
    return (said - there).abs().to_numpy()


def true_candidates(truth):
    """Return the fruit that can be seen as if the finder had found just them, trusses numbered."""
    seen = fruit(truth)
    if seen.empty:
        return seen
    size = np.sqrt(seen["width"] * seen["height"])
    table = seen[["x", "y", "width", "height"]].assign(diameter_px=size, confidence=1.0)
    typical_px = TOMATO.typical_mm / truth["tag"]["mm_per_px"]
    return table.assign(truss=number_trusses(table, 0.5, typical_px))


def truss_figures(pairs):
    """Return how well candidates of photos are grouped, over photos with two fruit and more.

    Fruit that were not found are no part of the index, but count in the trusses' counts; false
    alarms likewise.
    """
    indices, errors = [], []
    for truth, candidates in pairs:
        seen = fruit(truth)
        if len(seen) < 2:
            continue
        shown = counted(candidates)
        pairs_found = matched(shown, seen)
        if len(pairs_found) >= 2:
            indices.append(same_grouping(pairs_found["truss"], pairs_found["truss_found"]))
        errors += list(count_errors(seen, shown, pairs_found))
    wrong = np.array(errors)
    return {
        "photos": len(indices),
        "trusses": len(wrong),
        "index": float(np.mean(indices)),
        "exact": float((wrong == 0).mean()),
        "within_one": float((wrong <= 1).mean()),
    }


def size_errors(looked):
    """Return the error of the diameter of each fruit found, as a share of the true one."""
    parts = []
    for truth, seen, tag in looked:
        there = fruit(truth, least_mm=5)
        if tag is None or there.empty:
            continue
        shown = seen.candidates[seen.candidates["confidence"] >= Settings().threshold]
        parts.append(matched(shown.reset_index(drop=True), there))
    pairs = pd.concat(parts, ignore_index=True)
    error = pairs["diameter_mm_found"] / pairs["diameter_mm"] - 1
    return pairs.assign(error=error.astype("float64"))


def marker_truth(truth):
    """Return the true scale at the marker's middle in mm per px and its tilt in degrees.

    A truth file gives the scale at the middle of the card, which on a tilted card is as much as
    3 % from that at the marker. So the card is put in its place again from its true corners and
    the true focal length; it then lies within 0.1 px of them.
    """
    focal = truth["camera"]["focal_px"]
    middle = ((truth["width"] - 1) / 2, (truth["height"] - 1) / 2)
    camera = np.array([[focal, 0, middle[0]], [0, focal, middle[1]], [0, 0, 1]])
    seen = np.array(truth["tag"]["card"] + truth["tag"]["corners"])
    flat = np.column_stack([CARD_MM, np.zeros(len(CARD_MM))])
    _, turn, place = cv2.solvePnP(flat, seen, camera, None, flags=cv2.SOLVEPNP_ITERATIVE)
    turned = cv2.Rodrigues(turn)[0]
    marker = turned @ flat[4:].mean(axis=0) + place.ravel()
    facing = abs(turned[:, 2] @ marker) / np.linalg.norm(marker)
    return float(marker[2] / focal), float(np.degrees(np.arccos(facing)))


def scale_errors(looked):
    """Return the tags read: `error` of the scale as a share, whether its interval holds, tilt."""
    rows = []
    for truth, _, tag in looked:
        if tag is None:
            continue
        true, tilt = marker_truth(truth)
        held = tag.mm_per_px_low <= true <= tag.mm_per_px_high
        off = abs(tag.tilt_deg - tilt)
        rows.append({"error": tag.mm_per_px / true - 1, "held": held, "tilt_off": off})
    return pd.DataFrame(rows, columns=["error", "held", "tilt_off"])


def shows(looked):
    """Return every fruit that can be seen, with `proposed`, and all proposals that are none.

    Returns
    -------
    DataFrame
        The fruit.
    int
        Proposals that match none of them.
    """
    parts, false = [], 0
    for truth, seen, _ in looked:
        there = fruit(truth)
        shown = counted(seen.candidates)
        false += len(shown)
        if len(there):
            hit = matched(shown, there)["id"]
            parts.append(there.assign(proposed=there["id"].isin(hit)))
            false -= len(hit)
    return pd.concat(parts, ignore_index=True), false


def whose_figures(looked):
    """Return, by backdrop and survey, own fruit proposed, those not counted, others counted."""
    rows = []
    for truth, seen, _ in looked:
        mine = [each | {"whose": "this"} for each in truth["fruit"]]
        shown = sure_of(seen.candidates)
        words = true_words(shown, {"fruit": mine + truth.get("others", [])})
        counts = shown["own_share"] >= OWN_FROM
        here = {"backdrop": truth["backdrop"], "survey": truth.get("survey", "")}
        for word, count in zip(words, counts, strict=True):
            own = word == "this"
            strange = word in ("neighbour", "behind")
            rows.append(
                here | {"own": own, "lost": own and not count, "strangers": strange and count}
            )
    return pd.DataFrame(rows).groupby(["backdrop", "survey"])[["own", "lost", "strangers"]].sum()


def near_plane(errors):
    """Return the fruit at least 70 % visible within 30 mm of the tag's plane."""
    near = errors["depth_from_tag_mm"].abs() <= 30
    return errors[near & (errors["visible_share"] >= 0.7)]


def wrong_side(errors, rule_mm=RULE_MM):
    """Return which fruit are measured on the wrong side of the counting rule's size."""
    return (errors["diameter_mm_found"] >= rule_mm) != (errors["diameter_mm"] >= rule_mm)


def show(name, listed):
    """Print the figures of a set of photos."""
    looked = [(truth, *found(path)) for path, truth in listed]
    sys.stdout.write(f"\n{name}: {len(looked)} photos\n")
    for kind, pairs in (
        ("true boxes", [(truth, true_candidates(truth)) for _, truth in listed]),
        ("as found", [(truth, seen.candidates) for truth, seen, _ in looked]),
    ):
        sys.stdout.write(f"trusses, {kind}: {truss_figures(pairs)}\n")
    there, false = shows(looked)
    share = pd.cut(there["visible_share"], SHARES)
    proposed = there.groupby(share, observed=True)["proposed"].agg(["size", "mean"])
    sys.stdout.write(f"proposed by visible share, and {false} that are none:\n{proposed}\n")
    inside = [seen.count_low <= len(fruit(truth)) <= seen.count_high for truth, seen, _ in looked]
    expected = sum(seen.count for _, seen, _ in looked) / len(there)
    sys.stdout.write(f"expected over seen {expected:.2f}, inside {np.mean(inside):.2f}\n")
    sys.stdout.write(f"whose:\n{whose_figures(looked)}\n")
    scale = scale_errors(looked)
    off = scale["error"].abs().median()
    sys.stdout.write(f"scale: median off {off:.4f}, bias {scale['error'].median():.4f}, ")
    sys.stdout.write(f"most {scale['error'].abs().max():.4f}, ")
    sys.stdout.write(f"tilt off {scale['tilt_off'].median():.2f}, ")
    sys.stdout.write(f"held {scale['held'].mean():.2f} of {len(scale)}\n")
    errors = size_errors(looked)
    errors = errors.assign(off=errors["error"].abs(), wrong=wrong_side(errors))
    depth = pd.cut(errors["depth_from_tag_mm"], [-500, -60, -30, 30, 60, 500])
    share = pd.cut(errors["visible_share"], SHARES)
    for by in ([share], [share, depth]):
        figures = errors.groupby(by, observed=True).agg(
            fruit=("off", "size"),
            median_off=("off", "median"),
            bias=("error", "median"),
            wrong=("wrong", "mean"),
        )
        sys.stdout.write(figures.round(3).to_string() + "\n")
    flat = near_plane(errors)
    sys.stdout.write(f"near the plane: {flat['off'].median():.3f} of {len(flat)}, ")
    sys.stdout.write(f"bias {flat['error'].median():.3f}\n")
    small = errors["diameter_mm"] < 10
    sys.stdout.write(f"on the wrong side of 10 mm: {errors['wrong'].mean():.3f} of {len(errors)}; ")
    sys.stdout.write(f"truly smaller {errors['wrong'][small].sum()} of {small.sum()}\n")


def main():
    """Print what is known about trusses and sizes."""
    show("demo trial", photos())
    close = [pair for pair in photos(SMALL_TRUTH) if pair[0].name.startswith("truss-")]
    show("one truss close up", close)


if __name__ == "__main__":
    main()
