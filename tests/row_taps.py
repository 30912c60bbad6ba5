"""The scripted person (`person`) on rendered rows, with the plant's part of the photo and without.

    python tests/row_taps.py FOLDER...

Each folder is as ``fixtures/render/make.py rows`` writes it. The person brings each photo to the
plant's own fruit that show (10 mm and more, 15 % visible) on a sheet that dims what is not the
plant's, and again on one where every ring counts.
"""

from __future__ import annotations

import json
import shutil
import sys
import tempfile
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest import mock

from person import Box
from test_scripted_reviewer import Measured, measured

import counting.review.sheet as sheet_module
from counting.accuracy.rows import SHOWS, SMALLEST_MM
from counting.finding.propose import propose
from counting.photos.gather import Batch
from counting.photos.intake import take_in
from counting.plan.trial import Trial, load_trial
from counting.review.frames import Frame, frames
from counting.review.sheet import make_sheet
from counting.settings import Settings

__all__ = ["taps"]

PLAN = """version = 1
id = "k3v9x2m7q4"
title = "A rendered row"
control = "own-rooted"
allotted_to = "plant"
seed = 20260601
[[groups]]
name = "own-rooted"
[[groups]]
name = "grafted"
"""


def trial_of(folder: Path, row: list[dict[str, Any]], spacing: float) -> Trial:
    """Make a trial of one row with its tags and the spacing."""
    folder.mkdir(parents=True)
    layout = f"[layout]\nspacing_mm = {spacing}\n"
    (folder / "trial.toml").write_text(PLAN + layout, encoding="utf-8")
    lines = ["code,group,block,plot,row,position,guard,tag"]
    for number, each in enumerate(row):
        group = ("own-rooted", "grafted")[number % 2]
        code, place = each["plant"], each["position"]
        lines.append(f"{code},{group},1,{code},1,{place},false,{each['tag']}")
    (folder / "plants.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return load_trial(folder)


def all_counting(frame: Frame) -> Frame:
    """The frame as it would be if every ring counted."""
    fruit = [replace(each, whose="", own_share=None, neighbour="") for each in frame.candidates]
    return replace(frame, zone=None, candidates=tuple(fruit))


def taps(folder: Path, photos: list[tuple[Path, dict[str, Any]]]) -> dict[str, list[Measured]]:
    """Let the person correct the photos, those of each spacing on a sheet of their own."""
    done: dict[str, list[Measured]] = {"every ring counts": [], "the plant's part": []}
    for spacing in sorted({truth["spacing_mm"] for _, truth in photos}):
        some = [(path, truth) for path, truth in photos if truth["spacing_mm"] == spacing]
        trial = trial_of(folder / f"{spacing:g}", some[0][1]["row"], spacing)
        inbox = folder / f"inbox {spacing:g}"
        inbox.mkdir()
        lines, boxes = ["file,survey,plant,truss,side"], {}
        for number, (path, truth) in enumerate(some):
            name = f"{number:02d}.jpg"
            shutil.copyfile(path, inbox / name)
            # each photo is of a row of its own: a survey of its own keeps them apart
            survey = f"2026-07-{number + 1:02d}"
            lines.append(f"{name},{survey},{truth['plant']},,")
            boxes[survey] = own_fruit(truth)
        (inbox / "photos.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
        taken = take_in(trial, [inbox], batch=Batch(manifest=inbox / "photos.csv")).taken
        propose(trial, Settings(), workers=1)
        truths = {each.photo: boxes[each.survey] for each in taken.itertuples()}
        for way, sheets in done.items():
            change = all_counting if way == "every ring counts" else (lambda frame: frame)
            told = [change(frame) for frame in frames(trial) if frame.photo in truths]
            with mock.patch.object(sheet_module, "frames", lambda trial, told=told: told):
                sheets.append(measured(make_sheet(trial), truths, jitter=0.0))
    return done


def own_fruit(truth: dict[str, Any]) -> list[Box]:
    """Return the boxes of the plant's own fruit that show and are large enough."""
    return [
        (each["x"], each["y"], each["width"], each["height"])
        for each in truth["fruit"]
        if each["whose"] == "this"
        and each["visible_share"] >= SHOWS
        and each["diameter_mm"] >= SMALLEST_MM
        and 0 <= each["x"] < truth["width"]
        and 0 <= each["y"] < truth["height"]
    ]


def main(folders: Iterable[str]) -> None:
    """Print what both ways took."""
    photos = [
        (Path(folder) / "photos" / truth["file"], truth)
        for folder in folders
        for truth in json.loads((Path(folder) / "truth.json").read_text("utf-8"))["photos"]
    ]
    with tempfile.TemporaryDirectory() as work:
        for way, done in taps(Path(work), photos).items():
            many = sum(each.photos for each in done)
            means = {
                name: round(sum(getattr(each, name) * each.photos for each in done) / many, 1)
                for name in ("taps", "zooms", "seconds")
            }
            wrong = round(sum(each.error * each.fruit for each in done) / 100)
            fruit = sum(each.fruit for each in done)
            print(f"{way}: {many} photos, {fruit} fruit, {wrong} wrong, {means}")  # noqa: T201


if __name__ == "__main__":
    main(sys.argv[1:])
