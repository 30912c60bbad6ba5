"""The trials on this machine: folders beside each other, each with a plan."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from pathlib import Path

from counting.errors import CountingError
from counting.files import inside
from counting.plan.trial import PLAN_NAME, Trial, load_trial

__all__ = ["Shelf", "folder_name", "usual_shelf"]

_LONGEST_NAME = 60
_MOST_BESIDE = 8
_MOST_INNER = 60


@dataclass(frozen=True, slots=True)
class Shelf:
    """A folder of trials.

    Attributes
    ----------
    folder : Path
        Trials are the folders in it that hold a plan.
    only : str
        The one trial that is shown, where a trial was opened; empty shows all.
    """

    folder: Path
    only: str = ""

    @classmethod
    def of(cls, directory: Path | None) -> Shelf:
        """Return the shelf for what was opened: a trial, a folder of trials, or nothing named."""
        if directory is None:
            return cls(usual_shelf())
        if (directory / PLAN_NAME).is_file():
            whole = directory.resolve()
            return cls(whole.parent, whole.name)
        return cls(directory.resolve())

    @property
    def own(self) -> Path:
        """The folder in which the desk keeps which phones were let in."""
        return (self.folder / self.only if self.only else self.folder) / ".desk"

    def names(self) -> list[str]:
        """Return the folders that are trials, by name; none where the shelf does not exist yet."""
        if self.only:
            return [self.only]
        try:
            entries = sorted(self.folder.iterdir(), key=lambda entry: entry.name.casefold())
        except FileNotFoundError:
            return []
        except OSError as error:
            found = f"could not be read ({error.strerror})"
            raise CountingError(self.folder, found, mend="check the folder's rights") from error
        return [
            entry.name
            for entry in entries
            if not entry.name.startswith(".") and (entry / PLAN_NAME).is_file()
        ]

    def beside(self) -> list[Path]:
        """Return other folders of trials near this one: those beside it that hold trials."""
        near = [self.folder.parent, usual_shelf()]
        try:
            near += sorted(path for path in self.folder.parent.iterdir() if path.is_dir())
        except OSError:
            return []
        others = [path for path in dict.fromkeys(near) if path != self.folder]
        return [path for path in others if _holds_trials(path)][:_MOST_BESIDE]

    def inner(self) -> list[Path]:
        """Return the folders in this one that are no trials, by name: where to go down."""
        try:
            entries = sorted(self.folder.iterdir(), key=lambda entry: entry.name.casefold())
            return [
                entry
                for entry in entries
                if not entry.name.startswith(".")
                and entry.is_dir()
                and not (entry / PLAN_NAME).is_file()
            ][:_MOST_INNER]
        except OSError:
            return []

    def trial(self, name: str) -> Trial:
        """Load a trial of the shelf.

        Raises
        ------
        CountingError
            If there is none of that name, or its plan cannot be read.
        """
        return load_trial(self.directory(name))

    def directory(self, name: str) -> Path:
        """Return a trial's folder without reading its plan; see `trial`."""
        if name not in self.names():
            mend = "go back to the list of trials"
            raise CountingError(name or "(no name)", "no such trial here", mend=mend)
        return inside(self.folder, name)

    def free(self, title: str) -> Path:
        """Return the folder for a new trial: its title as a file name, numbered where taken."""
        name = folder_name(title)
        path, number = self.folder / name, 2
        while path.exists():
            path, number = self.folder / f"{name}-{number}", number + 1
        return path


def usual_shelf() -> Path:
    """Return the folder where trials lie unless another is named."""
    return Path.home() / "Trials"


def folder_name(title: str) -> str:
    """Return a title as a file name that every system takes: letters, digits and dashes."""
    plain = unicodedata.normalize("NFKD", title).encode("ascii", "ignore").decode("ascii")
    name = re.sub(r"[^A-Za-z0-9]+", "-", plain).strip("-").lower()[:_LONGEST_NAME].rstrip("-")
    return name or "trial"


def _holds_trials(folder: Path) -> bool:
    try:
        return any((path / PLAN_NAME).is_file() for path in folder.iterdir())
    except OSError:
        return False
