"""Published labels of fruit in photos, in three open formats, as one table.

COCO
    One JSON file; ``bbox`` is left, top, width, height in px.
Pascal VOC
    A folder of XML files, one for a photo; the corners are numbers of pixels, counted from 1, both
    inside the box (development kit of the challenge, 2012), so a box from 1 to 10 is 10 px wide.
YOLO
    A folder of text files named as the photos; a line is class number, centre x, centre y, width
    and height as shares of the photo. A photo without a file shows no fruit. ``classes.txt`` or
    ``*.names``, in the folder or the one above, names the classes.

Several sources lie in one folder each, side by side: each holds ``labels.json`` (COCO) or the files
of one of the other formats, and its photos beside them or in ``photos``. Photos are named with the
source's folder in front then, and `counting.accuracy.sources` tells the figures of each.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path, PurePosixPath

import pandas as pd

from counting.accuracy.formats import Reading, read_coco, read_voc, read_yolo
from counting.errors import LabelsError
from counting.tables import Schema, frame

__all__ = ["LABELLED_PHOTOS", "LABELS", "Labelled", "read_labels"]

LABELLED_PHOTOS: Schema = {
    "photo": "str",  # name in the labels
    "file": "str",  # path on this machine
    "width": "float64",  # px of the photo the labels were drawn on
    "height": "float64",
}
"""One row per labelled photo, those without fruit too."""

LABELS: Schema = {
    "photo": "str",
    "x": "float64",  # px, centre of the box
    "y": "float64",
    "width": "float64",
    "height": "float64",
    "kind": "str",  # the class it was given, say its colour
    "crowd": "boolean",  # a region of many fruit that nobody told apart: neither hit nor miss
}
"""One row per labelled fruit."""

_LISTED = 5
_COCO = "labels.json"  # of one source beside others


@dataclass(frozen=True, slots=True)
class Labelled:
    """Photos and the fruit that people labelled in them.

    Attributes
    ----------
    photos : DataFrame
        Columns `LABELLED_PHOTOS`, in order of the name.
    labels : DataFrame
        Columns `LABELS`.
    source : str
        Who published them and under which licence, as far as the labels say; else empty.
    """

    photos: pd.DataFrame
    labels: pd.DataFrame
    source: str


def read_labels(photos: Path, labels: Path) -> Labelled:
    """Read labels in whichever of the three formats they are.

    Parameters
    ----------
    photos : Path
        The folder of the photos.
    labels : Path
        A COCO file, a folder of Pascal VOC or YOLO files, or a folder of such folders, one for
        each source, with those of the photos alike in `photos`.

    Raises
    ------
    LabelsError
        If the labels are missing, broken or speak of photos that are not there. All faults of a
        file are told together, each with its line or entry.
    """
    if not photos.is_dir():
        raise LabelsError(photos, "no such folder", "the folder of the photos", "check --photos")
    if not labels.is_dir():
        return _finish(photos, labels, read_coco(labels))
    if read := _read_folder(photos, labels):
        return _finish(photos, labels, read)
    if sources := [folder for folder in sorted(labels.iterdir()) if _holds_labels(folder)]:
        return _together(photos, sources)
    expected = (
        f"Pascal VOC files (*.xml), YOLO files (*.txt), or a folder for each source with {_COCO}"
        " or such files"
    )
    raise LabelsError(labels, "no labels in this folder", expected, "check --labels")


def _named(folder: Path, suffix: str) -> list[Path]:
    return sorted(path for path in folder.iterdir() if path.suffix.lower() == suffix)


def _holds_labels(folder: Path) -> bool:
    return folder.is_dir() and bool(
        (folder / _COCO).is_file() or _named(folder, ".xml") or _named(folder, ".txt")
    )


def _read_folder(photos: Path, labels: Path) -> Reading | None:
    """Read a folder of Pascal VOC or YOLO files; None where it holds neither."""
    if xml := _named(labels, ".xml"):
        return read_voc(xml)
    if txt := _named(labels, ".txt"):
        return read_yolo(photos, txt)
    return None


def _together(photos: Path, sources: list[Path]) -> Labelled:
    """Read several sources, each photo named with its source's folder in front."""
    read = []
    for folder in sources:
        own = photos / folder.name
        own = own / "photos" if (own / "photos").is_dir() else own
        if not own.is_dir():
            expected = "a folder with the photos of this source"
            raise LabelsError(own, "no such folder", expected, "check --photos")
        coco = folder / _COCO
        one = read_labels(own, coco if coco.is_file() else folder)
        before = f"{folder.name}/"
        read.append(
            Labelled(
                one.photos.assign(photo=before + one.photos["photo"]),
                one.labels.assign(photo=before + one.labels["photo"]),
                one.source and f"{folder.name}: {one.source}",
            )
        )
    return Labelled(
        pd.concat([one.photos for one in read], ignore_index=True),
        pd.concat([one.labels for one in read], ignore_index=True),
        "; ".join(one.source for one in read if one.source),
    )


def _finish(folder: Path, where: Path, read: Reading) -> Labelled:
    """Find the photos and turn what was read into tables, or tell all faults."""
    for row in read.photos:
        path = _find_photo(folder, row["photo"])
        if path is None:
            read.faults.append(f"photo {row['photo']} is not in {folder}")
        row["file"] = str(path)
    if not read.photos and not read.faults:
        read.faults.append("no photo is named")
    if read.faults:
        # names and numbers in a file may hold line ends, a message is one line
        listed = " ".join("; ".join(read.faults[:_LISTED]).split())
        more = len(read.faults) - _LISTED
        found = listed + (f"; and {more} more like these" if more > 0 else "")
        raise LabelsError(where, found, mend="mend the entries named, or check --photos")
    photos = frame(sorted(read.photos, key=lambda row: str(row["photo"])), LABELLED_PHOTOS)
    return Labelled(photos, frame(read.labels, LABELS), read.source)


def _find_photo(folder: Path, name: str) -> Path | None:
    """Return the photo's path below the folder, by its whole name or its last part."""
    pure = PurePosixPath(name.replace("\\", "/"))
    if not pure.name or "\0" in name:
        return None
    tries = [folder / pure.name]
    if not pure.is_absolute() and ".." not in pure.parts:
        tries.insert(0, folder / pure)
    try:
        return next((path for path in tries if path.is_file()), None)
    except OSError:  # a name longer than the file system takes
        return None
