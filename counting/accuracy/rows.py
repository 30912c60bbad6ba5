"""Whose fruit: figures on rendered rows, whose truth is exact, before and after.

    python -m counting.accuracy.rows DIR... [--json FILE]

Each folder is as ``fixtures/render/make.py rows`` writes it: ``photos/`` and ``truth.json``.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Any

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from counting.errors import CountingError
from counting.files import read_text
from counting.finding.candidates import LONG_SIDE_READ, Found, counted, find
from counting.finding.look import TAG_SIDE
from counting.finding.zone import RowTags, TagSeen
from counting.photos.image import load_image
from counting.photos.tags.reader import TagReading, read_tags
from counting.settings import OWN_FROM, Settings, reaches

__all__ = ["RowFigures", "RowPhoto", "row_figures", "seen_rows", "true_words"]

WAYS = ("as before", "one tag and spacing", "all tags", "tag hidden")
"""Everything counts; the plant's own tag and the plan's spacing; every tag in view too; no tag
read, the spacing and the usual scale of the folder's photos."""
SHOWS = 0.15
"""Less of a fruit than this share is not seen by a person (as in `fixtures/render/FIGURES.md`)."""
SMALLEST_MM = 10.0


@dataclass(frozen=True, slots=True)
class RowPhoto:
    """One photo of a row, looked at each way.

    Attributes
    ----------
    truth : mapping
        What the renderer wrote of it.
    found : dict
        Way to what was found; a way that the photo does not allow is left out.
    """

    truth: Mapping[str, Any]
    found: dict[str, Found]


@dataclass(frozen=True, slots=True)
class RowFigures:
    """Figures of one way over photos.

    Attributes
    ----------
    photos : int
    own : int
        The plants' own fruit that were proposed.
    strangers, fallen : int
        Proposed fruit of neighbours or the row behind, and fallen ones, counted as the plants'.
    lost : int
        Own fruit that were proposed and not counted.
    no_fruit : int
        Proposals on no fruit, counted as the plants'.
    on_skin : int
        Proposals on no fruit, counted or not, whose middle lies on the skin of a hand.
    errors : (P,) ndarray of float
        Expected count less the own fruit that show and are large enough, as a share of these.
    held : float
        Share of photos whose 90 % interval holds that number.
    taps : float
        Taps a photo that a person needs, "Next" included: one for each ring that is not the
        plant's fruit, one for each of its fruit that shows and has no ring.
    """

    photos: int
    own: int
    strangers: int
    fallen: int
    lost: int
    no_fruit: int
    on_skin: int
    errors: NDArray[np.float64]
    held: float
    taps: float


def seen_rows(folders: Iterable[Path], settings: Settings) -> list[RowPhoto]:
    """Look at every photo of the folders, each way.

    Raises
    ------
    CountingError
        If a folder holds no ``truth.json``.
    """
    photos = []
    for folder in folders:
        file = folder / "truth.json"
        if not file.is_file():
            mend = "make it with fixtures/render/make.py rows"
            raise CountingError(file, "missing", "the truth of rendered rows", mend)
        every = json.loads(read_text(file))["photos"]
        usual = median(each["mm_per_px"] * max(each["width"], each["height"]) for each in every)
        for truth in every:
            photos.append(_seen(folder / "photos" / truth["file"], truth, usual, settings))
    return photos


def _seen(path: Path, truth: Mapping[str, Any], usual: float, settings: Settings) -> RowPhoto:
    """Find once, then say each way whose the fruit are; a long side usually shows `usual` mm."""
    fine = load_image(path, long_side=TAG_SIDE)
    image = load_image(path, long_side=LONG_SIDE_READ)
    places = {each["tag"]: each for each in truth["row"]}
    tags = [tag for tag in read_tags(fine.rgb, fine.scale) if tag.id in places]
    own = [tag for tag in tags if places[tag.id]["plant"] == truth["plant"]]
    others = [tag for tag in tags if tag not in own]
    tag = own[0].record() if own else None
    on_cards = RowTags(cards=tuple(tag.card for tag in tags))
    first = find(image, settings, tag=tag, smallest_mm=SMALLEST_MM, row=on_cards)
    scale = usual / max(truth["width"], truth["height"])
    hidden = RowTags(spacing_mm=float(truth["spacing_mm"]), usual_mm_per_px=scale)
    found = {
        "as before": first,
        "tag hidden": counted(first.candidates, image, settings, hidden),
    }
    if own:
        for way, known in (("one tag and spacing", own), ("all tags", own + others)):
            seen = tuple(_tag(tag, places) for tag in known)
            row = RowTags(seen, float(truth["spacing_mm"]))
            found[way] = counted(first.candidates, image, settings, row)
    return RowPhoto(truth, found)


def _tag(tag: TagReading, places: Mapping[int, Mapping[str, Any]]) -> TagSeen:
    place = places[tag.id]
    return TagSeen(str(place["plant"]), tag.corners, int(place["position"]))


