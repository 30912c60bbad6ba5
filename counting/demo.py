"""The whole job, from photos to report, on a copy of the demo trial."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import counting
from counting.errors import CountingError
from counting.files import now, write_text
from counting.ledger import Ledger
from counting.ledger.facts import Candidate, photos, proposals, sheets
from counting.plan.start import record_plan
from counting.plan.trial import PLAN_NAME, PLANTS_NAME, Trial, load_trial

__all__ = ["Demo", "demo_images", "recorded_corrections", "run_demo", "start_demo"]

_REACH = 0.6
"""A recorded mark and a candidate are one fruit when their centres are nearer than this share of
the larger diameter: beyond half a diameter the next fruit of a truss begins."""


@dataclass(frozen=True, slots=True)
class Demo:
    """What the demo made.

    Attributes
    ----------
    trial : Path
        The trial's folder.
    sheet, report : Path
        The contact sheet and the report in it.
    sentence : str
        The comparison in plain words.
    """

    trial: Path
    sheet: Path
    report: Path
    sentence: str


def demo_images() -> Path:
    """Return the folder of the demo trial: inside the installed package, or beside it.

    Raises
    ------
    CountingError
        If neither place has it.
    """
    package = Path(counting.__file__).parent
    for folder in (package / "demo_images", package.parent / "demo_images"):
        if (folder / PLAN_NAME).is_file():
            return folder
    mend = "install the package again"
    raise CountingError(package, "the demo trial is missing", mend=mend)


def run_demo(
    directory: Path, *, replace: bool = False, tell: Callable[[str], None] = lambda _: None
) -> Demo:
    """Run every step of the main job on a fresh copy of the demo trial.

    Parameters
    ----------
    directory : Path
        Where the trial's folder is made.
    replace : bool
        Remove an earlier run of the demo there.
    tell : callable
        Is told of each step, in words.

    Returns
    -------
    Demo
        Where things lie, and the comparison in plain words.

    Raises
    ------
    CountingError
        If the folder is taken by anything but an earlier demo.
    """
    # the rooms load slowly; who only asks for help should not wait for them
    from counting.finding.propose import propose
    from counting.photos.gather import Batch
    from counting.photos.intake import take_in
    from counting.records.diary import read_events
    from counting.records.tallies import take_tallies
    from counting.report.figures import figures
    from counting.report.report import make_report
    from counting.review.corrections import take_corrections
    from counting.review.sheet import make_sheet
    from counting.settings import Settings

    source = demo_images()
    trial = start_demo(directory, replace=replace)
    tell(f"{trial.plan.title}: {len(trial.plants)} plants")
    taken = take_in(trial, [source / "photos"], batch=Batch(manifest=source / "photos.csv"))
    tell(f"photos taken in: {len(taken.taken)}")
    propose(trial, Settings())
    tell("fruit proposed on every photo")
    sheet = make_sheet(trial)
    corrections = recorded_corrections(trial, source / "reviewer.json")
    path = directory / "sheets" / "recorded-corrections.json"
    write_text(path, json.dumps(corrections, indent=1, ensure_ascii=False), replace=True)
    take_corrections(trial, [path])
    tell(f"a recorded reviewer's corrections taken in: {len(corrections['photos'])} photos")
    take_tallies(trial, [source / "tallies.csv"])
    read_events(trial, source / "diary.csv")
    tell("hand tallies and diary taken in")
    with trial.ledger() as ledger:
        numbers = figures(trial, ledger)
    return Demo(directory, sheet, make_report(trial, numbers=numbers), numbers.main.sentence)


def recorded_corrections(trial: Trial, record: Path) -> dict[str, Any]:
    """Return a recorded reviewer's marks as corrections of the sheet made last.

    The record holds where a person saw fruit; which of them were proposed depends on the finder,
    so marks are matched to the candidates that stand now: near ones are confirmed, others added,
    and candidates without a mark are removed, as the reviewer would have done.

    Parameters
    ----------
    trial : Trial
        With photos, proposals and a sheet in its ledger.
    record : Path
        JSON: ``reviewer`` and, per photo, ``file``, ``seconds`` and ``fruit`` as rows of
        ``[x, y, diameter, truss, fruit id]`` in px of the upright photo.

    Returns
    -------
    dict
        A corrections file's content.
    """
    content = json.loads(record.read_text(encoding="utf-8"))
    with Ledger(trial.directory) as ledger:
        files = {photo.file: photo.photo for photo in photos(ledger).values()}
        proposed = proposals(ledger)
        sheet = list(sheets(ledger))[-1]
    answers: list[dict[str, Any]] = []
    seen: dict[tuple[str, str], str] = {}
    for recorded in content["photos"]:
        sha = files[recorded["file"]]
        proposal = proposed[sha]
        marks = _marks(recorded["fruit"], proposal.shown)
        for mark, fruit in zip(marks, recorded["fruit"], strict=False):
            mark["twin"] = seen.setdefault((recorded["twins"], fruit[4]), f"{sha}:{mark['mark']}")
            if mark["twin"].startswith(sha):
                mark["twin"] = ""
        answers.append(_answer(sha, proposal.entry, recorded, marks))
    return {
        "format": "counting corrections",
        "version": 1,
        "trial": trial.plan.id,
        "sheet": sheet,
        "reviewer": content["reviewer"],
        "saved_at": now(),
        "photos": answers,
    }


def start_demo(directory: Path, *, replace: bool = False) -> Trial:
    """Make the demo trial's folder with its plan and an empty ledger.

    Raises
    ------
    CountingError
        If the folder is taken by anything but an earlier demo.
    """
    source = demo_images()
    if directory.exists() and any(directory.iterdir()):
        expected = load_trial(source).plan.id
        try:
            found = load_trial(directory).plan.id
        except CountingError:
            found = ""
        if found != expected:
            mend = "name another folder"
            raise CountingError(directory, "holds other files", "an empty folder", mend)
        if not replace:
            mend = "pass --replace to run it afresh"
            raise CountingError(directory, "holds an earlier run of the demo", mend=mend)
        shutil.rmtree(directory)
    directory.mkdir(parents=True, exist_ok=True)
    for name in (PLAN_NAME, PLANTS_NAME):
        shutil.copyfile(source / name, directory / name)
    return record_plan(directory)


def _marks(fruit: list[list[Any]], candidates: Sequence[Candidate]) -> list[dict[str, Any]]:
    """Match recorded fruit to candidates, nearest first; the recorded fruit's marks come first."""
    pairs = sorted(
        (distance, number, place)
        for number, (x, y, diameter, *_) in enumerate(fruit)
        for place, candidate in enumerate(candidates)
        if (distance := _distance(x, y, candidate))
        <= _REACH * max(diameter, candidate.diameter_px or 0.0)
    )
    chosen: dict[int, int] = {}
    for _, number, place in pairs:
        if number not in chosen and place not in chosen.values():
            chosen[number] = place
    marks = []
    for number, (x, y, diameter, truss, *_) in enumerate(fruit):
        if number in chosen:
            candidate = candidates[chosen[number]]
            marks.append(_mark(number, _box(candidate), "confirmed", truss))
        else:
            box = {"x": x, "y": y, "width": diameter, "height": diameter, "candidate": None}
            marks.append(_mark(number, box, "added", truss))
    removed = [c for place, c in enumerate(candidates) if place not in chosen.values()]
    marks += [_mark(len(fruit) + n, _box(c), "removed", None) for n, c in enumerate(removed)]
    return marks


def _distance(x: float, y: float, candidate: Candidate) -> float:
    return float(((x - candidate.x) ** 2 + (y - candidate.y) ** 2) ** 0.5)


def _box(candidate: Candidate) -> dict[str, Any]:
    names = ("candidate", "x", "y", "width", "height")
    return {name: getattr(candidate, name) for name in names}


def _mark(number: int, box: dict[str, Any], state: str, truss: int | None) -> dict[str, Any]:
    shape = {name: round(float(box[name]), 1) for name in ("x", "y", "width", "height")}
    return {
        "mark": number,
        "candidate": box["candidate"],
        **shape,
        "state": state,
        "truss": truss,
        "twin": "",
        "small": False,
    }


def _answer(
    sha: str, proposal: str, recorded: dict[str, Any], marks: list[dict[str, Any]]
) -> dict[str, Any]:
    changed = [mark for mark in marks if mark["state"] in {"added", "removed"}]
    return {
        "photo": sha,
        "proposal": proposal,
        "at": now(),
        "answer": "counted",
        "count": sum(mark["state"] in {"confirmed", "added"} for mark in marks),
        "seconds": recorded["seconds"],
        "clicks": len(changed) + 1,
        "marks": marks,
    }
