"""The whole job at the desk by the keys alone, from an empty folder to the answer."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from browser import LAPTOP, chromium
from commanded import counting
from PIL import Image
from test_desk import served
from test_desk_slips import photo

from counting.ledger.facts import tallies
from counting.plan.mark import TrialMark
from counting.plan.trial import load_trial

SURVEY = "2026-07-06"
_SEEN = """() => {
  const held = document.activeElement;
  const shown = [held, held.closest('label')].filter(Boolean).map((each) => getComputedStyle(each));
  return shown.some((each) => each.outlineStyle !== 'none' && parseFloat(each.outlineWidth) > 0);
}"""
_HELD = "(what) => document.activeElement.matches(what)"
_NAMED = """(words) => {
  const held = document.activeElement;
  return /^(A|BUTTON|SUMMARY)$/.test(held.tagName) && held.innerText.trim().startsWith(words);
}"""


@dataclass
class Keys:
    """Goes through a page by Tab, and holds that what has the focus is seen to have it.

    Attributes
    ----------
    page : Page
    unseen : list of str
        What had the focus without a line about it.
    """

    page: Any
    unseen: list[str] = field(default_factory=list)

    def to(self, what: str) -> None:
        """Press Tab until the focus is on what is meant: a selector, or words after ``text=``."""
        words = what.removeprefix("text=")
        asked = (_HELD, what) if words == what else (_NAMED, words)
        for _ in range(150):
            self.page.keyboard.press("Tab")
            if self.page.evaluate(*asked):
                break
        else:
            raise AssertionError((what, self.page.url))
        if not self.page.evaluate(_SEEN):
            self.unseen.append(what)

    def press(self, what: str) -> None:
        """Go there and press Enter."""
        self.to(what)
        self.page.keyboard.press("Enter")

    def type(self, what: str, text: str) -> None:
        """Go to a field and type over what it holds."""
        self.to(what)
        self.page.keyboard.press("Control+A")
        self.page.keyboard.type(text)


@pytest.mark.slow
def test_the_whole_job_goes_by_the_keys_alone_and_the_focus_is_always_seen(tmp_path: Path) -> None:
    shelf = tmp_path / "shelf"
    with served(shelf) as link, chromium() as browser:
        page = browser.new_context(**LAPTOP, locale="en-GB").new_page()
        page.set_default_timeout(30_000)
        page.goto(link)
        keys = Keys(page)
        keys.press("text=Plan a trial")
        page.wait_for_selector("#plan")
        for name, text in (("title", "Keys"), ("group_1", "own"), ("group_2", "grafted")):
            keys.type(f"[name={name}]", text)
        for name, number in (("blocks", 2), ("plants_per_plot", 1), ("guards_per_plot", 0)):
            keys.type(f"[name={name}]", str(number))
        keys.press("text=Draw lots")
        page.wait_for_selector("text=Next: tags and sheets")
        trial = load_trial(shelf / "keys")
        tags = dict(zip(trial.plants["code"], trial.plants["tag"], strict=True))
        mark, (*tagged, last) = TrialMark.of(trial.plan), tags
        brought = [
            photo(tmp_path, code, code, int(tags[code]), SURVEY, mark=mark) for code in tagged
        ]
        plain = tmp_path / "plain.jpg"
        Image.new("RGB", (640, 480), (40, 80, 40)).save(plain)
        file = {"name": "plain.jpg", "mimeType": "image/jpeg", "buffer": plain.read_bytes()}
        brought.append(file)
        keys.press("text=Next: tags")
        page.wait_for_selector("text=How to hang them")
        keys.press("text=Next: the photos")
        page.wait_for_selector("#drop")
        page.wait_for_load_state()
        keys.to("#files")
        with page.expect_file_chooser() as chooser:
            page.keyboard.press("Space")
        chooser.value.set_files(brought)
        page.wait_for_selector("text=4 photos have arrived")
        keys.press("text=Find their plants")
        page.wait_for_selector("text=1 photo whose plant is not known")
        keys.to("[name=survey]")
        page.keyboard.type("06072026")
        keys.to("select[aria-label='Plant of plain.jpg']")
        page.keyboard.press("ArrowDown")  # looks through the plants, gives nothing yet
        page.keyboard.type(last)
        page.keyboard.press("Enter")
        page.wait_for_selector(".tray figure", state="detached")
        page.wait_for_selector("text=Next: check the photos")
        page.wait_for_selector(".work progress", state="detached")
        keys.press("text=Next: check")
        page.wait_for_selector("text=Let others check")
        keys.press("text=Check them now")
        page.wait_for_selector("html[data-ready=yes]")
        keys.press("#begin")
        page.wait_for_selector("#name:visible")
        keys.type("#name", "Ana")
        page.keyboard.press("Enter")
        page.wait_for_selector("#photo:not([hidden])")
        for _ in tags:
            page.wait_for_timeout(150)
            keys.press("#next")
        page.wait_for_selector("#kicker[data-saved=Saved]:visible")
        keys.press("text=To the desk")
        page.wait_for_selector("text=Let others check")

        keys.press("text=Tallies")
        page.wait_for_selector("#grid")
        keys.to("#grid input")
        page.keyboard.type("7")
        page.keyboard.press("Enter")
        page.keyboard.type("9")
        page.keyboard.press("Shift+Tab")
        page.keyboard.press("Shift+Tab")
        while not page.evaluate(_HELD, "[value=trusses]"):
            page.keyboard.press("Shift+Tab")
        page.keyboard.press("Space")
        page.wait_for_selector("[data-measure=trusses]", state="attached")
        assert page.evaluate(_HELD, "[value=trusses]")  # the keys stay where they were
        keys.to("#grid input")
        assert page.input_value(":focus") == "7"  # what was typed stays
        page.keyboard.press("ArrowRight")
        page.keyboard.type("3")
        keys.press("#take")
        page.wait_for_selector("text=Took in 3 values of 2 plants")
        page.keyboard.press("Home")
        keys.press("text=Answer")
        shown = page.inner_text(".sentence >> nth=0")
        keys.press(".behind a")
        page.wait_for_selector("text=fruit, by Ana")
        assert keys.unseen == []
    told = tmp_path / "c.json"
    assert counting("compare", trial.directory, "--json", told).code == 0
    assert shown in json.loads(told.read_text(encoding="utf-8"))["sentence"]
    with trial.ledger() as ledger:
        typed = sorted((each.measure, each.value) for each in tallies(ledger))
    assert typed == [("fruit", 7), ("fruit", 9), ("trusses", 3)]
