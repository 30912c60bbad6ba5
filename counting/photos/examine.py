"""One photo opened: its hash, time, size, tags and quality, or why it cannot be used."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from counting.files import sha256_bytes
from counting.photos.exif import Taken, taken
from counting.photos.fitness.damage import damage
from counting.photos.fitness.quality import Quality, measure_quality
from counting.photos.image import load_image, read_photo
from counting.photos.tags.reader import TagReading, read_tags

__all__ = ["Examined", "Wanted", "examine"]

_WORKING_SIDE = 1500
"""Tags are sought in a copy with at least this long side, px; then in full size."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What to look for in a photo.

    Attributes
    ----------
    smallest_mm : float
        The smallest fruit that counts, mm.
    tags : frozenset of int
        Numbers of the trial's tags; empty to seek none.
    """

    smallest_mm: float
    tags: frozenset[int]


@dataclass(frozen=True, slots=True)
class Examined:
    """What a photo says about itself.

    Attributes
    ----------
    photo : str
        SHA-256 of the file.
    width, height : int
        px, upright and full-size.
    taken : Taken
        The camera's time.
    tags : tuple of TagReading
        Nearest to the middle first.
    quality : Quality
        Blur, light and pixels.
    damage : str
        What a strict decoder complains of; empty if the file is whole.
    """

    photo: str
    width: int
    height: int
    taken: Taken
    tags: tuple[TagReading, ...]
    quality: Quality
    damage: str = ""


def examine(path: Path, wanted: Wanted) -> Examined:
    """Open a photo wholly and measure it.

    Raises
    ------
    PhotoError
        If it is missing, empty, broken, no photo, or too large to open safely.
    """
    data = read_photo(path)
    image = load_image(path, long_side=_WORKING_SIDE, data=data)
    tags = read_tags(image.rgb, image.scale, known=wanted.tags) if wanted.tags else []
    if wanted.tags and not tags and image.scale > 1.5:
        tags = read_tags(load_image(path, data=data).rgb, known=wanted.tags)
    quality = measure_quality(
        image.rgb,
        image.scale,
        smallest_mm=wanted.smallest_mm,
        mm_per_px=tags[0].mm_per_px if tags else None,
    )
    photo = sha256_bytes(data)
    return Examined(
        photo, image.width, image.height, taken(data), tuple(tags), quality, damage(data)
    )
