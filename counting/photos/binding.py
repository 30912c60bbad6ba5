"""Which plant, truss and side a photo shows: by its tag, the list of photos, or its folders."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from counting.flags import Flag
from counting.photos.exif import Taken
from counting.photos.manifest import Listed
from counting.photos.tags.reader import TagReading
from counting.plan.codes import CodeBook
from counting.plan.mark import TrialMark
from counting.spreadsheet import iso_date

__all__ = ["FROM_CAMERA", "Binding", "Codes", "Given", "bind"]

FROM_CAMERA = "from-camera"
"""Said in place of a survey's date: each photo belongs to the day on which it was taken."""

_TRUSS = re.compile(r"(?:truss|t)?[ _-]?0*([1-9]\d{0,2})", re.IGNORECASE | re.ASCII)
_SIDE = re.compile(r"([^\W\d_]{2,20})( [2-9])?")
"""A side, or a further view of it: ``path``, ``path 2``."""
_NO_SIDE = {"img", "image", "photo", "pic", "dsc", "foto", "bild", "untitled"}
"""File names that cameras and programs give, so no name of a side."""


@dataclass(frozen=True, slots=True)
class Codes:
    """The plan's plants as intake looks them up.

    Attributes
    ----------
    book : CodeBook
        The codes, however they are written.
    tags : dict of int to str
        Number of the tag to the plant's code.
    mark : TrialMark or None
        The trial's own, to tell foreign tags.
    """

    book: CodeBook
    tags: dict[int, str]
    mark: TrialMark | None = None

    @classmethod
    def of(cls, plants: pd.DataFrame, mark: TrialMark | None = None) -> Codes:
        """Take the codes and tags out of a table `counting.tables.PLANTS`."""
        pairs = zip(plants["code"], plants["tag"], strict=True)
        tags = {int(tag): str(code) for code, tag in pairs if pd.notna(tag)}
        return cls(CodeBook(plants["code"]), tags, mark)

    def plant(self, text: str) -> str:
        """Return the code meant by `text`, empty if the plan has none such."""
        return self.book.find(text)

    def foreign(self, tag: TagReading) -> bool:
        """Whether a tag says that it is of another trial or year."""
        other = TrialMark.of_text(tag.trial)
        return other is not None and self.mark is not None and self.mark.foreign(other)


@dataclass(frozen=True, slots=True)
class Given:
    """What is known of a photo before it is opened.

    Attributes
    ----------
    path : Path
        The photo.
    survey, side : str
        As said for the whole batch; empty if not.
    listed : Listed or None
        Its row in a list of photos.
    """

    path: Path
    survey: str
    side: str
    listed: Listed | None


@dataclass(frozen=True, slots=True)
class Binding:
    """Where a photo belongs.

    Attributes
    ----------
    survey, plant, side : str
        `side` is empty where nothing names it.
    truss : int or None
        None for the whole plant.
    bound_by : str
        tag, manifest or folder: what named the plant.
    flags : tuple of Flag
        Reasons to look.
    tag : TagReading or None
        The tag that gives plant and scale.
    dated_by : str
        What named the survey: said (for the whole batch), list, folder or camera.
    """

    survey: str
    plant: str
    truss: int | None
    side: str
    bound_by: str
    flags: tuple[Flag, ...]
    tag: TagReading | None
    dated_by: str


@dataclass(frozen=True, slots=True)
class _Named:
    """What one source says; empty or None where it is silent."""

    survey: str = ""
    plant: str = ""
    truss: int | None = None
    side: str = ""


