"""A photo's file into the trial's folder: copied whole, checked, never over another one."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Iterator
from pathlib import Path

from counting.errors import PhotoError
from counting.files import inside, relative, sha256_file, whole_file
from counting.photos.binding import Binding

__all__ = ["place"]

_CHUNK = 1 << 20


def place(directory: Path, photo: Path, sha256: str, binding: Binding) -> str:
    """Return the photo's path inside the trial, copying it there when it lies outside.

    Parameters
    ----------
    directory : Path
        The trial's folder.
    photo : Path
        The file; it is never changed.
    sha256 : str
        What its bytes were when it was examined.
    binding : Binding
        Decides the folder: photos/survey/plant[/truss].

    Returns
    -------
    str
        Relative to the trial's folder, with forward slashes.

    Raises
    ------
    CountingError
        If it cannot be copied, or changed meanwhile; no part of it is left then.
    """
    source = photo.resolve()
    if not _is_utf8(source):
        raise PhotoError(photo, "its name is not UTF-8", mend="rename it")
    root = directory.resolve()
    inner = source.relative_to(root).parts[:-1] if source.is_relative_to(root) else (".",)
    # what lies in a hidden folder of the trial only waits there and is taken away again
    if not any(part.startswith(".") for part in inner):
        return relative(directory, source)
    truss = "" if binding.truss is None else f"/{binding.truss}"
    folder = inside(directory, f"photos/{binding.survey}/{_plain(binding.plant)}{truss}")
    for name in _names(photo, sha256):
        target = folder / name
        if not target.exists():
            _copy(source, target, sha256)
            return relative(directory, target)
        if target.is_file() and sha256_file(target) == sha256:
            return relative(directory, target)
    raise PhotoError(photo, "could not be copied", mend="move it into the trial's folder")


def _is_utf8(path: Path) -> bool:
    try:
        str(path).encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _names(photo: Path, sha256: str) -> Iterator[str]:
    """Yield the names to try: the photo's own, then with some of its hash."""
    stem, ending = _plain(photo.stem)[:100], photo.suffix.lower()
    yield f"{stem}{ending}"
    yield f"{stem}-{sha256[:8]}{ending}"
    yield f"{sha256}{ending}"


def _plain(text: str) -> str:
    """Return a name that every file system takes."""
    kept = "".join(letter if letter.isalnum() or letter in " ._+-" else "_" for letter in text)
    return kept.strip(" .") or "_"


def _copy(source: Path, target: Path, expected: str) -> None:
    """Copy a file whole or not at all, its hash checked before it takes its name."""
    digest = hashlib.sha256()
    try:
        with source.open("rb") as stream, whole_file(target) as out:
            while piece := stream.read(_CHUNK):
                digest.update(piece)
                out.write(piece)
            if digest.hexdigest() != expected:
                raise PhotoError(source, "changed while it was copied", mend="take it in again")
        shutil.copystat(source, target)
        target.chmod(0o644)
    except OSError as error:
        found = f"could not be copied ({error.strerror})"
        raise PhotoError(source, found, mend="check the folder and the free space") from error
