"""What the ledger keeps of a photo's candidates, and finding them again to compare."""

from __future__ import annotations

import time
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib.resources import files
from pathlib import Path

from counting import __version__
from counting.crops import CROPS, OTHER, crop_of
from counting.errors import PhotoError
from counting.files import inside, sha256_bytes
from counting.finding.candidates import LONG_SIDE_READ, find
from counting.finding.in_row import Rows
from counting.finding.stages.run import stage_tables
from counting.finding.stages.scorer import own_network
from counting.finding.zone import NO_TAGS, RowTags
from counting.ledger.facts import Photo, Proposal, Tag
from counting.photos.image import load_image, read_photo
from counting.photos.workers import Job
from counting.plan.trial import Trial
from counting.settings import Settings

__all__ = [
    "Task",
    "Tasks",
    "check_weights",
    "find_in",
    "finder_version",
    "repeat",
    "same",
    "weights_file",
]

_DIGITS = 12
"""Of a file's digest, in its name; as many tell the lessons of one trial apart."""


@lru_cache(maxsize=1)
def finder_version() -> str:
    """Return the package's version with a digest of the finder's weights and numbers."""
    stages = files("counting.finding.stages")
    zone = files("counting.finding.zone")
    parts = [
        part
        for folder in (stages, zone)
        for part in folder.iterdir()
        if part.name.endswith((".json", ".onnx"))
    ]
    parts.sort(key=lambda part: part.name)
    data = b"".join(part.read_bytes() for part in parts)
    return f"{__version__} ({sha256_bytes(data)[:12]})"


def weights_file(directory: Path, digest: str) -> Path | None:
    """Return where a trial keeps weights, by their SHA-256; None for an empty one, what ships."""
    return directory / "lessons" / f"{digest[:_DIGITS]}.onnx" if digest else None


def check_weights(directory: Path, settings: Settings) -> None:
    """See that the weights that settings name lie in a trial, and are those that were recorded.

    Raises
    ------
    CountingError
        If they are missing, others, or cannot be loaded.
    """
    if file := weights_file(directory, settings.weights):
        own_network(file, settings.weights)


@dataclass(frozen=True, slots=True)
class Task:
    """What finding in one photo takes, beside the photo.

    Attributes
    ----------
    settings : Settings
        Stages, threshold and tuning.
    tag : Tag or None
        The tag in the photo.
    smallest_mm : float
        Fruit under this diameter do not count.
    truss : int or None
        The only truss that the photo is of.
    crop : str
        Name of its entry in `counting.crops.CROPS`.
    row : RowTags
        The tags of the row in the photo, and the plan's spacing.
    file : str
        SHA-256 of the file, where the job's key is another; empty where it is the key.
    weights : Path or None
        The trial's own weights of the scorer, where the settings name some.
    """

    settings: Settings
    tag: Tag | None
    smallest_mm: float
    truss: int | None
    crop: str
    row: RowTags = NO_TAGS
    file: str = ""
    weights: Path | None = None

    @classmethod
    def of(
        cls, photo: Photo, settings: Settings, smallest_mm: float, crop: str, row: RowTags = NO_TAGS
    ) -> Task:
        """Return what to do with a photo of the trial; `within` tells where its files lie."""
        return cls(settings, photo.tag, smallest_mm, photo.truss, crop, row, photo.view_of)

    def within(self, directory: Path) -> Task:
        """Return the task with the trial's own weights, where the settings name some."""
        return replace(self, weights=weights_file(directory, self.settings.weights))

    @property
    def mm_per_px(self) -> float | None:
        """The tag's scale; None without one."""
        return self.tag.mm_per_px if self.tag else None


