"""What a taking-in has found out so far, so that a stopped one need not look at a photo again."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TextIO

from counting import __version__
from counting.files import canonical_json, inside, sha256_bytes
from counting.photos.examine import Examined, Wanted
from counting.photos.exif import Taken
from counting.photos.fitness.quality import Quality
from counting.photos.tags.reader import TagReading

__all__ = ["Notes"]

_NAME = ".taking-in.jsonl"


class Notes:
    """Examinations of photos, one a line in a hidden file of the trial; a context manager.

    The file is there only while photos are taken in, or after that was stopped. Damaged lines, and
    those of another version or plan or of a file changed since, count as not there.

    Parameters
    ----------
    trial : Path
        The trial's folder.
    wanted : Wanted
        What is looked for in the photos.

    Raises
    ------
    CountingError
        If the trial's folder of photos is a link that leads out of it.
    """

    def __init__(self, trial: Path, wanted: Wanted) -> None:
        self._path = trial / "photos" / _NAME
        if self._path.is_symlink():  # laid by somebody, who knows where it leads
            self._path.unlink()
        inside(trial, f"photos/{_NAME}")
        self._wanted = [__version__, wanted.smallest_mm, sorted(wanted.tags)]
        self._stream: TextIO | None = None
        self._known = dict(self._read())

    def _read(self) -> list[tuple[str, Examined]]:
        try:
            lines = self._path.read_text(encoding="utf-8", errors="replace").splitlines()
        except OSError:
            return []
        found = []
        for line in lines:
            try:
                note = json.loads(line)
                found.append((str(note["of"]), _examined(note["found"])))
            except (ValueError, KeyError, TypeError, RecursionError):
                continue  # cut short when the program was stopped
        return found

    def get(self, photo: Path) -> Examined | None:
        """Return what was found out about a photo, None if it was not looked at yet."""
        name = self._of(photo)
        return self._known.get(name) if name else None

    def add(self, photo: Path, found: Examined) -> None:
        """Keep what was found out about a photo; a disk that refuses only loses the note."""
        name = self._of(photo)
        if not name:
            return
        line = canonical_json({"of": name, "found": asdict(found)}) + "\n"
        try:
            if self._stream is None:
                self._path.parent.mkdir(parents=True, exist_ok=True)
                self._stream = self._path.open("a", encoding="utf-8")
                line = "\n" + line  # what was cut short before stays a line of its own
            self._stream.write(line)
            self._stream.flush()
        except OSError:
            return

    def _of(self, photo: Path) -> str:
        """Return what tells this file as it is from any other, empty if it is gone."""
        try:
            state = photo.stat()
        except OSError:
            return ""
        told = [str(photo.resolve()), state.st_size, state.st_mtime_ns, *self._wanted]
        return sha256_bytes(canonical_json(told).encode("utf-8", errors="surrogateescape"))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Take the file away when all was done; leave it for the next time when it was not."""
        if self._stream:
            self._stream.close()
        if kind is None:
            self._path.unlink(missing_ok=True)


def _examined(note: dict[str, Any]) -> Examined:
    """Return an examination as it was before it became JSON."""
    return Examined(
        str(note["photo"]),
        int(note["width"]),
        int(note["height"]),
        Taken(**note["taken"]),
        tuple(_tag(tag) for tag in note["tags"]),
        Quality(**note["quality"]),
        str(note["damage"]),
    )


def _tag(note: dict[str, Any]) -> TagReading:
    corners, card = (tuple((x, y) for x, y in note[name]) for name in ("corners", "card"))
    grey = None if note["grey"] is None else tuple(note["grey"])
    return TagReading(**{**note, "corners": corners, "card": card, "grey": grey})
