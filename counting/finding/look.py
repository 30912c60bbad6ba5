"""Loose photos looked at without a trial, and the same as JSON values and as drawn photos."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2

from counting.crops import TOMATO, Crop
from counting.errors import PhotoError, Refusal
from counting.files import write_bytes
from counting.finding.candidates import DECIMALS, LONG_SIDE_READ, Found, find
from counting.finding.picture import draw
from counting.finding.zone import RowTags, TagSeen, zone_json
from counting.flags import Flag
from counting.ledger.facts import Candidate
from counting.photos.fitness.damage import damage
from counting.photos.image import Image, load_image, read_photo
from counting.photos.tags.reader import TagReading, read_tags
from counting.settings import Settings

__all__ = ["Look", "look", "pictures", "to_json"]

TAG_SIDE = 2000
"""Least long side in px at which tags are looked for: a 40 mm marker in a 2 m view is 40 px."""
_JPEG_QUALITY = 90
_DECIMALS = {**DECIMALS, "diameter_mm": 1}
_KEYS = (
    *("x", "y", "width", "height", "diameter_px", "diameter_mm", "colour", "red_share"),
    *("confidence", "stages", "truss", "flags", "whose", "neighbour", "own_share"),
)


@dataclass(frozen=True, slots=True)
class Look:
    """One loose photo looked at.

    Attributes
    ----------
    path : Path
        The photo.
    image : Image
        Its pixels, as the stages saw them.
    found : Found
        Its fruit.
    tag : TagReading or None
        The tag that gave the scale, if one was read.
    """

    path: Path
    image: Image
    found: Found
    tag: TagReading | None


def look(
    paths: Sequence[Path],
    settings: Settings,
    *,
    smallest_mm: float | None = None,
    spacing_mm: float | None = None,
    crop: Crop = TOMATO,
) -> tuple[list[Look], list[Refusal]]:
    """Look at loose photos.

    Parameters
    ----------
    paths : sequence of Path
        Photos, in any format and orientation that `load_image` reads.
    settings : Settings
        Stages and threshold.
    smallest_mm : float, optional
        Fruit under this diameter are shown but not counted; needs a tag in the photo.
    spacing_mm : float, optional
        From stem to stem in the row; with a tag in the photo it says which fruit are the next
        plant's.
    crop : Crop
        What grows: its colours and sizes.

    Returns
    -------
    looked : list of Look
        One per photo that could be read, in the order given.
    refused : list of Refusal
        The others, with the reason.
    """
    looked, refused = [], []
    for path in paths:
        try:
            looked.append(_look_at(path, settings, smallest_mm, spacing_mm, crop))
        except PhotoError as error:
            refused.append(Refusal(str(path), str(error).removeprefix(f"{path}: ")))
    return looked, refused


def _look_at(
    path: Path,
    settings: Settings,
    smallest_mm: float | None,
    spacing_mm: float | None,
    crop: Crop,
) -> Look:
    data = read_photo(path)
    fine = load_image(path, long_side=TAG_SIDE, data=data)
    # the photo is of the plant whose tag is nearest the middle
    tags = read_tags(fine.rgb, fine.scale)
    tag = tags[0] if tags else None
    # what is decoded for the tag also serves the finder, unless a trial would read less of it:
    # the same photo gives the same count there and here
    same = fine.serves(LONG_SIDE_READ)
    image = fine if same else load_image(path, long_side=LONG_SIDE_READ, data=data)
    found = find(
        image,
        settings,
        tag=tag.record() if tag else None,
        smallest_mm=smallest_mm,
        crop=crop,
        row=RowTags(
            tuple(TagSeen(f"tag {each.id}", each.corners) for each in tags),
            spacing_mm,
            cards=tuple(each.card for each in tags if len(each.card)),
        ),
    )
    if tag and tag.turned:
        found = replace(found, flags=(Flag.TURNED, *found.flags))
    if damage(data):
        found = replace(found, flags=(Flag.DAMAGED, *found.flags))
    return Look(path, image, found, tag)


def to_json(looked: Sequence[Look]) -> list[dict[str, Any]]:
    """Return looks as JSON values: one object per photo, what is not known as None."""
    return [_photo_json(one) for one in looked]


def _photo_json(one: Look) -> dict[str, Any]:
    return {
        "photo": str(one.path),
        "width": one.image.width,
        "height": one.image.height,
        "count": round(one.found.count, 1),
        "count_low": one.found.count_low,
        "count_high": one.found.count_high,
        "flags": [str(flag) for flag in one.found.flags],
        "mm_per_px": one.tag.mm_per_px if one.tag else None,
        "zone": zone_json(one.found.zone),
        "candidates": [_candidate_json(each) for each in one.found.records(decimals=_DECIMALS)],
    }


def _candidate_json(candidate: Candidate) -> dict[str, Any]:
    body = candidate.to_body() | {"stages": candidate.stages.split("+")}
    return {name: body[name] for name in _KEYS}


def pictures(looked: Sequence[Look], directory: Path, threshold: float, *, replace: bool) -> None:
    """Write each photo with its candidates drawn, as JPEG under its own name, into a folder.

    Raises
    ------
    CountingError
        If a file exists and `replace` is false.
    """
    names: set[str] = set()
    for one in looked:
        name, number = one.path.stem, 1
        while name in names:
            number += 1
            name = f"{one.path.stem}-{number}"
        names.add(name)
        drawn = draw(one.image, one.found.records(), threshold, one.found.zone.borders)
        quality = [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY]
        _, data = cv2.imencode(".jpg", cv2.cvtColor(drawn, cv2.COLOR_RGB2BGR), quality)
        write_bytes(directory / f"{name}.jpg", data.tobytes(), replace=replace)
