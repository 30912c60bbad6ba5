"""What went wrong on real rows of plants: each case, on the page in real Chromium."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browser import LAPTOP, PHONE, axe_source, barriers, chromium, opened, page_on
from PIL import Image
from sheet_trial import Drawn, draw_trial
from test_live import answers, served, wait_for
from test_review_page import (
    drag,
    hold,
    middle,
    painted,
    press,
    record,
    saved,
    send_touch,
    states,
)

from counting.plan.trial import Trial
from counting.review.build import page as page_pieces
from counting.review.build import texts
from counting.review.corrections import take_corrections
from counting.review.frames import frames
from counting.review.prints import prints
from counting.review.sheet import SheetOptions, make_sheet, sheet_data


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as running:
        yield running


@pytest.fixture(scope="module")
def trial(tmp_path_factory: pytest.TempPathFactory) -> Trial:
    return draw_trial(tmp_path_factory.mktemp("faults") / "trial", Drawn(plants=3))


@pytest.fixture(scope="module")
def sheet(trial: Trial) -> Path:
    return make_sheet(trial)


def test_a_photo_that_never_came_cannot_be_counted_and_ten_are_fetched_ahead(
    tmp_path: Path, browser: Any
) -> None:
    trial = draw_trial(tmp_path / "trial", Drawn(plants=8, size=(400, 300)))
    with served(trial) as where:
        context = browser.new_context(**PHONE)
        page = context.new_page()
        come: list[str] = []
        page.on("requestfinished", lambda request: come.append(request.url))
        opened(page, where, "Ana")
        for _ in range(300):
            if sum("/photo/" in url for url in come) >= 11:
                break
            page.wait_for_timeout(100)
        page.wait_for_timeout(100)
        context.set_offline(True)
        for _ in range(11):
            page.click("#next")
        assert page.inner_text("#number") == "12"
        page.wait_for_selector(".stage-state:has-text('not here yet')")
        assert page.is_disabled("#next")
        page.keyboard.press("Enter")
        assert page.inner_text("#number") == "12"
        assert page.locator("#stage .mark").count() == 0
        context.set_offline(False)
        page.wait_for_selector("#next:not([disabled])", timeout=20_000)
        page.click("#next")
        wait_for(lambda: len(answers(trial)) == 12, 40)
        assert {entry.body["seen"] for entry in answers(trial)} == {True}
        context.close()


def test_every_pan_that_begins_on_a_ring_moves_the_view_and_no_ring(
    browser: Any, sheet: Path
) -> None:
    with page_on(browser, sheet, PHONE) as page:
        press(page, PHONE, *middle(page, 0))
        before = record(page)["marks"]
        page.click("#larger")
        for step in (-40, 30):
            x, y = middle(page, 4)
            drag(page, PHONE, [(x, y), (x + step, y + step)])
        assert record(page)["marks"] == before
        page.click("#undo")
        assert states(page) == ["proposed"] * 6


def test_the_name_lives_with_the_work_and_another_spelling_hides_none(
    browser: Any, sheet: Path
) -> None:
    with page_on(browser, sheet, LAPTOP, name="Ana María") as page:
        page.click("#next")
        page.wait_for_timeout(200)
        page.evaluate(  # what a sudden death loses: all that was not forced to the disk
            "Object.keys(localStorage).forEach((key) => localStorage.removeItem(key))"
        )
        page.reload()
        page.wait_for_selector("html[data-ready=yes]")
        assert page.inner_text("#progress").startswith("1 of 6")
        assert "Ana María" in page.inner_text("#kicker")
        page.click("#more")
        page.click("text=Change the name")
        page.fill("#name", "Bo")
        page.click("#who button[type=submit]")
        page.wait_for_selector("#progress:has-text('0 of 6')")
        page.click("#more")
        page.click("text=Change the name")
        page.fill("#name", "ana maria ")
        page.click("#who button[type=submit]")
        page.wait_for_selector("#progress:has-text('1 of 6')")
        page.click("#more")
        page.click("text=Change the name")
        page.fill("#name", "Bo")
        page.click("#who button[type=submit]")
        page.wait_for_selector("#progress:has-text('0 of 6')")
        page.click("#more")
        page.click("text=Change the name")
        page.click("#who button:has-text('Ana María, 1 photo')")
        page.wait_for_selector("#progress:has-text('1 of 6')")


SHARE = """
  navigator.canShare = ({files}) => files[0].name.endsWith('.txt');
  navigator.share = async ({files}) => {
    window.shared = await files[0].text();
    throw Object.assign(new Error('no'), {name: window.refusal || 'NotAllowedError'});
  };
