"""A grower's slips at the desk, made in a real browser, end in the right numbers."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import pytest
from browser import LAPTOP, chromium
from commanded import counting
from grower import Grower, check_all
from PIL import Image
from test_desk import served
from test_field_slips import tagged

from counting.ledger.facts import tallies
from counting.plan.mark import TrialMark
from counting.plan.trial import load_trial

SURVEY = "2026-07-06"
MESSY = """Our tunnel,,
,,
Date,Plant no.,Red toms
06/07/2026,{},7
06/07/2026,{},seven
Total,,14
"""


def photo(folder: Path, name: str, plant: str, tag: int, day: str, **mark: Any) -> dict[str, Any]:
    """Return a drawn photo with a tag as a camera wrote it on a day, to be dropped on a page."""
    path = folder / f"{name}.png"
    tagged(path, plant, tag, mark.get("mark"))
    image = Image.open(path).convert("RGB")
    exif = image.getexif()
    exif[306] = f"{day.replace('-', ':')} 08:00:00"
    stream = io.BytesIO()
    image.save(stream, "JPEG", quality=92, exif=exif)
    return {"name": f"{name}.jpg", "mimeType": "image/jpeg", "buffer": stream.getvalue()}


@pytest.mark.slow
def test_slips_are_asked_about_mended_on_the_page_and_end_in_the_right_numbers(
    tmp_path: Path,
) -> None:
    """The wrong control, a walk of two days, a foreign tag, no tag, a messy spreadsheet."""
    shelf = tmp_path / "shelf"
    with served(shelf) as link, chromium() as browser:
        page = browser.new_context(**LAPTOP).new_page()
        page.set_default_timeout(40_000)
        page.goto(f"{link}new")
        grower = Grower(page)
        grower.type("[name=title]", "Slips")
        grower.type("[name=group_1]", "grafted")  # named first: taken for the control
        grower.type("[name=group_2]", "own-rooted")
        for name, number in (("blocks", 2), ("plants_per_plot", 1), ("guards_per_plot", 0)):
            grower.type(f"[name={name}]", str(number))
        grower.click("text=Draw lots and make the trial")
        assert "grafted (the control)" in grower.says()
        grower.click("text=Change the plan")
        grower.type("[name=group_1]", "own-rooted")
        grower.type("[name=group_2]", "grafted")
        grower.click("text=Draw lots again")
        assert "own-rooted (the control)" in grower.says()

        trial = load_trial(shelf / "slips")
        tags = dict(zip(trial.plants["code"], trial.plants["tag"], strict=True))
        ours = TrialMark.of(trial.plan)
        theirs = TrialMark(ours.code ^ 0x2A5, 2025)
        first, second, third, fourth = tags
        photos = [
            photo(tmp_path, first, first, int(tags[first]), "2026-07-05", mark=ours),
            photo(tmp_path, second, second, int(tags[second]), "2026-07-05", mark=ours),
            photo(tmp_path, third, third, int(tags[third]), SURVEY, mark=ours),
            photo(tmp_path, "strange", first, int(tags[first]), SURVEY, mark=theirs),
        ]
        plain = Image.new("RGB", (640, 480), (40, 80, 40))
        plain.save(tmp_path / "plain.jpg")
        plain_file = {"name": "plain.jpg", "mimeType": "image/jpeg"}
        photos.append(plain_file | {"buffer": (tmp_path / "plain.jpg").read_bytes()})
        grower.click("text=Walk >> nth=0")
        grower.bring(photos)
        page.wait_for_selector("text=5 photos have arrived")
        assert "2026-07-05 (2), 2026-07-06 (2)" in grower.says()
        assert "Is it one survey? Then give its date" in grower.says()
        grower.type("[name=survey]", SURVEY)
        grower.click("text=Find their plants and the fruit")
        page.wait_for_selector("text=2 photos whose plant is not known")
        assert f"its tag is of trial {theirs}, not of this one, {ours}" in grower.says()
        assert " --" not in grower.says()
        grower.type("[name=survey]", SURVEY)
        grower.choose('[aria-label="Plant of plain.jpg"]', fourth)
        page.wait_for_selector('[data-file="plain.jpg"]', state="detached")
        grower.choose('[aria-label="Plant of strange.jpg"]', "-")
        page.wait_for_selector("text=Next: check the photos")
        page.wait_for_selector(".work progress", state="detached")
        grower.click("text=Next: check the photos")
        grower.click("text=Check them now")
        check_all(grower, 4)
        grower.click("text=To the desk")

        messy = MESSY.format(first, third)
        grower.click("text=Tallies")
        page.wait_for_selector("#grid")  # the page before has a place for files as well
        grower.bring(
            [
                {
                    "name": "m.csv",
                    "mimeType": "text/csv",
                    "buffer": messy.encode("utf-8"),
                }
            ]
        )
        grower.choose('[aria-label="What is Red toms?"]', "fruit")
        grower.click("text=Read it so")
        grower.click("text=is the 6 of July")
        grower.click("text=Read it so")
        grower.type("td.doubtful input", "8")
        grower.click("#reading .strong")
        page.wait_for_selector("text=Took in 2 values of 2 plants")
        grower.click("text=Answer")
        shown = page.inner_text(".sentence >> nth=0")
        behind = grower.says()
    assert (grower.clicks, grower.typed) == (19, 11)  # the review aside
    done = counting("compare", trial.directory, "--json", tmp_path / "c.json")
    assert done.code == 0, done.err
    result = json.loads((tmp_path / "c.json").read_text(encoding="utf-8"))
    assert result["control"] == "own-rooted"
    assert {group["group"]: group["n"] for group in result["groups"]} == {
        "own-rooted": 2,
        "grafted": 2,
    }
    assert shown in result["sentence"]
    assert all(f"{code}: " in behind for code in tags)
    with trial.ledger() as ledger:
        told = {each.plant: (each.survey, each.value) for each in tallies(ledger)}
    assert told == {first: (SURVEY, 7), third: (SURVEY, 8)}
