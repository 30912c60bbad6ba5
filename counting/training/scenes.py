"""Labelled photos with the third of the scenes (or trees) in which each is held out."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from counting.accuracy.labels import read_labels

__all__ = ["ScenePhoto", "read_split", "scene_photos"]

_SPLIT = Path(__file__).with_name("split.json")


@dataclass(frozen=True, slots=True)
class ScenePhoto:
    """A labelled photo.

    Attributes
    ----------
    name : str
        Set and file name, ``tomato/tomato_0018.jpg``.
    path : Path
        The file.
    boxes : (N, 4) ndarray of float
        Centre x, centre y, width, height in px of the photo.
    kinds : (N,) ndarray of str
        The class each was given, say its colour.
    unsure : (N,) ndarray of bool
        Boxes that a person could argue about (``iscrowd`` in COCO).
    fold : int
        The fold it is held out in; -1 for none.
    long_side : float
        The longer side of the photo, px.
    """

    name: str
    path: Path
    boxes: NDArray[np.float64]
    kinds: NDArray[np.str_]
    unsure: NDArray[np.bool_]
    fold: int
    long_side: float


@cache
def read_split() -> dict[str, dict[str, Any]]:
    """Return scene (or tree) and fold of every labelled photo, by set and file name."""
    table: dict[str, dict[str, Any]] = json.loads(_SPLIT.read_text(encoding="utf-8"))["photos"]
    return table


def scene_photos(folder: Path, most: int | None = None) -> list[ScenePhoto]:
    """Read one set of labelled photos, in the order of their names.

    Parameters
    ----------
    folder : Path
        Holds ``photos/`` and ``labels.json`` (COCO); its name is the set's.
    most : int, optional
        At most so many photos.

    Raises
    ------
    LabelsError
        If the labels are missing, broken or speak of photos that are not there.
    """
    labelled = read_labels(folder / "photos", folder / "labels.json")
    groups = dict(tuple(labelled.labels.groupby("photo", sort=False)))
    none, split = labelled.labels.iloc[:0], read_split()
    photos = []
    for row in labelled.photos[:most].to_dict("records"):
        rows, name = groups.get(row["photo"], none), f"{folder.name}/{row['photo']}"
        photos.append(
            ScenePhoto(
                name,
                Path(row["file"]),
                rows[["x", "y", "width", "height"]].to_numpy(np.float64),
                rows["kind"].to_numpy(np.str_),
                rows["crowd"].to_numpy(np.bool_),
                int(split.get(name, {"fold": -1})["fold"]),
                max(row["width"], row["height"]),
            )
        )
    return photos
