"""The photos behind the counts: each with the rings that a person left on it, inside the page."""

from __future__ import annotations

import base64
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

import cv2
import numpy as np
from numpy.typing import NDArray

from counting.errors import CountingError
from counting.files import inside
from counting.ledger import Ledger
from counting.ledger.facts import Answer, Judged, Mark, left_out, standing_answers
from counting.photos.image import Image, load_image
from counting.plan.trial import Trial
from counting.records.confirmed import tell_apart

__all__ = ["BUDGET", "Panel", "Picture", "photo_panels"]

BUDGET = 3_000_000
"""Bytes of all pictures together, in the page: it then goes into an e-mail, and opens at once on a
phone (chosen)."""
_SIDES = ((26_000, 640), (15_000, 480), (7_500, 320))
"""From so many bytes for each photo on, the long side in px: about what a JPEG of leaves takes."""
_QUALITY = 58
_LEAST_PART = 0.4
"""Share of the photo's sides that a picture shows at least: one fruit alone tells no plant."""
_COUNTED, _ADDED, _STRUCK = (255, 255, 255), (255, 190, 40), (170, 174, 178)
"""sRGB of the rings: kept, added by a person, struck out; each also has a line of its own."""
_DARK = (20, 24, 32)


@dataclass(frozen=True, slots=True)
class Picture:
    """One photo.

    Attributes
    ----------
    source : str
        A data address, or the file's place beside the report; empty where it cannot be read.
    inside : bool
        Whether the picture is in the page.
    words : str
        What was counted on it.
    """

    source: str
    inside: bool
    words: str


@dataclass(frozen=True, slots=True)
class Panel:
    """All photos of a plant at the survey.

    Attributes
    ----------
    anchor : str
        By which the page's links name it.
    plant, group, words : str
        Whose, and what it was counted to bear.
    """

    anchor: str
    plant: str
    group: str
    words: str
    pictures: tuple[Picture, ...]


def photo_panels(trial: Trial, ledger: Ledger, survey: str | None) -> list[Panel]:
    """Return the photos of each plant at a survey, ringed, as large as the budget lets them be.

    Parameters
    ----------
    trial : Trial
    ledger : Ledger
        The trial's, open.
    survey : str or None
        None: of no survey, so none.

    Returns
    -------
    list of Panel
        In the plan's order, plants without a photo left out. With too many photos for the budget
        they are links to the files beside the report.
    """
    out = left_out(ledger)
    by_plant: dict[str, list[Judged]] = {}
    for each in standing_answers(ledger):
        if survey and each.photo.survey == survey and not out.plant(each.photo.plant, survey):
            by_plant.setdefault(each.photo.plant, []).append(each)
    number = sum(len(judged) for judged in by_plant.values())
    # base64 takes four letters for three bytes
    side = next((px for least, px in _SIDES if number * least <= BUDGET * 3 / 4), 0)
    groups = zip(trial.plants["code"], trial.plants["group"], strict=True)
    panels = []
    for place, (code, group) in enumerate(groups, start=1):
        judged = sorted(by_plant.get(str(code), ()), key=lambda each: each.photo.file)
        if judged:
            pictures = tuple(_picture(trial.directory, each, side) for each in judged)
            anchor, words = f"photos-{place}", _borne(judged)
            panels.append(Panel(anchor, str(code), str(group), words, pictures))
    return panels


def _borne(judged: Sequence[Judged]) -> str:
    if not all(each.counted for each in judged):
        return "not counted yet"
    return f"{len(tell_apart(judged))} fruit"


