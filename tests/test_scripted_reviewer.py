"""A scripted reviewer with a phone corrects real photos until the count is the labelled one."""

from __future__ import annotations

import json
import math
import shutil
from pathlib import Path
from typing import Any

import pytest
from browser import PHONE, chromium, page_on
from test_review_page import hold, press, saved
from test_sheet import data_of
from trials import Beds, make_trial

from counting.finding.propose import propose
from counting.photos.intake import take_in
from counting.review.agreement import match_marks
from counting.review.sheet import make_sheet
from counting.settings import Settings

LABELLED = Path(__file__).parents[2] / "shared" / "labelled-photos" / "tomato"
MANY = 20


def labelled_boxes() -> dict[str, list[tuple[float, float, float, float]]]:
    """Return the labelled fruit of each photo, by file name: centre and size."""
    labels = json.loads((LABELLED / "labels.json").read_text(encoding="utf-8"))
    boxes: dict[int, list[tuple[float, float, float, float]]] = {}
    for each in labels["annotations"]:
        x, y, width, height = each["bbox"]
        boxes.setdefault(each["image_id"], []).append(
            (x + width / 2, y + height / 2, width, height)
        )
    return {Path(image["file_name"]).name: boxes.get(image["id"], []) for image in labels["images"]}


@pytest.mark.slow
def test_taps_at_phone_size_reach_the_labelled_count_on_twenty_photos(
    tmp_path: Path, record_property: Any
) -> None:
    if not LABELLED.is_dir():
        pytest.skip(
            "needs the labelled tomato photos in ../shared/labelled-photos/tomato "
            "(Tomato Plant Factory Dataset, doi 10.17632/8h3s6jkyff)"
        )
    trial = make_trial(tmp_path / "trial", Beds(blocks=5))
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    lines = ["file,survey,plant,truss,side"]
    for number, photo in enumerate(sorted((LABELLED / "photos").glob("*.jpg"))[:MANY]):
        shutil.copyfile(photo, inbox / photo.name)
        code = trial.plants["code"][number // 2]
        lines.append(f"{photo.name},2026-07-01,{code},,{'ab'[number % 2]}")
    (inbox / "photos.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    taken = take_in(trial, [inbox], manifest=inbox / "photos.csv").taken
    propose(trial, Settings(), workers=1)
    names = {row.photo: Path(row.file).name for row in taken.itertuples()}
    boxes = labelled_boxes()
    sheet = make_sheet(trial)
    shown = data_of(sheet)["photos"]
    taps = []
    with chromium() as browser, page_on(browser, sheet, PHONE) as page:
        for photo in shown:
            truth = boxes[names[photo["photo"]]]
            taps.append(correct(page, photo, truth))
            page.click("#next")
        page.keyboard.press("Escape")
        _, document = saved(page)
    counted = {each["photo"]: each["count"] for each in document["photos"]}
    assert counted == {photo: len(boxes[name]) for photo, name in names.items()}
    assert [each["clicks"] for each in document["photos"]] == [tap + 1 for tap in taps]
    # the scorer has learned from these photos: on new ones there is more to correct
    record_property("clicks_per_photo", sum(taps) / len(taps) + 1)


def correct(page: Any, photo: dict[str, Any], truth: list[Any]) -> int:
    """Strike out what is no labelled fruit, add what is missing; return the number of taps."""
    box = page.locator("#stage .stage").bounding_box()
    scale = min(box["width"] / photo["width"], box["height"] / photo["height"])
    left = box["x"] + (box["width"] - photo["width"] * scale) / 2
    top = box["y"] + (box["height"] - photo["height"] * scale) / 2
    marks = [row[1:5] for row in photo["candidates"] if row[5] >= photo["threshold"]]
    pairs = match_marks([tuple(mark) for mark in marks], truth)
    right, found = ({pair[side] for pair in pairs} for side in (0, 1))
    wrong = [mark for number, mark in enumerate(marks) if number not in right]
    missing = [fruit for number, fruit in enumerate(truth) if number not in found]
    taps = 0
    for x, y, *_ in wrong:
        press(page, PHONE, left + x * scale, top + y * scale)
        taps += 1
    for x, y, *_ in missing:
        place = (left + x * scale, top + y * scale)
        within = any(math.dist((x, y), mark[:2]) < max(mark[2:4]) / 2 for mark in marks)
        if within:
            hold(page, PHONE, *place)
            page.click("text=One more fruit here")
        else:
            press(page, PHONE, *place)
        taps += 2 if within else 1
    return taps
