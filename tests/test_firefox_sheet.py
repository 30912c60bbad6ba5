"""The contact sheet in real Firefox: the same work gives the same file as in Chromium."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import pytest
from browser import LAPTOP, chromium, page_on
from firefox import Pages, firefox
from sheet_trial import Drawn, draw_trial
from test_review_page import empty_place, middle, saved

from counting.review.sheet import make_sheet

WAIT_S = 20.0
MIDDLE = """
  const [number] = arguments;
  const mark = document.querySelector(`#stage .mark[data-mark="${number}"]`);
  const at = mark.transform.baseVal[0].matrix;
  const box = document.querySelector('#stage .stage').getBoundingClientRect();
  return [box.left + at.e, box.top + at.f];
"""


def press_at(page: Pages, x: float, y: float, pointer: str = "mouse") -> None:
    """Press at a place of the window."""
    from marionette_driver.marionette import ActionSequence

    finger = ActionSequence(page.driver, "pointer", "finger", {"pointerType": pointer})
    finger.pointer_move(round(x), round(y)).pointer_down().pointer_up().perform()
    time.sleep(0.4)  # two presses at one place within 300 ms zoom


def marks(page: Pages) -> list[str]:
    """Return the states of the rings."""
    page.wait_for("document.querySelector('#stage .mark')")
    script = "[...document.querySelectorAll('#stage .mark')].map((each) => each.dataset.state)"
    return list(page.run(f"return {script}"))


def downloaded(folder: Path) -> dict[str, Any]:
    """Wait for the saved file, whole."""
    end = time.monotonic() + WAIT_S
    while time.monotonic() < end:
        found = next(folder.glob("corrections*.json"), None)
        if found and found.stat().st_size and not list(folder.glob("*.part")):
            return dict(json.loads(found.read_text(encoding="utf-8")))
        time.sleep(0.1)
    pytest.fail(f"no corrections file in {WAIT_S:g} s")


def told(document: dict[str, Any]) -> list[dict[str, Any]]:
    """Return a file's answers without the times, which differ."""
    return [
        {key: value for key, value in each.items() if key not in {"at", "seconds"}}
        for each in document["photos"]
    ]


@pytest.mark.slow
# the driver leaves sockets open while it waits for the browser
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_the_sheet_in_firefox_does_what_it_does_in_chromium(tmp_path: Path) -> None:
    sheet = make_sheet(draw_trial(tmp_path / "trial", Drawn(plants=2, sides=("a",), flagged=())))
    downloads = tmp_path / "downloads"
    downloads.mkdir()
    with firefox(downloads) as page:
        page.resize(1366, 768)
        page.goto(sheet.as_uri())
        page.wait_for("document.documentElement.dataset.ready === 'yes'")
        page.click("#begin")
        page.fill("#name", "Ana")
        page.click("#who button[type=submit]")
        page.wait_for("!document.querySelector('#next').disabled")
        assert marks(page) == ["proposed"] * 6
        first, second = page.run(MIDDLE, 0), page.run(MIDDLE, 1)
        press_at(page, (first[0] + second[0]) / 2, (first[1] + second[1]) / 2)
        assert marks(page) == ["proposed"] * 6 + ["added"]
        press_at(page, *page.run(MIDDLE, 2), pointer="touch")
        assert marks(page).count("removed") == 1
        page.click("#next")
        page.wait_for("document.querySelector('#number').textContent === '2'")
        page.wait_for("!document.querySelector('#next').disabled")
        page.click("#next")
        page.click("#menu[open] .press.strong")
        ours = downloaded(downloads)
        assert not page.run("return document.documentElement.scrollWidth > window.innerWidth")
    with chromium() as browser, page_on(browser, sheet, LAPTOP) as page:
        page.wait_for_selector("#next:not([disabled])")
        page.mouse.click(*empty_place(page))
        page.wait_for_timeout(400)
        page.mouse.click(*middle(page, 2))
        page.click("#next")
        page.wait_for_selector("#next:not([disabled])")
        page.click("#next")
        page.wait_for_selector("#menu[open]")
        _, theirs = saved(page, "#menu .press.strong")
    near = [key for key in ours if key not in {"saved_at", "photos"}]
    assert {key: ours[key] for key in near} == {key: theirs[key] for key in near}
    for mine, other in zip(told(ours), told(theirs), strict=True):
        added, also = mine["marks"].pop() if len(mine["marks"]) > 6 else None, None
        if added is not None:
            also = other["marks"].pop()
            # the photo's size on the screen differs a little: a press lies a pixel or two beside
            assert abs(added["x"] - also["x"]) < 6
            assert abs(added["y"] - also["y"]) < 6
            assert added["state"] == also["state"] == "added"
        assert mine == other
