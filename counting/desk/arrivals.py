"""Photos on their way in: kept in the trial's folder from the browser until each has its plant."""

from __future__ import annotations

import filecmp
import os
import re
import secrets
import shutil
from collections.abc import AsyncIterator
from functools import lru_cache
from pathlib import Path, PurePosixPath

from counting.errors import PhotoError
from counting.photos.exif import taken
from counting.photos.image import SUFFIXES

__all__ = [
    "ARRIVING",
    "LARGEST_PHOTO",
    "NoRoom",
    "by_day",
    "clear",
    "free_for",
    "place_for",
    "receive",
    "short",
    "waiting",
]

ARRIVING = ".arriving"
"""Folder of the trial for what came from the browser and is not taken in yet."""
LARGEST_PHOTO = 200_000_000
"""Bytes; the largest photo of a phone is a tenth of it."""
_SPARE = 500_000_000
"""Bytes that must stay free on the disk, so that the ledger can always be written."""
_HEAD = 262_144
"""Bytes of a JPEG that hold its camera data: one segment of at most 64 kB near the start, and room
for segments before it (Exif 2.31, 4.5.4)."""
_PLAIN = re.compile(r"[^\w.\- ()]+")


class NoRoom(PhotoError):
    """The disk is nearly full; the photo itself may come again later."""


async def receive(
    directory: Path, name: str, pieces: AsyncIterator[bytes], *, again: bool = False
) -> Path:
    """Keep one photo that the browser sends, under its own name and folder.

    Parameters
    ----------
    directory : Path
        The trial's folder.
    name : str
        As the browser names it, perhaps with folders, which may tell survey and plant.
    pieces : async iterator of bytes
        Its content.
    again : bool
        The name is this photo's alone: one that has come already is the same, sent once more.

    Returns
    -------
    Path
        Where it lies, whole; nothing is kept of one that broke off.

    Raises
    ------
    PhotoError
        If it is no photo by its name, too large, or the disk is nearly full.
    """
    target = place_for(directory, name)
    folder = target.parent
    folder.mkdir(parents=True, exist_ok=True)
    free_for(directory, name)
    part = folder / f".{secrets.token_hex(8)}.part"
    size = 0
    try:
        with part.open("xb") as file:
            async for piece in pieces:
                size += len(piece)
                if size > LARGEST_PHOTO:
                    raise PhotoError(name, f"larger than {LARGEST_PHOTO / 1e6:.0f} MB")
                file.write(piece)
            if again:  # the phone forgets it next: let it be on the disk first
                file.flush()
                os.fsync(file.fileno())
        return part.replace(target) if again else _settle(part, target)
    finally:
        part.unlink(missing_ok=True)


def place_for(directory: Path, name: str) -> Path:
    """Return where a photo that comes by this name is kept: nowhere but among those that wait.

    Raises
    ------
    PhotoError
        If it is no photo by its name.
    """
    parts = [_PLAIN.sub("_", part).strip(". ")[-100:] for part in PurePosixPath(name).parts]
    parts = [part for part in parts if part]
    if not parts or Path(parts[-1]).suffix.lower() not in SUFFIXES:
        raise PhotoError(name, "no photo by its name", "JPEG, PNG, WebP, TIFF or HEIC")
    return directory / ARRIVING / Path(*parts[:-1][-3:]) / parts[-1]


def free_for(directory: Path, name: str) -> None:
    """Refuse a photo where the disk has so little room left that the ledger could suffer.

    Raises
    ------
    NoRoom
        Then.
    """
    if shutil.disk_usage(directory).free < _SPARE:
        raise NoRoom(name, "the disk is nearly full", mend="free some space, then go on")


def _settle(part: Path, target: Path) -> Path:
    """Give a whole file its name, with a number where another photo has it already.

    The same photo sent once more lies there once.
    """
    free, number = target, 2
    while True:
        try:
            os.link(part, free)
        except FileExistsError:
            if filecmp.cmp(part, free, shallow=False):
                return free
            free = target.with_stem(f"{target.stem}-{number}")
            number += 1
        except OSError:  # a file system without hard links
            return part.replace(free)
        else:
            return free


def waiting(directory: Path) -> list[Path]:
    """Return the photos that wait for their plant, by name."""
    folder = directory / ARRIVING
    return sorted(
        path
        for path in folder.rglob("*")
        if path.is_file() and not path.is_symlink() and path.suffix.lower() in SUFFIXES
    )


def clear(directory: Path, done: set[Path]) -> None:
    """Take away photos that lie in the trial by now, and folders that are empty then."""
    for path in done:
        path.unlink(missing_ok=True)
    folders = [path for path in (directory / ARRIVING).rglob("*") if path.is_dir()]
    for folder in sorted(folders, key=lambda path: -len(path.parts)):
        if not any(folder.iterdir()):
            folder.rmdir()


def by_day(photos: list[Path]) -> dict[str, list[Path]]:
    """Return photos by the camera's day, year-month-day; "" for those that carry no time."""
    days: dict[str, list[Path]] = {}
    for path in photos:
        try:
            found = path.stat()
            day = _day(path, found.st_size, found.st_mtime_ns)
        except OSError:
            day = ""
        days.setdefault(day, []).append(path)
    return dict(sorted(days.items()))


@lru_cache(maxsize=10_000)
def _day(path: Path, _size: int, _time: int) -> str:
    """Return the camera's day of a photo, read once as long as the file stays as it is."""
    with path.open("rb") as file:
        data = file.read(_HEAD)
        if not data.startswith(b"\xff\xd8"):  # other formats keep it elsewhere
            data += file.read()
    return taken(data).time[:10]


def short(directory: Path, path: Path) -> str:
    """Return the name of a photo that waits, as the page has it; of others the file's name."""
    arriving = directory / ARRIVING
    return path.relative_to(arriving).as_posix() if path.is_relative_to(arriving) else path.name