def row_figures(photos: Sequence[RowPhoto], way: str, settings: Settings) -> RowFigures:
    """Hold what was found one way against the truth."""
    tally = dict.fromkeys(("own", "strangers", "fallen", "lost", "none", "skin"), 0)
    errors, held, taps = [], [], []
    for photo in photos:
        found = photo.found[way]
        confidence = found.candidates["confidence"].to_numpy(np.float64)
        shown = found.candidates[reaches(confidence, settings.threshold)]
        shown = shown[~shown["flags"].str.contains("too small", regex=False)]
        counts = shown["own_share"].to_numpy(np.float64) >= OWN_FROM
        words = true_words(shown, photo.truth)
        # a ring round a fruit that a finger lies before is right
        nothing = np.array([not word for word in words], dtype=bool)
        tally["skin"] += _on_skin(shown[nothing], photo.truth)
        right = sum(
            word == "this" and bool(count) for word, count in zip(words, counts, strict=True)
        )
        for word, count in zip(words, counts, strict=True):
            if word == "this":
                tally["own"] += 1
                tally["lost"] += not count
            elif count:
                names = {"neighbour": "strangers", "behind": "strangers", "fallen": "fallen"}
                tally[names.get(word, "none")] += 1
        true = _visible(photo.truth)
        taps.append(1 + int(counts.sum()) - right + max(true - right, 0))
        if true:
            errors.append((found.count - true) / true)
            held.append(found.count_low <= true <= found.count_high)
    return RowFigures(
        len(photos),
        tally["own"],
        tally["strangers"],
        tally["fallen"],
        tally["lost"],
        tally["none"],
        tally["skin"],
        np.array(errors, dtype=np.float64),
        float(np.mean(held)) if held else float("nan"),
        float(np.mean(taps)) if taps else float("nan"),
    )


def _on_skin(shown: pd.DataFrame, truth: Mapping[str, Any]) -> int:
    """How many candidates have their middle on the skin of a hand."""
    outlines = [np.array(part, dtype=np.int32).reshape(-1, 1, 2) for part in truth.get("skin", ())]
    middles = shown[["x", "y"]].to_numpy(np.float64).tolist()
    return sum(
        any(cv2.pointPolygonTest(part, (x, y), False) >= 0 for part in outlines) for x, y in middles
    )


def _visible(truth: Mapping[str, Any]) -> int:
    """How many of the plant's own fruit show and are large enough."""
    own = [fruit for fruit in truth["fruit"] if fruit["whose"] == "this"]
    shown = [f for f in own if f["visible_share"] >= SHOWS and f["diameter_mm"] >= SMALLEST_MM]
    return sum(_in_frame(fruit, truth) for fruit in shown)


def _in_frame(fruit: Mapping[str, Any], truth: Mapping[str, Any]) -> bool:
    return bool(0 <= fruit["x"] < truth["width"] and 0 <= fruit["y"] < truth["height"])


def true_words(shown: pd.DataFrame, truth: Mapping[str, Any]) -> list[str]:
    """Return whose fruit each candidate really is; empty for one on no fruit.

    A candidate is the fruit whose middle is nearest to its own, among those whose box holds it
    and whose size is at most twice as large or small; each fruit goes to one candidate.
    """
    fruit = [each for each in truth["fruit"] if each["visible_share"] > 0.02]
    if not fruit or not len(shown):
        return [""] * len(shown)
    boxes = np.array([[f[k] for k in ("x", "y", "width", "height")] for f in fruit])
    mine = shown[["x", "y", "width", "height"]].to_numpy(np.float64)
    gap = np.abs(mine[:, None, :2] - boxes[None, :, :2])
    ratio = mine[:, None, 2:].max(axis=2) / boxes[None, :, 2:].max(axis=2)
    fits = (gap <= boxes[None, :, 2:] / 2).all(axis=2) & (ratio > 0.5) & (ratio < 2)
    far = np.where(fits, np.hypot(gap[..., 0], gap[..., 1]), np.inf)
    words = [""] * len(shown)
    for flat in np.argsort(far, axis=None):
        row, column = np.unravel_index(flat, far.shape)
        if not np.isfinite(far[row, column]):  # one of the two has its partner already
            continue
        words[int(row)] = str(fruit[int(column)]["whose"])
        far[row, :] = far[:, column] = np.inf
    return words


def table(photos: Sequence[RowPhoto], settings: Settings) -> list[dict[str, Any]]:
    """Return the figures as rows: each way, over all photos and over those taken square on."""
    lines = []
    for way in WAYS:
        had = [photo for photo in photos if way in photo.found]
        for name, some in _kinds(had):
            figures = row_figures(some, way, settings)
            own = max(figures.own, 1)
            lines.append(
                {
                    "way": way,
                    "photos": name,
                    "n": figures.photos,
                    "own_proposed": figures.own,
                    "strangers_counted": round(figures.strangers / own, 3),
                    "fallen_counted": round(figures.fallen / own, 3),
                    "own_lost": round(figures.lost / own, 3),
                    "no_fruit_counted": round(figures.no_fruit / own, 3),
                    "on_skin": figures.on_skin,
                    "count_error": round(float(np.mean(np.abs(figures.errors))), 3),
                    "count_bias": round(float(np.mean(figures.errors)), 3),
                    "interval_holds": round(figures.held, 2),
                    "taps": round(figures.taps, 1),
                }
            )
    return lines


def _kinds(photos: list[RowPhoto]) -> list[tuple[str, list[RowPhoto]]]:
    """All photos, and by what was meant when they were taken."""
    square = [photo for photo in photos if photo.truth["oblique_deg"] == 0]
    every = [photo for photo in photos if photo.truth["tag_on_every"] == 1]
    kinds = [("all", photos), ("square on", square), ("tags on all plants", every)]
    return [(name, some) for name, some in kinds if some]


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the figures of folders of rendered rows."""
    parser = argparse.ArgumentParser(prog="python -m counting.accuracy.rows")
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--json", type=Path, help="write the figures here too")
    given = parser.parse_args(arguments)
    settings = Settings()
    lines = table(seen_rows(given.folders, settings), settings)
    print(pd.DataFrame(lines).to_string(index=False))  # noqa: T201
    if given.json:
        given.json.write_text(json.dumps(lines, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
