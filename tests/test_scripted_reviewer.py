"""A scripted person with a phone corrects real photos; what it takes is measured (see `person`)."""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from browser import PHONE, chromium, page_on
from person import Box, Person, Work
from test_review_page import saved
from test_sheet import data_of
from trials import Beds, make_trial

from counting.finding.propose import propose
from counting.photos.gather import Batch
from counting.photos.intake import take_in
from counting.review.sheet import make_sheet
from counting.settings import Settings

LABELLED = Path(__file__).parents[2] / "shared" / "labelled-photos"
SETS = {
    "tomato-phones": "Laboro Tomato, CC BY-NC-SA 4.0; measured on, never fitted on",
    "tomato": "Tomato Plant Factory Dataset, doi 10.17632/8h3s6jkyff",
}
PHOTOS = 2
"""Of each set; by-hand.md has the figures of 24."""


@dataclass(frozen=True)
class Measured:
    """Figures of one run, for each photo on average; `error` is fruit wrong in 100 labelled."""

    photos: int
    fruit: int
    taps: float
    zooms: float
    misses: float
    seconds: float
    error: float


def labelled(name: str) -> dict[str, list[Box]]:
    """Return the labelled fruit of each photo, by file name: centre and size."""
    labels = json.loads((LABELLED / name / "labels.json").read_text(encoding="utf-8"))
    boxes: dict[int, list[Box]] = {}
    for each in labels["annotations"]:
        x, y, width, height = each["bbox"]
        boxes.setdefault(each["image_id"], []).append(
            (x + width / 2, y + height / 2, width, height)
        )
    return {Path(image["file_name"]).name: boxes.get(image["id"], []) for image in labels["images"]}


def chosen(name: str, many: int) -> list[Path]:
    """Return photos, every second one from the half with most fruit."""
    boxes = labelled(name)
    photos = sorted(
        (path for path in (LABELLED / name / "photos").iterdir() if path.name in boxes),
        key=lambda path: (len(boxes[path.name]), path.name),
    )
    half = len(photos) // 2
    few, crowded = photos[:half][:: max(1, half // (many // 2))], photos[half:]
    crowded = crowded[:: max(1, len(crowded) // (many // 2))]
    return [*few[: many // 2], *crowded[: many // 2]]


def sheet_of(
    folder: Path, name: str, many: int, *, empty: bool = False
) -> tuple[Path, dict[str, list[Box]]]:
    """Make a trial of labelled photos and its sheet, with proposals or none shown; return the
    labels by photo.
    """
    trial = make_trial(folder / "trial", Beds(blocks=6))
    inbox = folder / "inbox"
    inbox.mkdir()
    lines = ["file,survey,plant,truss,side"]
    for number, photo in enumerate(chosen(name, many)):
        shutil.copyfile(photo, inbox / photo.name)
        code = trial.plants["code"][number // 2]
        lines.append(f"{photo.name},2026-07-01,{code},,{'ab'[number % 2]}")
    (inbox / "photos.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    taken = take_in(trial, [inbox], batch=Batch(manifest=inbox / "photos.csv")).taken
    propose(trial, Settings(threshold=1.0) if empty else Settings(), workers=1)
    boxes = labelled(name)
    return make_sheet(trial), {row.photo: boxes[Path(row.file).name] for row in taken.itertuples()}


def measured(sheet: Path, truth: dict[str, list[Box]], jitter: float) -> Measured:
    """Let the person correct a whole sheet."""
    done: list[Work] = []
    with chromium() as browser, page_on(browser, sheet, PHONE) as page:
        person = Person(page, jitter)
        for photo in data_of(sheet)["photos"]:
            done.append(person.correct(photo, truth[photo["photo"]]))
        if page.locator("#menu[open]").count():
            page.keyboard.press("Escape")
        _, document = saved(page)
    assert len(document["photos"]) == len(truth)
    labels = sum(work.labelled for work in done)
    wrong = sum(abs(work.counted - work.labelled) for work in done)
    many = len(done)
    return Measured(
        photos=many,
        fruit=labels,
        taps=sum(work.taps for work in done) / many,
        zooms=sum(work.zooms for work in done) / many,
        misses=sum(work.misses for work in done) / many,
        seconds=sum(work.seconds for work in done) / many,
        error=100 * wrong / labels,
    )


def told(record_property: Any, name: str, figures: Measured) -> None:
    for figure in ("photos", "fruit", "taps", "zooms", "misses", "seconds", "error"):
        record_property(f"{name} {figure}", round(getattr(figures, figure), 2))


@pytest.fixture(scope="module")
def sheets(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Return what gives the sheet of a set and its labels, made once."""

    @cache
    def sheet(name: str) -> tuple[Path, dict[str, list[Box]]]:
        return sheet_of(tmp_path_factory.mktemp(name), name, PHOTOS)

    return sheet


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "jitter", "aim"),
    [("tomato-phones", 0.0, 20), ("tomato-phones", 2.0, 30), ("tomato", 0.0, 8)],
    ids=["rows", "rows with 2 mm of jitter", "single plants"],
)
def test_the_labelled_count_is_reached_in_the_time_that_a_person_has(
    sheets: Any, record_property: Any, name: str, jitter: float, aim: float
) -> None:
    if not (LABELLED / name).is_dir():
        pytest.skip(f"needs the labelled photos of ../shared/labelled-photos: {SETS[name]}")
    sheet, truth = sheets(name)
    figures = measured(sheet, truth, jitter)
    told(record_property, f"{name} {jitter:g} mm", figures)
    assert figures.error < 1
    assert figures.seconds < aim