def _picture(directory: Path, judged: Judged, side: int) -> Picture:
    """Draw one photo with its rings; with `side` 0 only point to it."""
    photo = judged.photo
    words = " ".join(filter(None, (photo.file.rsplit("/", 1)[-1] + ":", _told(judged))))
    try:
        path = inside(directory, photo.file)
        if not side:  # a leading dot, since a file's name may look like another address
            return Picture(f"./{quote(photo.file)}", False, words)
        image = load_image(path, long_side=2 * side)
    except (CountingError, OSError):
        return Picture("", False, f"{words} (the photo cannot be read)")
    data = base64.b64encode(_jpeg(_ringed(image, judged.answer, side))).decode("ascii")
    return Picture(f"data:image/jpeg;base64,{data}", True, words)


def _told(judged: Judged) -> str:
    answer = judged.answer
    if answer is None:
        return "nobody has looked at it yet"
    if not answer.counted:
        return f"answered “{answer.answer}” by {answer.reviewer}"
    states = Counter(mark.state for mark in answer.marks)
    parts = [
        f"{states[state]} {word}"
        for state, word in (
            ("confirmed", "kept"), ("added", "added"), ("removed", "struck out"),
            ("elsewhere", "not this plant's"), ("unsure", "unsure"),
        )
        if states[state]
    ]  # fmt: skip
    marks = f" ({', '.join(parts)})" if parts else ""
    return f"{answer.count} fruit{marks}, by {answer.reviewer}"


def _ringed(image: Image, answer: Answer | None, side: int) -> NDArray[np.uint8]:
    """Return the part of a photo that holds its rings, drawn, with `side` px on the long side."""
    marks = answer.marks if answer else ()
    left, top, right, bottom = _part(image, [mark for mark in marks if mark.counts])
    factor = min(1.0, side / max(right - left, bottom - top))
    part = cv2.resize(
        image.rgb[top:bottom, left:right], None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA
    )
    drawn = np.ascontiguousarray(part, dtype=np.uint8)
    for mark in marks:
        x, y, width, height = (value / image.scale * factor for value in mark.box)
        centre = (round(x - left * factor), round(y - top * factor))
        axes = (max(2, round(width / 2)), max(2, round(height / 2)))
        colour = _COUNTED if mark.state == "confirmed" else _ADDED if mark.counts else _STRUCK
        thick = 2 if mark.counts else 1
        cv2.ellipse(drawn, centre, axes, 0, 0, 360, _DARK, thick + 2, cv2.LINE_AA)
        # an added ring is open, so that it is told without its colour too
        start = 0 if mark.state == "confirmed" or not mark.counts else 40
        cv2.ellipse(drawn, centre, axes, -90, start, 360, colour, thick, cv2.LINE_AA)
        if not mark.counts:
            ends = [(centre[0] + way * axes[0], centre[1] + way * axes[1]) for way in (-1, 1)]
            cv2.line(drawn, ends[0], ends[1], colour, 1, cv2.LINE_AA)
    return drawn


def _part(image: Image, marks: Sequence[Mark]) -> tuple[int, int, int, int]:
    """Return left, top, right, bottom of what is shown, px of `image.rgb`."""
    height, width = image.rgb.shape[:2]
    if not marks:
        return 0, 0, width, height
    boxes = np.array([mark.box for mark in marks]) / image.scale
    low = (boxes[:, :2] - boxes[:, 2:]).min(axis=0)
    high = (boxes[:, :2] + boxes[:, 2:]).max(axis=0)
    sides = np.array([width, height], "float64")
    share = float(np.clip(((high - low) / sides).max(), _LEAST_PART, 1.0))
    start = np.clip((low + high) / 2 - share * sides / 2, 0, (1 - share) * sides)
    left, top = (int(value) for value in start)
    across, down = (max(1, round(value)) for value in share * sides)
    return left, top, min(left + across, width), min(top + down, height)


def _jpeg(rgb: NDArray[np.uint8]) -> bytes:
    choices = [cv2.IMWRITE_JPEG_QUALITY, _QUALITY, cv2.IMWRITE_JPEG_OPTIMIZE, 1]
    _, data = cv2.imencode(".jpg", np.ascontiguousarray(rgb[..., ::-1]), choices)
    return bytes(data)
