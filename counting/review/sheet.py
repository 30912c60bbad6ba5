"""Make contact sheets: choose the photos, shuffle them, write the file, record it."""

from __future__ import annotations

import base64
import os
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from counting import __version__
from counting.errors import CountingError
from counting.files import canonical_json, sha256_bytes, write_bytes
from counting.flags import Flag
from counting.ledger import Checkpoint
from counting.ledger.facts import Sheet, sheet_of, standing_answers
from counting.ledger.facts import photos as photos_taken
from counting.plan.trial import Trial
from counting.review.build import page
from counting.review.frames import Frame, by_lot, doubtful, frames, ordered
from counting.review.prints import Prints, most_bytes, prints_of
from counting.review.together import FEWEST, SHARE, Looked, likely, looked_at
from counting.text import plain_name

__all__ = [
    "Made",
    "SheetOptions",
    "chosen_frames",
    "make_sheet",
    "make_sheets",
    "record",
    "seed_of",
    "sheet_data",
]

_SHEETS = "sheets"
_FILE_PHOTOS = 50
_FILE_BYTES = 8_000_000
"""Half an hour of work, and a size that mail and phones still pass on (common practice)."""
_ID_LENGTH = 10


@dataclass(frozen=True, slots=True)
class SheetOptions:
    """How a sheet is made.

    Attributes
    ----------
    flagged : bool
        Only photos with a reason to look.
    survey : str
        Only photos of this survey; empty for all.
    photos : tuple of str or None
        Only these photos (SHA-256).
    open_only : bool
        Only photos that nobody has answered yet, with the others of the same plant and survey, so
        that a fruit on two of them is marked as one.
    per_file : int or None
        Photos per file at most; 0 puts all in one, None splits at about 50 photos or 8 MB, what
        mail and phones still pass on. Photos of one plant stay in one file.
    blind : bool
        Show neither plant nor group, and cover the cards of the tags in the photo.
    seed : int or None
        Decides the order; None takes the plan's seed.
    reviewer : str
        For whom the sheet is; empty lets the page ask.
    part : str
        Tells sheets with the same photos apart, for example "1 of 3".
    replace : bool
        Write over a file of the same name and other content.
    chances : mapping or None
        Photo to the chance with which its plant was drawn, where the photos are a sample.
    first : int
        Only so many photos, drawn by lot, which teach the finder; 0 for all.
    """

    flagged: bool = False
    survey: str = ""
    photos: tuple[str, ...] | None = None
    open_only: bool = False
    per_file: int | None = None
    blind: bool = True
    seed: int | None = None
    reviewer: str = ""
    part: str = ""
    replace: bool = False
    chances: Mapping[str, float] | None = None
    first: int = 0


@dataclass(frozen=True, slots=True)
class Made:
    """A sheet as written.

    Attributes
    ----------
    path : Path
        The HTML file.
    sheet : str
        Its id, also in the ledger.
    photos : int
        How many photos it shows.
    flagged : int
        How many of them have a reason to look.
    uncovered : tuple of str
        Files of a blind sheet in which no tag was read, so that none is covered.
    """

    path: Path
    sheet: str
    photos: int
    flagged: int
    uncovered: tuple[str, ...]


def make_sheet(trial: Trial, options: SheetOptions | None = None) -> Path:
    """Make one contact sheet with all photos asked for, and return its path.

    Raises
    ------
    CountingError
        If no photo fits the options, or the file exists with other content.
    """
    return make_sheets(trial, replace(options or SheetOptions(), per_file=0))[0].path


def make_sheets(trial: Trial, options: SheetOptions | None = None) -> list[Made]:
    """Make the contact sheets for the photos asked for, each of at most `per_file` photos.

    Making the same sheet again writes the same bytes and records nothing new.

    Raises
    ------
    CountingError
        If no photo fits the options, or a file exists with other content.
    """
    options = options or SheetOptions()
    chosen = ordered(chosen_frames(trial, options), seed_of(trial, options))
    parts = _parts(chosen, options.per_file)
    if len(parts) == 1 or options.part:
        return [_write(trial, options, part) for part in parts]
    return [
        _write(trial, replace(options, part=f"{number} of {len(parts)}"), part)
        for number, part in enumerate(parts, start=1)
    ]


def _plain(name: str) -> str:
    """Return a reviewer's name as it is compared; "|" would part the ledger's keys."""
    where = "the reviewer's name"
    try:
        known = plain_name(name)
    except ValueError as error:
        raise CountingError(where, str(error)) from error
    if "|" in known:
        raise CountingError(where, f"{name!r}", "letters, without |")
    return known


