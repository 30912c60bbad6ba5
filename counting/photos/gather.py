"""The photos that a person pointed at: files, folders walked, lists read."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from counting.errors import PhotoError, Refusal
from counting.photos.binding import FROM_CAMERA, Given
from counting.photos.image import SUFFIXES
from counting.photos.manifest import MANIFEST_NAME, Manifest, read_manifest
from counting.photos.places.days import Days
from counting.typed import day

__all__ = ["AskDays", "Batch", "gather"]

_LIST_ENDINGS = {".csv", ".xlsx", ".ods"}
AskDays = Callable[[Days], str]
"""Puts doubtful days to a person; returns the survey to say for all, one of `Days.choices`."""


@dataclass(frozen=True, slots=True)
class Batch:
    """What holds for every photo of one taking-in.

    Attributes
    ----------
    survey : str
        Date of the survey; empty to take it from list, folder or photo; `FROM_CAMERA` to take it
        from the photo in any case.
    side : str
        The side they were taken from; empty to take it from list, folder or file name.
    manifest : Path or None
        A list of photos; None to use each folder's ``photos.csv``, where there is one.
    workers : int or None
        Processes that look at them; None for one per core.
    ask : callable or None
        Asked where the camera's days and the surveys disagree, before anything is taken in; None
        to take the photos in as said, with a remark.
    """

    survey: str = ""
    side: str = ""
    manifest: Path | None = None
    workers: int | None = None
    ask: AskDays | None = None


def gather(
    directory: Path, paths: Iterable[Path], batch: Batch
) -> tuple[list[Given], list[Refusal]]:
    """Find the photos meant and what their lists say.

    Parameters
    ----------
    directory : Path
        The trial's folder; a link inside it that leads out is refused.
    paths : iterable of Path
        Photos, and folders to walk.
    batch : Batch
        What holds for all.

    Returns
    -------
    given : list of Given
        Each photo once, in the order given and by name within a folder.
    refused : list of Refusal
        What cannot be used, and why.

    Raises
    ------
    PhotoError
        If the survey is no date or a list cannot be read.
    """
    if batch.survey and batch.survey != FROM_CAMERA:
        option = "--survey"
        try:
            batch = dataclasses.replace(batch, survey=day(batch.survey).isoformat())
        except ValueError as error:
            raise PhotoError(option, str(error)) from error
    lists = _Lists(batch.manifest)
    given: dict[Path, Given] = {}
    refused: list[Refusal] = []
    for path in paths:
        for photo, root in lists.photos(path):
            # a folder stands for what is in it, a trial's folder for what is in the trial
            bounds = [root] if root != photo.parent or path.is_dir() else []
            bounds += [directory] if photo.absolute().is_relative_to(directory.absolute()) else []
            if not all(_lies_in(photo, bound) for bound in bounds):
                reason = "a link that leads out of the folder; give the photo itself"
                refused.append(Refusal(str(photo), reason))
                continue
            listed = lists.of(photo, root)
            row = listed.rows.get(resolved(photo)) if listed else None
            if batch.manifest and row is None:
                refused.append(Refusal(str(photo), f"not in the list {batch.manifest}; add a row"))
                continue
            given.setdefault(photo.absolute(), Given(photo, batch.survey, batch.side.lower(), row))
        if path.is_dir() and not any(photo.is_relative_to(path.absolute()) for photo in given):
            refused.append(Refusal(str(path), "no photo in it; check the folder"))
    return list(given.values()), refused + lists.refusals()


class _Lists:
    """The lists of photos met on the way, each read once."""

    def __init__(self, manifest: Path | None) -> None:
        self._only = manifest
        self._read: dict[Path, Manifest] = {}
        self._wholly: set[Path] = set()
        if manifest:
            self._wholly.add(manifest)
            self._get(manifest)

    def _get(self, path: Path) -> Manifest:
        if path not in self._read:
            self._read[path] = read_manifest(path)
        return self._read[path]

    def photos(self, path: Path) -> Iterator[tuple[Path, Path]]:
        """Yield the photos that an argument means, each with the folder it was found in."""
        if path.is_dir():
            for photo in _walk(path):
                yield photo, path
            self._wholly |= {found for found in self._read if found.is_relative_to(path)}
        elif path.suffix.lower() in _LIST_ENDINGS:
            self._wholly.add(path)
            for photo in self._get(path).rows:
                if photo.exists():
                    yield path.parent / photo.relative_to(path.parent.resolve()), path.parent
        else:
            yield path, path.parent

    def of(self, photo: Path, root: Path) -> Manifest | None:
        """Return the list that speaks of a photo: the one given, or the nearest above it."""
        if self._only:
            return self._get(self._only)
        for path, listed in self._read.items():
            if path in self._wholly and resolved(photo) in listed.rows:
                return listed
        folder = photo.parent
        while True:
            if (folder / MANIFEST_NAME).is_file():
                return self._get(folder / MANIFEST_NAME)
            if folder == root or folder == folder.parent:
                return None
            folder = folder.parent

    def refusals(self) -> list[Refusal]:
        """Return what the lists name in vain."""
        refused = []
        for path in sorted(self._wholly):
            listed = self._get(path)
            refused += [Refusal(name, reason) for name, reason in listed.faults.items()]
            refused += [
                Refusal(str(photo), f"not found, but line {row.line} of {path.name} lists it")
                for photo, row in listed.rows.items()
                if not photo.exists()
            ]
        return refused


def resolved(photo: Path) -> Path:
    """Return a photo's path with links followed; one that leads in a circle stays as it is."""
    try:
        return photo.resolve()
    except (OSError, RuntimeError):  # RuntimeError: a link that leads back to itself
        return photo.absolute()


def _walk(folder: Path) -> Iterator[Path]:
    """Yield the photos in a folder and below it by name; links to folders are not followed."""
    try:
        entries = sorted(folder.iterdir())
    except OSError as error:
        found = f"could not be read ({error.strerror})"
        raise PhotoError(folder, found, mend="check the folder's rights") from error
    for entry in entries:
        if entry.name.startswith("."):
            continue
        if entry.is_dir() and not entry.is_symlink():
            yield from _walk(entry)
        elif entry.suffix.lower() in SUFFIXES:
            yield entry


def _lies_in(photo: Path, folder: Path) -> bool:
    return resolved(photo).is_relative_to(folder.resolve())
