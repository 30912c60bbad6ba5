"""What the ledger keeps of a photo's candidates, and finding them again to compare."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import pandas as pd

from counting import __version__
from counting.errors import PhotoError
from counting.files import sha256_bytes
from counting.finding.candidates import LONG_SIDE_READ, Found, find
from counting.finding.stages.scorer import WEIGHTS
from counting.photos.image import Image, load_image, read_photo
from counting.photos.workers import Job
from counting.settings import Settings

__all__ = ["Task", "find_in", "finder_version", "repeat", "same", "settings_of"]

_DECIMALS: Mapping[str, int] = {
    "x": 1,
    "y": 1,
    "width": 1,
    "height": 1,
    "diameter_px": 1,
    "diameter_mm": 2,
    "red_share": 3,
    "confidence": 4,
}
"""As much as the numbers are good for; keeps the ledger small and alike on every machine."""


@lru_cache(maxsize=1)
def finder_version() -> str:
    """Return the package's version with a digest of the finder's weights and numbers."""
    stages = files("counting.finding.stages")
    numbers = [part for part in stages.iterdir() if part.name.endswith(".json")]
    parts = [stages.joinpath(name) for name in WEIGHTS]
    parts += sorted(numbers, key=lambda part: part.name)
    data = b"".join(part.read_bytes() for part in parts)
    return f"{__version__} ({sha256_bytes(data)[:12]})"


@dataclass(frozen=True, slots=True)
class Task:
    """What finding in one photo takes, beside the photo.

    Attributes
    ----------
    settings : Settings
        Stages, threshold and tuning.
    tag : dict or None
        The ledger's record of the tag in the photo.
    smallest_mm : float
        Fruit under this diameter do not count.
    truss : int or None
        The only truss that the photo is of.
    """

    settings: Settings
    tag: dict[str, Any] | None
    smallest_mm: float
    truss: int | None

    @classmethod
    def of(cls, photo: Mapping[str, Any], settings: Settings, smallest_mm: float) -> Task:
        """Return what to do with a photo as the ledger has it."""
        return cls(settings, photo.get("tag"), smallest_mm, photo.get("truss"))


def same(body: Mapping[str, Any], task: Task) -> bool:
    """Whether a proposal was made just as the task would make it."""
    made = [body.get(name) for name in ("settings", "version", "smallest_mm", "mm_per_px")]
    return made == [
        task.settings.hash,
        finder_version(),
        task.smallest_mm,
        _mm_per_px(task.tag),
    ]


def _mm_per_px(tag: Mapping[str, Any] | None) -> float | None:
    return float(tag["mm_per_px"]) if tag else None


def find_in(job: Job) -> dict[str, Any]:
    """Find the fruit in one photo: the work of one worker on one job.

    Returns
    -------
    dict
        The body of a `proposal` entry, and `fruit`, the number proposed.

    Raises
    ------
    PhotoError
        If the photo cannot be read or is not the one that was taken in.
    """
    start = time.perf_counter()
    task: Task = job.extra
    data = read_photo(job.path)
    if sha256_bytes(data) != job.key:
        found, mend = "other bytes than when it was taken in", "restore it, or take it in again"
        raise PhotoError(job.path, found, mend=mend)
    image = load_image(job.path, long_side=LONG_SIDE_READ, data=data)
    found_fruit = find(image, task.settings, tag=task.tag, smallest_mm=task.smallest_mm)
    seconds = round(time.perf_counter() - start, 3)
    return _body(job.key, image, found_fruit, task) | {"seconds": seconds}


def _body(photo: str, image: Image, found: Found, task: Task) -> dict[str, Any]:
    return {
        "photo": photo,
        "version": finder_version(),
        "settings": task.settings.hash,
        "settings_text": asdict(task.settings) | {"stages": list(task.settings.stages)},
        "stages": list(task.settings.stages),
        "smallest_mm": task.smallest_mm,
        "mm_per_px": _mm_per_px(task.tag),
        "width": image.width,
        "height": image.height,
        "candidates": [_plain(row, task.truss) for row in found.candidates.to_dict("records")],
        "proposed": found.proposed,
        "count": round(found.count, 2),
        "count_low": float(found.count_low),
        "count_high": float(found.count_high),
        "flags": [str(flag) for flag in found.flags],
    }


def _plain(row: Mapping[Any, Any], truss: int | None) -> dict[str, Any]:
    """Return a candidate's row as JSON values: missing is None, flags a list."""
    plain: dict[str, Any] = {}
    for name, value in row.items():
        if name == "photo":
            continue
        if name == "flags":
            plain[name] = [flag for flag in str(value).split("; ") if flag]
        elif isinstance(value, str):
            plain[name] = value
        elif pd.isna(value):
            plain[name] = None
        elif name in _DECIMALS:
            plain[name] = round(float(value), _DECIMALS[name])
        else:
            plain[name] = int(value)
    return plain if truss is None else plain | {"truss": truss}


def repeat(path: Path, photo: Mapping[str, Any], proposal: Mapping[str, Any]) -> dict[str, Any]:
    """Find again what a proposal found, with its own settings, to compare the two.

    Parameters
    ----------
    path : Path
        The photo.
    photo, proposal : mapping
        Bodies of the photo's entries in the ledger.

    Returns
    -------
    dict
        A proposal's body; all but ``seconds`` equals `proposal` when ``version`` does.

    Raises
    ------
    PhotoError
        If the photo cannot be read or has changed.
    """
    task = Task.of(photo, settings_of(proposal), float(proposal["smallest_mm"]))
    return find_in(Job(str(proposal["photo"]), path, extra=task))


def settings_of(proposal: Mapping[str, Any]) -> Settings:
    """Return the settings that a proposal's body records."""
    text = dict(proposal["settings_text"])
    return Settings(**(text | {"stages": tuple(text["stages"])}))
