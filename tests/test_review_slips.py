"""Slips of the hand on the contact sheet, and what it says: nothing is answered unseen."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browser import LAPTOP, PHONE, chromium, page_on
from sheet_trial import Drawn, draw_trial

from counting.review.sheet import make_sheet


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as running:
        yield running


@pytest.fixture(scope="module")
def sheet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    drawn = Drawn(plants=3, size=(400, 300), flagged=(0, 1, 2, 3, 4, 5))
    trial = draw_trial(tmp_path_factory.mktemp("slips") / "trial", drawn)
    photo = next(iter(_photos(trial)))
    with trial.ledger() as ledger:
        body = ledger.get("photo", photo).body
        ledger.append("photo", photo, body | {"flags": ["blurred", "too dark"]}, by="test")
    return make_sheet(trial)


def _photos(trial: Any) -> list[str]:
    with trial.ledger() as ledger:
        return [entry.key for entry in ledger.standing("photo")]


def test_a_double_click_on_next_answers_one_photo(browser: Any, sheet: Path) -> None:
    with page_on(browser, sheet, LAPTOP) as page:
        page.dblclick("#next")
        assert page.inner_text("#number") == "2"
        page.click("#next")
        assert page.inner_text("#number") == "3"
        page.click("#back")
        assert page.inner_text("#progress").startswith("2 of 6 photos")


def test_a_key_held_down_answers_one_photo_but_moves_the_pointer_on(
    browser: Any, sheet: Path
) -> None:
    with page_on(browser, sheet, LAPTOP) as page:
        for _ in range(6):  # the browser repeats a key that is not let go
            page.keyboard.down("Enter")
        page.keyboard.up("Enter")
        assert page.inner_text("#number") == "2"
        cross = "document.querySelector('.crosshair').style.transform"
        page.keyboard.down("ArrowRight")
        page.wait_for_timeout(100)
        first = page.evaluate(cross)
        for _ in range(5):
            page.keyboard.down("ArrowRight")
        page.keyboard.up("ArrowRight")
        page.wait_for_timeout(100)
        assert page.evaluate(cross) != first


def test_nothing_can_be_saved_before_a_photo_is_answered(browser: Any, sheet: Path) -> None:
    with page_on(browser, sheet, PHONE) as page:
        page.click("#back")
        assert page.is_disabled("#save")
        page.click("#begin")
        page.click("#next")
        page.click("#back")
        assert page.is_enabled("#save")


def test_undo_beside_another_photo_takes_no_earlier_answer_back(browser: Any, sheet: Path) -> None:
    with page_on(browser, sheet, LAPTOP) as page:
        page.click("#next")
        page.click("#other")
        assert page.is_disabled("#pair-undo")
        page.keyboard.press("Control+z")
        page.click("#pair-back")
        page.click("#back")
        assert page.inner_text("#progress").startswith("1 of 6 photos")


@pytest.mark.parametrize("kind", [PHONE, LAPTOP], ids=["phone", "laptop"])
def test_the_hint_speaks_of_what_the_hand_does(
    browser: Any, sheet: Path, kind: dict[str, Any]
) -> None:
    with page_on(browser, sheet, kind) as page:
        word = "Tap" if kind is PHONE else "Click"
        assert page.inner_text("#hint").startswith(f"{word} a fruit that has no ring.")


def test_what_all_photos_share_is_said_once_and_not_at_each_photo(
    browser: Any, sheet: Path
) -> None:
    with page_on(browser, sheet, LAPTOP) as page:
        reasons = []
        for _ in range(6):
            reasons.append(page.inner_text("#reason") if page.is_visible("#reason") else "")
            page.keyboard.press("n")
        assert sorted(set(reasons)) == ["", "Much of the photo is too dark to show fruit."]
        page.click("#back")
        assert page.inner_text("#shared") == (
            "All photos here have this note: “The photo is blurred; small fruit may be lost.”"
        )


def test_a_photo_is_announced_in_whole_sentences(browser: Any, sheet: Path) -> None:
    with page_on(browser, sheet, LAPTOP) as page:
        page.wait_for_function("document.getElementById('say').textContent.startsWith('Photo 1')")
        said = page.inner_text("#say")
        assert said.startswith("Photo 1 of 6. 6 fruit proposed.")
        assert ".." not in said


@pytest.mark.parametrize("size", [(844, 390), (667, 375), (320, 568)])
def test_on_a_phone_held_sideways_or_a_small_one_all_is_in_reach_and_the_photo_large(
    browser: Any, sheet: Path, size: tuple[int, int]
) -> None:
    width, height = size
    kind = PHONE | {"viewport": {"width": width, "height": height}}
    with page_on(browser, sheet, kind) as page:
        for tool in ("", "#loop"):
            if tool:
                page.click(tool)
            outside = page.evaluate(
                """() => [...document.querySelectorAll('#photo button')]
                  .filter((button) => button.offsetParent)
                  .map((button) => [button.textContent.trim(), button.getBoundingClientRect()])
                  .filter(([, box]) => box.left < 0 || box.right > innerWidth + 0.5 || box.top < 0
                    || box.bottom > innerHeight + 0.5 || box.width < 44 || box.height < 44)
                  .map(([text]) => text)"""
            )
            assert outside == []
            # no word touches the edge of its button
            touching = page.evaluate(
                """() => [...document.querySelectorAll('#photo .answer button')]
                .filter((button) => {
                  const words = document.createRange();
                  words.selectNodeContents(button);
                  const [inner, box] = [words, button].map((each) => each.getBoundingClientRect());
                  return inner.left < box.left + 3 || inner.right > box.right - 3;
                }).map((button) => button.id)"""
            )
            assert touching == []
        page.click("#loop")
        stage = page.locator("#stage .stage").bounding_box()
        assert stage["height"] >= (0.95 if width > height else 0.5) * height
