"""A large photo in pieces: what has come stays; it is put together whole or not at all."""

from __future__ import annotations

import hashlib
import re
import secrets
import shutil
import time
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass
from pathlib import Path

from counting.desk.arrivals import ARRIVING, LARGEST_PHOTO, free_for
from counting.errors import PhotoError
from counting.files import sha256_file, whole_file

__all__ = ["PIECE", "Parts", "assembled", "come", "lies", "tidy"]

PIECE = 262_144
"""Bytes of a piece: half a second at 4 Mbit/s, so that a cut costs little."""
MOST_UNFINISHED = 64
"""Photos of a trial that may lie unfinished: a phone sends one at a time."""
MOST_BYTES = 2_000_000_000
"""Bytes of all of them together."""
LONGEST_S = 7 * 24 * 3600.0
"""Age at which an unfinished photo is given up; its phone still has it and sends it again."""
_FOLDER = ".pieces"
_PHOTO = "the photo"
_SHA = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True, slots=True)
class Parts:
    """One photo that comes in pieces.

    Attributes
    ----------
    directory : Path
        The trial's folder.
    sha256 : str
        Of the whole photo, in hexadecimal; it names the photo while it is unfinished.
    size : int
        Bytes of the whole photo.
    """

    directory: Path
    sha256: str
    size: int

    def __post_init__(self) -> None:
        """Refuse what could name anything but a photo of ours.

        Raises
        ------
        PhotoError
            If the digest is none, or the size is out of bounds.
        """
        if not _SHA.fullmatch(self.sha256):
            raise PhotoError(_PHOTO, "its SHA-256 is none", "64 digits of 0-9a-f")
        if not 0 < self.size <= LARGEST_PHOTO:
            raise PhotoError(_PHOTO, f"{self.size} bytes", f"1 to {LARGEST_PHOTO / 1e6:.0f} MB")

    @property
    def folder(self) -> Path:
        """Where its pieces lie."""
        return _unfinished(self.directory) / f"{self.sha256}-{self.size}"

    @property
    def number(self) -> int:
        """How many pieces it has."""
        return -(-self.size // PIECE)

    def length(self, piece: int) -> int:
        """Return how many bytes a piece has; the last one is shorter."""
        return min(PIECE, self.size - piece * PIECE)

    def held(self) -> list[int]:
        """Return which pieces have come, each whole."""
        return [
            piece
            for piece in range(self.number)
            if _size(self.folder / str(piece)) == self.length(piece)
        ]

    def pieces(self) -> Iterator[bytes]:
        """Return the content, piece by piece."""
        for piece in range(self.number):
            yield (self.folder / str(piece)).read_bytes()

    def forget(self) -> None:
        """Take its pieces away."""
        shutil.rmtree(self.folder, ignore_errors=True)


async def come(parts: Parts, piece: int, stream: AsyncIterator[bytes]) -> None:
    """Keep one piece, whole or not at all; one that has come already may come again.

    Raises
    ------
    PhotoError
        If there is no such piece, it is longer or shorter than it must be, or no room is left.
    """
    where = f"piece {piece} of {parts.number}"
    if not 0 <= piece < parts.number:
        raise PhotoError(where, "no such piece", "a number from 0 on")
    wanted = parts.length(piece)
    content = bytearray()
    async for some in stream:
        content += some
        if len(content) > wanted:
            break
    if len(content) != wanted:
        raise PhotoError(where, f"{len(content)} bytes came", f"{wanted}")
    if not parts.folder.is_dir():
        _make_room(parts)
    part = parts.folder / f".{secrets.token_hex(8)}"
    try:
        part.write_bytes(content)
        part.replace(parts.folder / str(piece))
    finally:
        part.unlink(missing_ok=True)


def lies(parts: Parts, target: Path) -> bool:
    """Return whether the whole photo lies there already."""
    return _size(target) == parts.size and sha256_file(target) == parts.sha256


def assembled(parts: Parts, target: Path) -> bool:
    """Put a photo together where all of it has come.

    Parameters
    ----------
    parts : Parts
    target : Path
        Where it shall lie; one that lies there with the same bytes stays.

    Returns
    -------
    bool
        Whether it lies there whole; False where pieces are missing still. Pieces that together
        are not the photo that was promised are taken away: then all are missing.

    Raises
    ------
    NoRoom
        If the disk is nearly full.
    """
    if lies(parts, target):
        parts.forget()
        return True
    if len(parts.held()) < parts.number:
        return False
    free_for(parts.directory, target.name)
    digest = hashlib.sha256()
    for content in parts.pieces():
        digest.update(content)
    if digest.hexdigest() != parts.sha256:
        parts.forget()
        return False
    with whole_file(target) as file:
        for content in parts.pieces():
            file.write(content)
    parts.forget()
    return True


def tidy(directory: Path, now: float | None = None) -> None:
    """Give up unfinished photos of which nothing has come for a week."""
    for folder in _folders(directory):
        if _touched(folder) + LONGEST_S < (time.time() if now is None else now):
            shutil.rmtree(folder, ignore_errors=True)


def _make_room(parts: Parts) -> None:
    tidy(parts.directory)
    others = _folders(parts.directory)
    lying = sum(_size(path) for folder in others for path in _files(folder))
    if len(others) >= MOST_UNFINISHED or lying + parts.size > MOST_BYTES:
        mend = f"finish them, or wait a week, or empty {ARRIVING}/{_FOLDER} of the trial's folder"
        raise PhotoError(_PHOTO, f"{len(others)} photos lie unfinished here", mend=mend)
    free_for(parts.directory, _PHOTO)
    parts.folder.mkdir(parents=True, exist_ok=True)


def _unfinished(directory: Path) -> Path:
    return directory / ARRIVING / _FOLDER


def _folders(directory: Path) -> list[Path]:
    try:
        return [path for path in _unfinished(directory).iterdir() if path.is_dir()]
    except FileNotFoundError:
        return []


def _files(folder: Path) -> list[Path]:
    try:
        return list(folder.iterdir())
    except FileNotFoundError:  # finished meanwhile
        return []


def _touched(folder: Path) -> float:
    try:
        return folder.stat().st_mtime
    except FileNotFoundError:
        return float("inf")


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return -1