"""


def test_a_refused_share_says_so_and_counts_as_nothing_saved(
    browser: Any, trial: Trial, sheet: Path, tmp_path: Path
) -> None:
    context = browser.new_context(**PHONE, accept_downloads=True)
    page = context.new_page()
    page.add_init_script(SHARE)
    opened(page, sheet, "Cy")
    page.click("#next")
    page.click("#back")
    page.click("#more")
    page.click("text=Send the file")
    page.wait_for_selector("#menu:has-text('refused to pass the file on')")
    assert page.inner_text("#save") == "Save 1"
    text = tmp_path / "corrections.txt"
    text.write_text(page.evaluate("window.shared"), encoding="utf-8")
    assert take_corrections(trial, [text]).new == 1
    page.click("#menu >> text=Done")
    name, _ = saved(page)
    told = page.inner_text("#menu")
    assert name in told
    assert "Downloads" in told
    assert "whoever gave you this sheet" in told
    context.close()


def test_a_double_tap_zooms_and_changes_nothing(browser: Any, sheet: Path) -> None:
    with page_on(browser, sheet, PHONE) as page:
        x, y = middle(page, 0)
        before = page.evaluate("document.querySelector('.print').style.transform")
        for place in ((x, y), (x + 60, y)):  # on a ring, beside one
            page.touchscreen.tap(*place)
            page.touchscreen.tap(*place)
            page.wait_for_timeout(400)
            zoomed = page.evaluate("document.querySelector('.print').style.transform")
            assert zoomed != before
            page.touchscreen.tap(*place)
            page.touchscreen.tap(*place)
            page.wait_for_timeout(400)
        assert states(page) == ["proposed"] * 6
        assert page.is_disabled("#undo")


def test_two_taps_that_a_busy_phone_comes_to_at_once_are_two_taps(
    browser: Any, sheet: Path
) -> None:
    with page_on(browser, sheet, PHONE) as page:
        x, y = middle(page, 1)
        before = page.evaluate("document.querySelector('.print').style.transform")
        page.evaluate(
            """() => {
              const busy = () => { const from = performance.now();
                while (performance.now() - from < 700); };
              setTimeout(busy, 0);
            }"""
        )
        page.touchscreen.tap(x, y)  # the finger lifts now, the page hears of it when it is free
        page.touchscreen.tap(x, y)
        assert states(page) == ["proposed"] * 6  # struck, and taken back
        assert page.is_enabled("#undo")
        assert page.evaluate("document.querySelector('.print').style.transform") == before


def test_a_tap_among_crowded_rings_opens_a_lens_in_which_each_tap_counts(
    browser: Any, tmp_path: Path
) -> None:
    path = make_sheet(crowded(tmp_path))
    with page_on(browser, path, PHONE) as page:
        x, y = middle(page, 0)
        page.touchscreen.tap(x + 9, y)
        page.wait_for_selector(".lens:not([hidden])")
        assert states(page)[0] == "proposed"
        page.wait_for_timeout(400)
        for mark in (0, 1):
            page.touchscreen.tap(*middle(page, mark, ".lens"))
            page.wait_for_timeout(350)
        assert states(page, ".lens")[:3] == ["removed", "removed", "proposed"]
        glass = page.locator(".lens-glass").bounding_box()
        page.touchscreen.tap(glass["x"] + 20, glass["y"] - 30)
        painted(page)
        assert page.is_hidden(".lens")
        assert states(page)[:3] == ["removed", "removed", "proposed"]


def crowded(folder: Path) -> Trial:
    """Return a trial whose first photo has three fruit touching, and many much smaller ones."""
    made = draw_trial(folder / "trial", Drawn(plants=2, sides=("a",)))
    with made.ledger() as ledger:
        for entry in list(ledger.standing("proposal")):
            body = dict(entry.body)
            rows = [dict(row) for row in body["candidates"]]
            for place, row in enumerate(rows[:3]):
                row |= {"x": 300.0 + 42 * place, "y": 250.0, "width": 44.0, "height": 44.0}
            for place in range(4):
                small = rows[3] | {"candidate": 20 + place, "width": 14.0, "height": 14.0}
                rows.append(small | {"x": 60.0 + 90 * place, "y": 560.0, "confidence": 0.9})
            ledger.append("proposal", entry.key, body | {"candidates": rows}, by="test")
    return made


def test_the_much_smaller_rings_are_drawn_fine_and_struck_at_once(
    browser: Any, tmp_path: Path
) -> None:
    path = make_sheet(crowded(tmp_path))
    with page_on(browser, path, PHONE) as page:
        states(page)
        assert page.locator("#stage .mark.fine").count() == 4
        page.click("text=Strike the 4 much smaller")
        assert states(page).count("elsewhere") == 4
        page.click("#word >> text=no fruit")
        assert states(page).count("removed") == 4
        page.click("#undo")
        page.click("#undo")
        assert states(page) == ["proposed"] * 10


def test_a_loop_strikes_what_is_inside_or_keeps_only_that(browser: Any, sheet: Path) -> None:
    with page_on(browser, sheet, PHONE) as page:
        (x1, y1), (x2, _) = middle(page, 3), middle(page, 4)
        path = [(x1 - 25, y1 - 25), (x2 + 25, y1 - 25), (x2 + 25, y1 + 25), (x1 - 25, y1 + 25)]
        page.click("#strike")
        touch = page.context.new_cdp_session(page)
        send_touch(touch, "touchStart", [(x1, y1)])
        page.wait_for_timeout(600)  # a loop may begin slowly, and on a ring: nothing opens
        send_touch(touch, "touchEnd", [])
        assert page.locator("#card[open]").count() == 0
        drag(page, PHONE, path)
        page.click("text=Strike the 2 inside")
        assert [states(page)[mark] for mark in (2, 3, 4, 5)] == [
            "proposed", "removed", "removed", "proposed",
        ]  # fmt: skip
        page.click("#undo")
        drag(page, PHONE, path)
        page.click("text=Keep these, strike the other 4")
        page.click("#word >> text=not this plant")
        assert states(page) == ["elsewhere"] * 3 + ["proposed"] * 2 + ["elsewhere"]
        assert page.inner_text("#count") == "2"


def test_no_fruit_and_not_this_plant_are_two_answers_in_the_ledger(
    browser: Any, trial: Trial, sheet: Path, tmp_path: Path
) -> None:
    with page_on(browser, sheet, PHONE, name="Eve") as page:
        press(page, PHONE, *middle(page, 0))
        press(page, PHONE, *middle(page, 1))
        page.click("#word >> text=not this plant")
        page.click("#next")
        page.click("#back")
        name, document = saved(page)
    file = tmp_path / name
    file.write_text(json.dumps(document), encoding="utf-8")
    take_corrections(trial, [file])
    told = [mark["state"] for mark in document["photos"][0]["marks"]]
    assert told == ["removed", "elsewhere"] + ["confirmed"] * 4
    assert document["photos"][0]["seen"] is True


def test_the_rule_of_the_plan_stands_beside_every_photo(browser: Any, sheet: Path) -> None:
    for kind in (PHONE, LAPTOP):
        with page_on(browser, sheet, kind) as page:
            for _ in range(2):
                rule = page.inner_text("#rule")
                assert rule == "Only this plant; from 10 mm; damaged count, fallen don't"
                page.click("#next")


def test_one_more_fruit_inside_a_ring_is_told_from_the_start_and_one_tool_away(
    browser: Any, sheet: Path
) -> None:
    with page_on(browser, sheet, PHONE) as page:
        assert "Hold a ring for one more fruit" in page.inner_text("#hint")
        page.click("#adding")
        x, y = middle(page, 0)
        page.touchscreen.tap(x + 6, y)
        assert states(page) == ["proposed"] * 6 + ["added"]


def zoned(path: Path, trial: Trial) -> Path:
    """Write a sheet whose first photo has a zone and fruit of others."""
    listed = frames(trial)
    made = [prints(trial.directory / frame.file) for frame in listed]
    data = sheet_data(trial, SheetOptions(), listed, [each.grid for each in made])
    photo = data["photos"][0]
    photo["zone"] = [[267.0, 0.0, 267.0, 600.0], [790.0, 0.0, 790.0, 600.0]]
    for place, row in enumerate(photo["candidates"]):
        row[10] = "neighbour" if place % 3 == 0 else ""
    path.write_text("".join(page_pieces(data, (each.review for each in made))), encoding="utf-8")
    return path


def test_what_the_zone_leaves_out_is_dim_one_tap_takes_it_in_and_a_border_moves(
    browser: Any, trial: Trial, tmp_path: Path
) -> None:
    with page_on(browser, zoned(tmp_path / "zone.html", trial), PHONE) as page:
        first = states(page)
        assert (first[0], first[3]) == ("elsewhere", "elsewhere")
        assert first.count("proposed") == 4
        press(page, PHONE, *middle(page, 0))
        assert states(page)[0] == "proposed"
        assert page.inner_text("#count") == "5"
        box = page.locator("#stage .handle[data-border='0']").bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        drag(page, PHONE, [(x, y), (x + 130, y)])
        assert [states(page)[mark] for mark in (0, 1, 2, 4)] == [
            "proposed", "elsewhere", "proposed", "elsewhere",
        ]  # fmt: skip
        page.click("#undo")
        assert states(page).count("proposed") == 5
        page.keyboard.press("{")
        page.click("#next")
        page.click("#back")
        _, document = saved(page)
        assert len(document["photos"][0]["zone"]) == 2


@pytest.mark.parametrize("kind", [PHONE, LAPTOP], ids=["phone", "laptop"])
def test_the_accessibility_checker_finds_nothing_at_all(
    browser: Any, sheet: Path, kind: dict[str, Any]
) -> None:
    axe = axe_source()
    context = browser.new_context(**kind, bypass_csp=True)
    page = context.new_page()

    def faults() -> list[str]:
        return barriers(page, axe, all_impacts=True)

    opened(page, sheet, name="")
    assert faults() == []
    page.click("#begin")
    page.fill("#name", "Ana")
    page.click("#who button[type=submit]")
    page.wait_for_selector("#next:not([disabled])")
    assert faults() == []
    page.click("#strike")
    assert faults() == []
    context.close()


def test_a_portrait_photo_has_the_height_of_a_laptop_and_the_left_hand_its_side(
    browser: Any, tmp_path: Path
) -> None:
    path = make_sheet(draw_trial(tmp_path / "trial", Drawn(plants=2, size=(600, 800))))
    with page_on(browser, path, LAPTOP) as page:
        stage = page.locator("#stage").bounding_box()
        assert stage["height"] == LAPTOP["viewport"]["height"]
        right = page.locator("#next").bounding_box()["x"]
        page.click("#back")
        page.click("#more")
        page.click("text=For the left hand")
        page.click("#begin")
        assert page.locator("#next").bounding_box()["x"] < right - 600


def test_no_word_on_the_page_is_written_outside_the_languages_files(
    browser: Any, trial: Trial, tmp_path: Path
) -> None:
    listed = frames(trial)
    made = [prints(trial.directory / frame.file) for frame in listed]
    data = sheet_data(trial, SheetOptions(), listed, [each.grid for each in made])
    text = "".join(page_pieces(data, (each.review for each in made)))
    spanish = {
        key: "‹" if isinstance(value, str) else {"one": "‹", "other": "‹"}
        for key, value in texts()["es"].items()
    }
    fake = json.dumps({"en": texts()["en"], "es": spanish}, ensure_ascii=False)
    found = re.search(r'"texts":(\{.*\})\}</script>', text)
    assert found is not None
    path = tmp_path / "fake.html"
    path.write_text(text.replace(found.group(1), fake), encoding="utf-8")
    context = browser.new_context(**PHONE, locale="es-ES")
    page = context.new_page()
    opened(page, path, "7")
    seen = """(root) => {
      const walk = document.createTreeWalker(document.querySelector(root), NodeFilter.SHOW_TEXT);
      const words = [];
      while (walk.nextNode()) {
        const {parentElement: at, textContent: text} = walk.currentNode;
        if (at.closest('[hidden], kbd, script')) continue;
        if (/[a-z]{3}/i.test(text)) words.push(text.trim());
      }
      return words;
    }"""
    painted(page)
    assert page.evaluate(seen, "#photo") == []
    page.click("#keys")
    assert page.evaluate(seen, "#help") == []
    page.keyboard.press("Escape")
    hold(page, PHONE, *middle(page, 0))
    assert page.evaluate(seen, "#card") == []
    page.keyboard.press("Escape")
    page.click("#next")
    page.click("#back")
    title = page.inner_text("#title")
    assert page.evaluate(seen, "#contact") == [title]
    page.click("#more")
    assert page.evaluate(seen, "#menu") == ["In English"]
    context.close()


def test_in_spanish_the_sheet_speaks_spanish(browser: Any, sheet: Path) -> None:
    context = browser.new_context(**PHONE, locale="es-ES")
    page = context.new_page()
    opened(page, sheet, "Ana")
    assert page.inner_text("#next") == "Siguiente"
    assert page.get_attribute("html", "lang") == "es"
    assert page.inner_text("#reason") == "La foto está borrosa; pueden faltar frutos pequeños."
    page.click("#back")
    page.click("#more")
    page.click("text=In English")
    page.wait_for_selector("html[data-ready=yes][lang=en]")
    context.close()


FILM, NIGHT = (255, 255, 255), (0, 0, 0)


def luminance(rgb: Any) -> Any:
    """Relative luminance (WCAG 2.2, definition of relative luminance)."""
    part = np.asarray(rgb, np.float64) / 255
    linear = np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)
    return linear @ (0.2126, 0.7152, 0.0722)


def stands_out(page: Any, mark: int, ground: tuple[int, int, int]) -> Any:
    """Return which CSS pixels about a mark stand out 3:1 from a plain ground.

    3:1 is what WCAG 2.2, success criterion 1.4.11, asks of graphics.
    """
    box = page.locator(f'#stage > .stage > .wax .mark[data-mark="{mark}"] .line').bounding_box()
    room = {"x": box["x"] - 6, "y": box["y"] - 6}
    room |= {"width": box["width"] + 12, "height": box["height"] + 12}
    shot = page.screenshot(clip=room, scale="css")
    light = luminance(np.asarray(Image.open(io.BytesIO(shot)).convert("RGB")))
    low, high = np.minimum(light, luminance(ground)), np.maximum(light, luminance(ground))
    return (high + 0.05) / (low + 0.05) >= 3


def share_of_the_ring(clear: Any) -> float:
    """Return in which share of all directions from the middle something stands out."""
    y, x = np.nonzero(clear)
    angles = np.arctan2(y - clear.shape[0] / 2, x - clear.shape[1] / 2)
    return len(np.unique(np.round(np.degrees(angles) / 6) % 60)) / 60


@pytest.mark.parametrize("ground", [FILM, NIGHT], ids=["white film in glare", "deep shade"])
def test_rings_of_every_kind_stand_out_from_white_film_and_from_the_dark(
    browser: Any, tmp_path: Path, ground: tuple[int, int, int]
) -> None:
    plain = Drawn(plants=2, sides=("a",), leaf=ground, ripe=ground, faint=0)
    path = make_sheet(draw_trial(tmp_path / "trial", plain))
    with page_on(browser, path, PHONE) as page:
        states(page)
        press(page, PHONE, *middle(page, 1))
        assert states(page)[:2] == ["proposed", "removed"]
        # dashed: 6 of 11 px are drawn
        assert share_of_the_ring(stands_out(page, 0, ground)) > 0.5
        assert stands_out(page, 1, ground).sum() > 60