def sheet_data(
    trial: Trial, options: SheetOptions, listed: Sequence[Frame], grid: Sequence[bytes] = ()
) -> dict[str, Any]:
    """Return what the page is given, its id included; `grid` are the small prints, if embedded.

    On a blind sheet no plant, group, survey or file name is in it.
    """
    sets = {key: number for number, key in enumerate(dict.fromkeys(f.belongs_to for f in listed))}
    first, sure = doubtful(listed), likely(listed)
    photos = [
        _photo_data(frame, sets[frame.belongs_to], options.blind)
        | {"doubtful": frame.photo in first, "sure": frame.photo in sure}
        | ({"likely": [list(pair) for pair in frame.likely]} if frame.likely else {})
        for frame in listed
    ]
    data = {
        "format": "counting sheet",
        "version": 1,
        "trial": trial.plan.id,
        "title": trial.plan.title,
        "crop": trial.plan.crop,
        "reviewer": _plain(options.reviewer),
        "part": options.part,
        "blind": options.blind,
        "seed": seed_of(trial, options),
        "rule": trial.plan.rule.model_dump(),
        "sentences": {flag.value: flag.sentence for flag in Flag},
        "photos": photos,
    }
    data["sheet"] = sha256_bytes(canonical_json(data).encode("utf-8"))[:_ID_LENGTH]
    _tell_looked(trial, data, {frame.survey for frame in listed}, file=bool(grid))
    for photo, small in zip(photos, grid, strict=False):
        photo["grid"] = base64.b64encode(small).decode("ascii")
    return data


def _tell_looked(trial: Trial, data: dict[str, Any], surveys: set[str], *, file: bool) -> None:
    """Tell the page what looking at likely photos of these surveys one by one has shown.

    For a file: when it was first made, since the same sheet again is the same file again.
    """
    with trial.ledger() as ledger:
        known = ledger.get("sheet", data["sheet"])
        told = looked_at(ledger, before=known.seq if known and file else None)
        taken = photos_taken(ledger)
    told = {photo: right for photo, right in told.items() if taken[photo].survey in surveys}
    for photo in data["photos"]:
        if photo["photo"] in told:
            photo["right"] = told.pop(photo["photo"])
    others = Looked.of(told.values())
    data["looked"] = {"photos": others.photos, "right": others.right}
    data["together"] = {"fewest": FEWEST, "share": SHARE}


def record(
    trial: Trial, data: dict[str, Any], file: str, chances: Mapping[str, float] | None = None
) -> None:
    """Write in the ledger which photos a sheet shows, with which proposals.

    Parameters
    ----------
    trial : Trial
        The trial.
    data : dict
        What `sheet_data` returned.
    file : str
        Path inside the trial; empty for a sheet that is served and lies in no file.
    chances : mapping, optional
        Photo to the chance with which its plant was drawn.
    """
    made = Sheet(
        sheet=data["sheet"],
        trial=data["trial"],
        file=file,
        seed=data["seed"],
        blind=data["blind"],
        reviewer=data["reviewer"],
        photos={photo["photo"]: photo["proposal"] for photo in data["photos"]},
        chances={
            photo["photo"]: chances[photo["photo"]]
            for photo in data["photos"]
            if chances and photo["photo"] in chances
        },
        likely=tuple(photo["photo"] for photo in data["photos"] if photo["sure"]),
    )
    with trial.ledger() as ledger:
        if file or sheet_of(ledger, made.sheet) is None:
            ledger.add([made], by=f"counting {__version__}")


def _write(trial: Trial, options: SheetOptions, listed: Sequence[Frame]) -> Made:
    """Write one sheet's file and record it."""
    made = _prints(trial, listed, blind=options.blind)
    data = sheet_data(trial, options, listed, [each.grid for each in made])
    data["checkpoint"] = _checkpoint(trial, data["sheet"])
    name = f"sheet_{data['sheet']}.html"
    path = trial.directory / _SHEETS / name
    content = "".join(page(data, (each.review for each in made))).encode("utf-8")
    if not path.exists() or path.read_bytes() != content:
        write_bytes(path, content, replace=options.replace)
    record(trial, data, f"{_SHEETS}/{name}", options.chances)
    uncovered = tuple(frame.file for frame in listed if options.blind and not frame.card)
    return Made(path, data["sheet"], len(listed), len(doubtful(listed)), uncovered)


