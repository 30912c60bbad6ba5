"""The plant's part of a photo on the sheet: borders that move, fruit taken in and put out."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from browser import LAPTOP, PHONE, chromium, page_on
from sheet_trial import Drawn, draw_trial
from test_review_page import drag, middle, painted, press, record, saved, states

import counting.review.sheet as sheet_module
from counting.review.corrections import take_corrections
from counting.review.frames import frames
from counting.review.sheet import make_sheet

BORDERS = ((266.0, 0.0, 266.0, 599.0), (533.0, 0.0, 533.0, 599.0))
"""Between three columns of two fruit each: the one in the middle is the plant's."""
OWN = ["elsewhere", "proposed", "elsewhere"] * 2


@pytest.fixture(scope="module")
def browser() -> Any:
    with chromium() as started:
        yield started


@pytest.fixture
def sheet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A sheet of photos of which the fruit left and right are neighbours'."""
    trial = draw_trial(tmp_path / "trial", Drawn(plants=2, sides=("a",), faint=0))
    told = [
        replace(
            frame,
            zone=BORDERS,
            candidates=tuple(
                each if 266 < each.x < 533 else replace(each, whose="neighbour", own_share=0.1)
                for each in frame.candidates
            ),
        )
        for frame in frames(trial)[:1]
    ]
    monkeypatch.setattr(sheet_module, "frames", lambda trial: told)
    return make_sheet(trial)


def handle(page: Any, which: int) -> tuple[float, float]:
    """Return where on the screen a border's handle lies."""
    painted(page)
    box = page.locator(f"#stage .handle[data-border='{which}']").bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


@pytest.mark.parametrize("kind", [LAPTOP, PHONE], ids=["laptop", "phone"])
def test_borders_drag_and_one_tap_takes_a_fruit_in_or_puts_it_out(
    browser: Any, sheet: Path, kind: dict[str, Any]
) -> None:
    with page_on(browser, sheet, kind) as page:
        assert states(page) == OWN
        assert page.locator("#stage .outside").count() == 2
        # a fruit beyond the border is the plant's all the same, one before it is not
        press(page, kind, *middle(page, 3))
        assert states(page)[3] == "proposed"
        press(page, kind, *middle(page, 1))
        assert states(page)[1] in {"removed", "elsewhere"}
        page.click("#undo")
        page.click("#undo")
        assert states(page) == OWN
        # the left border goes past the left column: its fruit are the plant's now
        x, y = handle(page, 0)
        left = middle(page, 0)[0]
        drag(page, kind, [(x, y), (left - 0.45 * (x - left), y)])
        assert states(page) == ["proposed", "proposed", "elsewhere"] * 2
        page.click("#undo")
        assert states(page) == OWN
        x, y = handle(page, 1)
        right = middle(page, 2)[0]
        drag(page, kind, [(x, y), (right + 0.45 * (right - x), y)])
        assert states(page) == ["elsewhere", "proposed", "proposed"] * 2
        page.click("#next")
        page.keyboard.press("Escape")  # all is answered: the menu offers to save
        _, document = saved(page)
    (told,) = document["photos"]
    assert told["count"] == 4
    assert [mark["state"] for mark in told["marks"]] == ["elsewhere", "confirmed", "confirmed"] * 2
    left, right = told["zone"]
    assert left == list(BORDERS[0])
    assert right[0] > 667


def test_the_borders_move_by_keys_on_any_keyboard(browser: Any, sheet: Path) -> None:
    with page_on(browser, sheet, LAPTOP) as page:
        for _ in range(30):  # 8 px each
            page.keyboard.press("{")
        assert states(page) == ["proposed", "proposed", "elsewhere"] * 2
        for _ in range(30):
            page.keyboard.press("}")
        assert states(page) == OWN
        for _ in range(30):
            page.keyboard.press(")")
        assert states(page) == ["elsewhere", "proposed", "proposed"] * 2
        assert record(page)["zone"][1][0] == pytest.approx(533 + 240)
        page.keyboard.press("(")
        # as systems tell AltGr, with which { is typed in much of Europe
        page.evaluate(
            """() => document.body.dispatchEvent(new KeyboardEvent(
              'keydown', { key: '{', ctrlKey: true, altKey: true, bubbles: true }))"""
        )
        zone = record(page)["zone"]
        assert (zone[0][0], zone[1][0]) == (pytest.approx(258), pytest.approx(765))


def test_a_fruit_put_out_of_the_plant_is_told_apart_from_no_fruit_in_the_ledger(
    browser: Any, tmp_path: Path, sheet: Path
) -> None:
    from counting.ledger.facts import answers
    from counting.plan.trial import load_trial

    with page_on(browser, sheet, LAPTOP) as page:
        page.keyboard.press("m")
        page.keyboard.press("m")
        page.keyboard.press("o")
        page.click("#next")
        page.keyboard.press("Escape")
        with page.expect_download() as download:
            page.click("#save")
        file = tmp_path / "corrections.json"
        download.value.save_as(file)
    trial = load_trial(tmp_path / "trial")
    take_corrections(trial, [file])
    with trial.ledger() as ledger:
        (answer,) = answers(ledger)
    assert answer.count == 1
    assert [mark.state for mark in answer.marks].count("elsewhere") == 5