@dataclass(frozen=True, slots=True)
class Tasks:
    """What a trial's plan says of finding in its photos.

    Attributes
    ----------
    directory : Path
        The trial's.
    rows : Rows
        Where every plant stands.
    smallest_mm : float
        Fruit under this diameter do not count.
    crop : str
        Name of its entry in `counting.crops.CROPS`.
    """

    directory: Path
    rows: Rows
    smallest_mm: float
    crop: str

    @classmethod
    def of(cls, trial: Trial, taken: Iterable[Photo]) -> Tasks:
        """Take them out of a trial; its photos tell how much a photo usually shows."""
        plan, rows = trial.plan, Rows.of(trial, taken)
        return cls(trial.directory, rows, plan.rule.smallest_fruit_mm, crop_of(plan.crop).name)

    def job(self, photo: Photo, settings: Settings, folder: Path | None = None) -> Job:
        """Return the job of finding in a photo.

        Parameters
        ----------
        photo : Photo
        settings : Settings
            Stages, threshold and tuning.
        folder : Path, optional
            Where the weights that the settings name lie, if not in the trial.

        Raises
        ------
        CountingError
            If the photo's file would lie outside the trial.
        """
        path, row = inside(self.directory, photo.file), self.rows.of_photo(photo)
        task = Task.of(photo, settings, self.smallest_mm, self.crop, row)
        return Job(photo.photo, path, extra=task.within(folder or self.directory))


def same(proposal: Proposal, task: Task) -> bool:
    """Whether a proposal was made just as the task would make it."""
    made = (proposal.settings, proposal.version, proposal.smallest_mm, proposal.mm_per_px)
    wanted = (task.settings.hash, finder_version(), task.smallest_mm, task.mm_per_px)
    # the usual scale moves a little with every photo that is taken in; a guess may stay as it was
    guessed = proposal.usual_mm_per_px is None, task.row.usual_mm_per_px is None
    same_row = proposal.spacing_mm == task.row.spacing_mm and guessed[0] == guessed[1]
    return made == wanted and proposal.crop == task.crop and same_row


def find_in(job: Job) -> Proposal:
    """Find the fruit in one photo: the work of one worker on one job.

    Raises
    ------
    PhotoError
        If the photo cannot be read or is not the one that was taken in.
    """
    start = time.perf_counter()
    task: Task = job.extra
    data = read_photo(job.path)
    if sha256_bytes(data) != (task.file or job.key):
        found, mend = "other bytes than when it was taken in", "restore it, or take it in again"
        raise PhotoError(job.path, found, mend=mend)
    image = load_image(job.path, long_side=LONG_SIDE_READ, data=data)
    crop = CROPS.get(task.crop, OTHER)
    seen = find(
        image,
        task.settings,
        tag=task.tag,
        smallest_mm=task.smallest_mm,
        crop=crop,
        row=task.row,
        tables=stage_tables(image, task.settings, task.weights),
    )
    return Proposal(
        photo=job.key,
        candidates=seen.records(truss=task.truss),
        made_with=task.settings,
        version=finder_version(),
        settings=task.settings.hash,
        stages=task.settings.stages,
        smallest_mm=task.smallest_mm,
        mm_per_px=task.mm_per_px,
        crop=task.crop,
        width=image.width,
        height=image.height,
        proposed=seen.proposed,
        count=round(seen.count, 2),
        count_low=float(seen.count_low),
        count_high=float(seen.count_high),
        flags=tuple(map(str, seen.flags)),
        known=seen.zone.known,
        zone=seen.zone.borders,
        spacing_mm=task.row.spacing_mm,
        usual_mm_per_px=task.row.usual_mm_per_px,
        seconds=round(time.perf_counter() - start, 3),
    )


def repeat(
    path: Path,
    photo: Photo,
    proposal: Proposal,
    row: RowTags = NO_TAGS,
    directory: Path | None = None,
) -> Proposal:
    """Find again what a proposal found, with its own settings, to compare the two.

    Parameters
    ----------
    path : Path
        The photo.
    photo : Photo
    proposal : Proposal
        What the ledger has of it.
    row : RowTags
        What is known of the row, as `counting.finding.in_row.Rows` tells it.
    directory : Path, optional
        The trial's, where its own weights lie.

    Returns
    -------
    Proposal
        All but `seconds` equals `proposal` when `version` does.

    Raises
    ------
    PhotoError
        If the photo cannot be read or has changed.
    """
    row = replace(row, spacing_mm=proposal.spacing_mm, usual_mm_per_px=proposal.usual_mm_per_px)
    smallest = proposal.smallest_mm or 0.0
    task = Task.of(photo, proposal.made_with, smallest, proposal.crop, row)
    task = task.within(directory) if directory else task
    return find_in(Job(proposal.photo, path, extra=task))