def _checkpoint(trial: Trial, sheet: str) -> dict[str, Any]:
    """Return how far the chain had come when the sheet was first made, to be held against later."""
    with trial.ledger() as ledger:
        known = ledger.get("sheet", sheet)
        if known is None:
            entries, last = ledger.head()
        else:  # the same sheet again is the same file again
            entries, last = known.seq - 1, known.previous
    return Checkpoint(trial.plan.id, entries, last).to_json()


def _prints(trial: Trial, listed: Sequence[Frame], *, blind: bool) -> list[Prints]:
    """Make all prints, a few at a time: decoding and encoding leave Python's lock."""
    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        return list(pool.map(lambda frame: prints_of(trial, frame, blind=blind), listed))


def chosen_frames(trial: Trial, options: SheetOptions) -> list[Frame]:
    """Return the frames that fit the options, in the order taken in.

    Raises
    ------
    CountingError
        If there is none; the message says why.
    """
    everything = frames(trial)
    first = doubtful(everything)
    wanted = None if options.photos is None else set(options.photos)
    still_open = _still_open(trial, everything) if options.open_only else None
    chosen = [
        frame
        for frame in everything
        if (not options.flagged or frame.photo in first)
        and (not options.survey or frame.survey == options.survey)
        and (wanted is None or frame.photo in wanted)
        and (still_open is None or frame.belongs_to in still_open)
    ]
    if chosen:
        seed = seed_of(trial, options)
        return by_lot(chosen, options.first, seed) if options.first else chosen
    if not everything:
        mend = f"take photos in first: counting take-in {trial.directory} PHOTO..."
        raise CountingError(trial.directory, "no photo to review", mend=mend)
    if options.survey and options.survey not in {frame.survey for frame in everything}:
        known = ", ".join(sorted({frame.survey for frame in everything}))
        raise CountingError(
            trial.directory, f"no photo of survey {options.survey}", f"one of {known}"
        )
    if still_open is not None and not still_open:
        found, mend = "every photo is confirmed already", "see them again with --all"
        raise CountingError(trial.directory, found, mend=mend)
    found = "no photo is flagged" if options.flagged else "none of the photos asked for is there"
    raise CountingError(trial.directory, found, mend="make the sheet of all photos")


def _still_open(trial: Trial, listed: Sequence[Frame]) -> set[tuple[str, str]]:
    """Return the surveys and plants with a photo that nobody has answered."""
    with trial.ledger() as ledger:
        told = {judged.photo.photo for judged in standing_answers(ledger) if judged.answer}
    return {frame.belongs_to for frame in listed if frame.photo not in told}


def _parts(listed: Sequence[Frame], per_file: int | None) -> list[list[Frame]]:
    """Split into files; photos of one plant at one survey are never parted."""
    if per_file == 0:
        return [list(listed)]
    most, room = (_FILE_PHOTOS, _FILE_BYTES) if per_file is None else (per_file, 0)
    sets: dict[tuple[str, str], list[Frame]] = {}
    for frame in listed:
        sets.setdefault(frame.belongs_to, []).append(frame)
    parts: list[list[Frame]] = [[]]
    for together in sets.values():
        wanted = parts[-1] + together
        # base64 writes three bytes as four letters
        size = sum(most_bytes(frame) for frame in wanted) * 4 // 3
        if parts[-1] and (len(wanted) > most or (room and size > room)):
            parts.append([])
        parts[-1] += together
    return parts


def _photo_data(frame: Frame, belongs: int, blind: bool) -> dict[str, Any]:
    """Return one photo for the page; a candidate is a list, in the order `data.js` names."""
    return {
        "photo": frame.photo,
        "proposal": frame.proposal,
        "width": frame.width,
        "height": frame.height,
        "set": belongs,
        "truss": frame.truss,
        "flags": list(frame.flags),
        "label": "" if blind else _label(frame),
        "zone": None if frame.zone is None else [list(line) for line in frame.zone],
        "candidates": [
            [
                each.candidate,
                round(each.x, 1),
                round(each.y, 1),
                round(each.width, 1),
                round(each.height, 1),
                each.confidence,
                each.candidate in frame.shown,
                each.truss,
                each.small,
                each.colour,
                # the neighbour's name stays away: it would tell the plant on a blind sheet
                "" if each.own else each.whose,
            ]
            for each in frame.candidates
        ],
    }


def _label(frame: Frame) -> str:
    """Return what an open sheet shows about a photo."""
    truss = f"truss {frame.truss}" if frame.truss is not None else ""
    return " · ".join(
        part for part in (frame.plant, frame.group, frame.survey, truss, frame.side) if part
    )


def seed_of(trial: Trial, options: SheetOptions) -> int:
    """Return the seed that decides the order of the photos."""
    return trial.plan.seed if options.seed is None else options.seed