def bind(given: Given, tags: Sequence[TagReading], taken: Taken, codes: Codes) -> Binding:
    """Decide where a photo belongs.

    The plant is the tag's, else the list's, else the folder's; of several tags the one that list
    or folder names counts, else the one nearest the middle; survey, truss and side are those of
    the batch, else the list's, else the folder's; the survey falls back to the day of the photo.

    Raises
    ------
    ValueError
        If plant or survey stay unknown or two sources disagree on the survey; the text says the
        mend.
    """
    folder = _from_folders(given.path, codes)
    listed = _from_list(given.listed, codes)
    known = [tag for tag in tags if tag.id in codes.tags and not codes.foreign(tag)]
    source = listed or folder
    # in a row the next plants' tags are in view too: one that folder or list names goes first
    named = [tag for tag in known if source.plant and codes.tags[tag.id] == source.plant]
    tag = next(iter(named + known), None)
    strange = [each for each in tags if codes.foreign(each)]
    if strange and not tag:
        message = (
            f"its tag is of trial {strange[0].trial}, not of this one, {codes.mark}; take it in"
            " there, or print this trial's own tags: counting tags"
        )
        raise ValueError(message)
    plant, bound_by = _plant(codes.tags[tag.id] if tag else "", listed, folder)
    if not plant:
        raise ValueError(_no_plant(given, codes))
    survey, dated_by = _survey(given, listed, folder, taken)
    flags = _flags(tag, known, plant, source)
    if codes.tags and not tag:
        flags.append(Flag.NO_TAG)
    if not taken.time:
        flags.append(Flag.NO_TIME)
    truss = source.truss if source.truss is not None else folder.truss
    side = given.side or source.side or folder.side
    return Binding(survey, plant, truss, side, bound_by, tuple(flags), tag, dated_by)


def _plant(tagged: str, listed: _Named | None, folder: _Named) -> tuple[str, str]:
    if tagged:
        return tagged, "tag"
    if listed and listed.plant:
        return listed.plant, "manifest"
    return folder.plant, "folder"


def _flags(
    tag: TagReading | None, known: Sequence[TagReading], plant: str, named: _Named
) -> list[Flag]:
    flags = []
    if len(known) > 1:
        flags.append(Flag.MANY_TAGS)
    if tag and tag.turned:
        flags.append(Flag.TURNED)
    if tag and named.plant and named.plant != plant:
        flags.append(Flag.TAG_DISAGREES)
    return flags


def _from_list(listed: Listed | None, codes: Codes) -> _Named | None:
    if listed is None:
        return None
    if listed.fault:
        raise ValueError(listed.fault)
    plant = codes.plant(listed.plant)
    if listed.plant and not plant:
        message = f"line {listed.line} of the list: {codes.book.unknown(listed.plant)}"
        raise ValueError(message)
    return _Named(listed.survey, plant, listed.truss, listed.side)


def _from_folders(path: Path, codes: Codes) -> _Named:
    """Read ``survey/plant[/truss]`` off the folders, the side off the file's name or a folder."""
    parts = path.parts[:-1]
    survey = ""
    at = -1
    for index, part in enumerate(parts):
        try:
            survey, at = iso_date(part), index
        except ValueError:
            continue
    after = parts[at + 1 :] if survey else parts[-2:]
    places = [index for index, part in enumerate(after) if codes.plant(part)]
    if not places:
        return _Named(survey=survey, side=_side(path.stem))
    plant = codes.plant(after[places[-1]])
    truss, side = None, ""
    for part in after[places[-1] + 1 :]:
        number = _TRUSS.fullmatch(part)
        if number:
            truss = int(number[1])
        else:
            side = _side(part) or side
    return _Named(survey, plant, truss, _side(path.stem) or side)


def _side(text: str) -> str:
    """Return a name of a side in lower case, empty where the text is none."""
    word = text.strip().lower()
    named = _SIDE.fullmatch(word)
    return word if named and named[1] not in _NO_SIDE else ""


def _survey(given: Given, listed: _Named | None, folder: _Named, taken: Taken) -> tuple[str, str]:
    """Return the survey and what named it."""
    if given.survey == FROM_CAMERA:
        if not taken.time:
            message = "it carries no time of its own; say --survey 2026-07-01 for it"
            raise ValueError(message)
        return taken.time[:10], "camera"
    own = (listed.survey if listed else "") or folder.survey
    if given.survey and own and own != given.survey:
        message = (
            f"its list or folder says survey {own}, the command says {given.survey}; "
            "leave one of them out"
        )
        raise ValueError(message)
    for survey, source in (
        (given.survey, "said"),
        (listed.survey if listed else "", "list"),
        (folder.survey, "folder"),
        (taken.time[:10], "camera"),
    ):
        if survey:
            return survey, source
    message = "no survey date: it carries no time of its own; say --survey 2026-07-01"
    raise ValueError(message)


def _no_plant(given: Given, codes: Codes) -> str:
    seeking = "no tag was read, and " if codes.tags else ""
    folder = given.path.parent.name
    return (
        f"its plant is not known: {seeking}neither a list of photos nor a folder names a plant of "
        f"the plan (the folder is {folder!r}); list it in photos.csv or put it into a folder "
        "survey/plant"
    )
