"""The contact sheet in real Chromium, at phone and laptop size, from the disk."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import math
import os
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browser import LAPTOP, PHONE, axe_source, barriers, chromium, executable, opened, page_on
from sheet_trial import Drawn, draw_trial

from counting.review.build import page as page_pieces
from counting.review.corrections import take_corrections
from counting.review.frames import frames
from counting.review.prints import prints
from counting.review.sheet import SheetOptions, make_sheet, sheet_data

SIZES = pytest.mark.parametrize("kind", [PHONE, LAPTOP], ids=["phone", "laptop"])


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as running:
        yield running


@pytest.fixture(scope="module")
def trial(tmp_path_factory: pytest.TempPathFactory) -> Any:
    return draw_trial(tmp_path_factory.mktemp("page") / "trial", Drawn(trusses=True))


@pytest.fixture(scope="module")
def sheet(trial: Any) -> Path:
    return make_sheet(trial)


def painted(page: Any) -> None:
    """Wait until what changed is drawn."""
    page.evaluate(
        "new Promise((done) => setTimeout(() => requestAnimationFrame("
        "() => requestAnimationFrame(done)), 30))"
    )


def drawn(page: Any, where: str) -> None:
    """Wait until the photo's marks are there: on a busy machine its decoding takes a while."""
    with contextlib.suppress(Exception):  # a photo without a mark is a normal one
        page.wait_for_selector(f"{where} .mark", state="attached", timeout=3000)
    painted(page)


def states(page: Any, where: str = "#stage") -> list[str]:
    """Return the states of the marks drawn, in their order."""
    drawn(page, where)
    return page.eval_on_selector_all(
        f"{where} .mark", "marks => marks.map(mark => mark.dataset.state)"
    )


def middle(page: Any, mark: int, where: str = "#stage") -> tuple[float, float]:
    """Return where on the screen a mark's middle lies."""
    drawn(page, where)
    return tuple(
        page.evaluate(
            """([where, number]) => {
              const mark = document.querySelector(`${where} .mark[data-mark="${number}"]`);
              const at = mark.transform.baseVal[0].matrix;
              const box = document.querySelector(`${where} .stage`).getBoundingClientRect();
              return [box.left + at.e, box.top + at.f];
            }""",
            [where, mark],
        )
    )


_PRESSED = {"at": -math.inf}
_APART_S = 0.33
"""Two taps at one place within 300 ms zoom."""


def press(page: Any, kind: dict[str, Any], x: float, y: float) -> None:
    """Tap on a phone, click on a laptop, a moment after the press before."""
    page.wait_for_timeout(max(0.0, 1000 * (_PRESSED["at"] + _APART_S - time.monotonic())))
    (page.touchscreen.tap if kind is PHONE else page.mouse.click)(x, y)
    _PRESSED["at"] = time.monotonic()
    painted(page)


def empty_place(page: Any) -> tuple[float, float]:
    """Return a place on the photo without a fruit: between the first and the second."""
    (x1, y1), (x2, y2) = middle(page, 0), middle(page, 1)
    return (x1 + x2) / 2, (y1 + y2) / 2


def saved(page: Any, press_on: str = "#save") -> tuple[str, dict[str, Any]]:
    """Save the corrections and return the file's name and content."""
    with page.expect_download() as download:
        page.click(press_on)
    path = download.value.path()
    return download.value.suggested_filename, json.loads(Path(path).read_text(encoding="utf-8"))


def record(page: Any) -> dict[str, Any]:
    """Return what the page keeps of the photo that is open."""
    return json.loads(
        page.evaluate(
            """() => {
              const keys = Object.keys(localStorage).filter((key) => key.length > 60);
              const all = keys.map((key) => [key, JSON.parse(localStorage[key])]);
              all.sort((a, b) => b[1].changed - a[1].changed);
              return JSON.stringify(all.length ? all[0][1] : null);
            }"""
        )
    )


def begun(page: Any) -> dict[str, Any]:
    """Return the open photo as proposed; two changes that cancel make the page keep it."""
    for key in ("m", "u", "u"):
        page.keyboard.press(key)
    return record(page)


def radius(page: Any, mark: int) -> float:
    """Return half the width of a ring on the screen."""
    painted(page)
    return float(
        page.evaluate(
            """(number) => document.querySelector(`#stage .mark[data-mark="${number}"] .line`)
                .getBBox().width / 2""",
            mark,
        )
    )


def drag(page: Any, kind: dict[str, Any], path: list[tuple[float, float]]) -> None:
    """Drag a finger or the mouse along a path."""
    steps = [path[0]]
    for (x1, y1), (x2, y2) in zip(path, path[1:], strict=False):
        steps += [(x1 + (x2 - x1) * i / 8, y1 + (y2 - y1) * i / 8) for i in range(1, 9)]
    if kind is PHONE:
        touch = page.context.new_cdp_session(page)
        send_touch(touch, "touchStart", [steps[0]])
        for step in steps[1:]:
            send_touch(touch, "touchMove", [step])
        send_touch(touch, "touchEnd", [])
    else:
        page.mouse.move(*steps[0])
        page.mouse.down()
        for step in steps[1:]:
            page.mouse.move(*step)
        page.mouse.up()
    painted(page)


def pinch(page: Any, around: tuple[float, float], apart: float, to: float) -> None:
    """Spread two fingers."""
    touch = page.context.new_cdp_session(page)
    x, y = around

    def fingers(gap: float) -> list[tuple[float, float]]:
        return [(x - gap / 2, y), (x + gap / 2, y)]

    send_touch(touch, "touchStart", fingers(apart))
    for step in range(1, 13):
        send_touch(touch, "touchMove", fingers(apart + (to - apart) * step / 12))
    send_touch(touch, "touchEnd", [])
    painted(page)


def send_touch(touch: Any, kind: str, points: list[tuple[float, float]]) -> None:
    fingers = [{"x": x, "y": y, "id": number} for number, (x, y) in enumerate(points)]
    touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": fingers})


def hold(page: Any, kind: dict[str, Any], x: float, y: float) -> None:
    """Press long with a finger, or click with the right button."""
    if kind is PHONE:
        touch = page.context.new_cdp_session(page)
        send_touch(touch, "touchStart", [(x, y)])
        page.wait_for_selector("#card[open]")
        send_touch(touch, "touchEnd", [])
    else:
        page.mouse.click(x, y, button="right")
    page.wait_for_selector("#card[open]")
    page.wait_for_timeout(400)  # a click that the lifted finger may cause comes late


def tap_in(page: Any, kind: dict[str, Any], stage: str, mark: int) -> None:
    """Tap a mark of one of the two photos that stand side by side."""
    painted(page)
    x, y = page.evaluate(
        """([stage, number]) => {
          const element = document.querySelector(stage);
          const mark = element.querySelector(`.mark[data-mark="${number}"]`);
          const at = mark.transform.baseVal[0].matrix;
          const box = element.getBoundingClientRect();
          return [box.left + at.e, box.top + at.f];
        }""",
        [stage, mark],
    )
    press(page, kind, x, y)


def lasting(browser: Any, profile: Path) -> Any:
    """Run a Chromium whose profile outlasts it."""
    return browser.browser_type.launch_persistent_context(
        str(profile),
        executable_path=executable(),
        args=["--no-sandbox", "--disable-gpu"],
        viewport=LAPTOP["viewport"],
    )


def kill(profile: Path) -> None:
    """End at once every process that works on a profile."""
    for number in processes(str(profile)):
        with contextlib.suppress(ProcessLookupError):
            os.kill(number, signal.SIGKILL)


def processes(word: str) -> list[int]:
    """Return the numbers of the processes with a word in their command line."""
    listed = subprocess.run(["ps", "-eo", "pid,args"], capture_output=True, text=True, check=True)
    lines = [line.split(None, 1) for line in listed.stdout.splitlines()[1:]]
    return [int(line[0]) for line in lines if len(line) > 1 and word in line[1]]


def largest_renderer_mb() -> float:
    """Return the memory of the largest page process, shared parts by share."""
    largest = 0.0
    for number in processes("--type=renderer"):
        with contextlib.suppress(OSError):
            text = Path(f"/proc/{number}/smaps_rollup").read_text()
            line = next(line for line in text.splitlines() if line.startswith("Pss:"))
            largest = max(largest, int(line.split()[1]) / 1024)
    return largest


@SIZES
def test_a_tap_adds_a_tap_strikes_out_next_confirms_and_the_file_is_taken_in(
    browser: Any, tmp_path: Path, kind: dict[str, Any]
) -> None:
    trial = draw_trial(tmp_path / "trial")
    path = make_sheet(trial)
    with page_on(browser, path, kind) as page:
        assert states(page) == ["proposed"] * 6
        press(page, kind, *empty_place(page))
        assert states(page) == ["proposed"] * 6 + ["added"]
        press(page, kind, *middle(page, 2))
        assert states(page).count("removed") == 1
        assert page.inner_text("#count") == "6"
        press(page, kind, *middle(page, 2))
        assert page.inner_text("#count") == "7"
        press(page, kind, *middle(page, 0))
        page.click("#next")
        assert page.inner_text("#number") == "2"
        page.click("#cannot")
        page.click("#back")
        # a finished photo is calm: a small tick, no ring round it
        frame, tick = (
            page.locator(f".frame[data-index='0'] {part}").bounding_box()
            for part in (".window", ".pencil path")
        )
        assert tick["width"] < 0.25 * frame["width"]
        name, document = saved(page)
    assert name == f"corrections_{document['sheet']}_Ana.json"
    first, second = document["photos"]
    assert first["count"] == 6
    assert [mark["state"] for mark in first["marks"]] == ["removed"] + ["confirmed"] * 5 + ["added"]
    assert first["marks"][6]["candidate"] is None
    assert (second["answer"], second["count"], second["marks"]) == ("cannot tell", 0, [])
    file = tmp_path / name
    file.write_text(json.dumps(document), encoding="utf-8")
    assert take_corrections(trial, [file]).new == 2
    assert take_corrections(trial, [file]).new == 0
    with trial.ledger() as ledger:
        entry = ledger.get("confirmation", f"{first['photo']}|Ana")
    assert entry is not None
    assert entry.by == "Ana"
    assert entry.body["proposal"] == first["proposal"]


@SIZES
def test_a_drag_moves_the_photo_and_a_ring_only_once_it_was_chosen(
    browser: Any, sheet: Path, kind: dict[str, Any]
) -> None:
    with page_on(browser, sheet, kind) as page:
        before = begun(page)
        page.keyboard.press("Escape")  # lets the ring go that the keys had chosen
        page.click("#larger")
        x, y = middle(page, 4)
        drag(page, kind, [(x, y), (x + 30, y + 20)])
        assert record(page)["marks"] == before["marks"]
        assert middle(page, 4) != pytest.approx((x, y), abs=5)
        hold(page, kind, *middle(page, 4))
        page.click("#card >> text=Move")
        x, y = middle(page, 4)
        drag(page, kind, [(x, y), (x + 30, y + 20)])
        moved = record(page)["marks"][4]
        scale = moved["x"] - before["marks"][4]["x"]
        assert scale > 0
        assert moved["y"] - before["marks"][4]["y"] == pytest.approx(scale * 2 / 3, rel=0.1)
        assert moved["width"] == before["marks"][4]["width"]
        x, y = middle(page, 4)
        rx = radius(page, 4)
        drag(page, kind, [(x + rx, y), (x + rx * 1.5, y)])
        grown = record(page)["marks"][4]
        assert grown["width"] == pytest.approx(moved["width"] * 1.5, rel=0.12)
        assert (grown["x"], grown["y"]) == (moved["x"], moved["y"])
        assert page.is_enabled("#undo")
        page.click("#undo")
        page.click("#undo")
        assert record(page)["marks"] == before["marks"]


def test_two_fingers_and_the_wheel_zoom_and_a_finger_moves_the_photo(
    browser: Any, sheet: Path
) -> None:
    with page_on(browser, sheet, PHONE) as page:
        before = radius(page, 4)
        x, y = middle(page, 4)
        pinch(page, (x, y), 40, 160)
        assert radius(page, 4) == pytest.approx(before * 4, rel=0.15)
        x, y = middle(page, 4)
        assert states(page).count("added") == 0
        drag(page, PHONE, [(x + 90, y), (x + 60, y)])
        assert middle(page, 4)[0] == pytest.approx(x - 30, abs=12)
    with page_on(browser, sheet, LAPTOP) as page:
        before = radius(page, 4)
        x, y = middle(page, 4)
        page.mouse.move(x, y)
        page.mouse.wheel(0, -240)
        page.wait_for_timeout(100)
        assert radius(page, 4) > before * 1.4
        assert middle(page, 4)[1] == pytest.approx(y, abs=3)


@SIZES
def test_a_long_press_or_right_click_says_more_about_a_fruit(
    browser: Any, sheet: Path, kind: dict[str, Any]
) -> None:
    with page_on(browser, sheet, kind) as page:
        hold(page, kind, *middle(page, 1))
        page.click("#card >> text=Not sure")
        assert states(page)[1] == "unsure"
        assert page.inner_text("#count") == "5"
        page.click("#card >> text=Not sure")
        page.click("#card >> text=Too small to count")
        page.click("[aria-label='Higher truss number']")
        page.click("[aria-label='Larger ring']")
        page.click("#card >> text=Done")
        mark = record(page)["marks"][1]
        assert (mark["state"], mark["small"], mark["truss"]) == ("proposed", True, 1)
        assert page.inner_text("#count") == "5"
        assert page.locator("#stage .mark.small").count() == 1


@SIZES
def test_one_more_fruit_can_be_added_inside_a_ring_or_where_one_was_struck_out(
    browser: Any, sheet: Path, kind: dict[str, Any]
) -> None:
    with page_on(browser, sheet, kind) as page:
        x, y = middle(page, 1)
        hold(page, kind, x + radius(page, 1) * 0.5, y)
        page.click("text=One more fruit here")
        assert states(page) == ["proposed"] * 6 + ["added"]
        page.click("#larger")
        x, y = middle(page, 4)
        press(page, kind, x, y)
        press(page, kind, x + radius(page, 4) * 0.7, y)
        if kind is PHONE:  # so near a cross the finger may mean either: the lens asks again
            glass = page.locator(".lens-glass").bounding_box()
            press(page, kind, glass["x"] + glass["width"] / 2, glass["y"] + glass["height"] / 2)
            press(page, kind, glass["x"] - 8, glass["y"] - 8)
            assert page.is_hidden(".lens")
        kept = [mark["state"] for mark in record(page)["marks"]]
        assert (kept.count("removed"), kept.count("added")) == (1, 2)
        hold(page, kind, x, y)
        page.click("text=Put back")
        assert [mark["state"] for mark in record(page)["marks"]].count("removed") == 0


@SIZES
def test_a_loop_makes_a_truss_and_its_number_can_be_changed(
    browser: Any, sheet: Path, kind: dict[str, Any]
) -> None:
    with page_on(browser, sheet, kind) as page:
        page.click("#loop")
        (x1, y1), (x2, _) = middle(page, 3), middle(page, 4)
        drag(
            page,
            kind,
            [(x1 - 30, y1 - 25), (x2 + 30, y1 - 25), (x2 + 30, y1 + 30), (x1 - 30, y1 + 30)],
        )
        assert [mark["truss"] for mark in record(page)["marks"]] == [None] * 3 + [1, 1, None]
        page.click("[aria-label='Raise the number of truss 1']")
        assert [mark["truss"] for mark in record(page)["marks"]][3:5] == [2, 2]
        painted(page)
        assert page.locator("#stage .truss-number").text_content() == "2"
        page.click("[aria-label='Let truss 2 go']")
        painted(page)
        assert page.locator("#stage .truss-number").count() == 0
        page.click("text=Use 2 proposed trusses")
        assert [mark["truss"] for mark in record(page)["marks"]] == [1, 1, 1, 2, 2, 2]
        page.click("#offer >> text=Done")
        assert states(page) == ["proposed"] * 6


def test_undo_and_redo_know_no_limit_and_cross_photos(browser: Any, sheet: Path) -> None:
    with page_on(browser, sheet, LAPTOP) as page:
        for _ in range(60):
            page.keyboard.press("m")
            page.keyboard.press("x")
        page.keyboard.press("Enter")
        page.keyboard.press("m")
        page.keyboard.press("x")
        assert page.inner_text("#number") == "2"
        for _ in range(62):
            page.keyboard.press("Control+z")
        assert page.inner_text("#number") == "1"
        assert states(page) == ["proposed"] * 6
        assert page.is_disabled("#undo")
        for _ in range(62):
            page.keyboard.press("Control+y")
        assert page.inner_text("#number") == "2"
        assert states(page).count("removed") == 1
        assert page.is_disabled("#redo")


def test_the_keyboard_alone_does_everything(browser: Any, sheet: Path) -> None:
    with page_on(browser, sheet, LAPTOP) as page:
        page.keyboard.press("?")
        assert "By keyboard" in page.inner_text("#help")
        page.keyboard.press("Escape")
        page.keyboard.press("Space")
        for _ in range(7):
            page.keyboard.press("ArrowDown")
        page.keyboard.press("Space")
        assert len(states(page)) == 7
        page.keyboard.press("m")
        page.keyboard.press("u")
        assert "unsure" in states(page)
        page.keyboard.press("m")
        page.keyboard.press("3")
        page.keyboard.press("]")
        page.keyboard.press("s")
        page.keyboard.press("Shift+ArrowRight")
        marks = record(page)["marks"]
        (mark,) = [mark for mark in marks if mark["truss"] == 3]
        assert mark["small"]
        page.keyboard.press("a")
        page.keyboard.press("+")
        page.keyboard.press("f")
        page.keyboard.press("c")
        page.keyboard.press("r")
        page.wait_for_selector("#next:enabled")  # shut until its photo is decoded
        page.keyboard.press("Enter")
        assert page.inner_text("#number") == "4"
        page.keyboard.press("p")
        page.keyboard.press("Escape")
        assert page.is_visible("#contact")
        assert page.inner_text("#progress").startswith("3 of 8")
        page.keyboard.press("ArrowRight")
        page.keyboard.press("Enter")
        assert page.inner_text("#number") == "4"
        page.keyboard.press("b")
        page.keyboard.press("m")
        page.keyboard.press("Space")
        page.keyboard.press("Tab")
        page.keyboard.press("m")
        page.keyboard.press("Space")
        assert "counted once" in page.inner_text("#pair-said")
        page.keyboard.press("Escape")
        with page.expect_download():
            page.keyboard.press("Control+s")


@SIZES
def test_the_same_fruit_in_two_photos_of_a_plant_is_linked_once(
    browser: Any, trial: Any, sheet: Path, tmp_path: Path, kind: dict[str, Any]
) -> None:
    with page_on(browser, sheet, kind) as page:
        page.click("#other")
        left, right = ("#pair .stage:nth-child(1)", "#pair .stage:nth-child(2)")
        tap_in(page, kind, left, 2)
        tap_in(page, kind, right, 4)
        letters = page.eval_on_selector_all("#pair .letter", "all => all.map(e => e.textContent)")
        assert letters == ["a", "a"]
        tap_in(page, kind, left, 2)
        assert page.locator("#pair .letter").count() == 0
        page.click("#pair-undo")
        painted(page)
        assert page.locator("#pair .letter").count() == 2
        page.click("#pair-back")
        page.click("#next")
        page.click("#next")
        page.click("#back")
        name, document = saved(page)
    first, second = document["photos"]
    assert second["marks"][4]["twin"] == f"{first['photo']}:2"
    assert [mark["twin"] for mark in first["marks"]] == [""] * 6
    file = tmp_path / name
    document["reviewer"] = f"Ana {'phone' if kind is PHONE else 'laptop'}"
    file.write_text(json.dumps(document), encoding="utf-8")
    assert take_corrections(trial, [file]).new == 2


def test_a_reload_and_a_crashed_tab_lose_nothing(browser: Any, sheet: Path) -> None:
    context = browser.new_context(**PHONE)
    page = context.new_page()
    opened(page, sheet)
    page.click("#next")
    press(page, PHONE, *middle(page, 3))
    page.reload()
    page.wait_for_selector("html[data-ready=yes]")
    assert page.inner_text("#progress").startswith("1 of 8")
    page.click(".frame[data-index='1']")
    assert states(page)[3] == "removed"
    press(page, PHONE, *middle(page, 4))
    with contextlib.suppress(Exception):
        page.goto("chrome://crash", timeout=3000)
    page = context.new_page()
    page.goto(sheet.as_uri())
    page.wait_for_selector("html[data-ready=yes]")
    page.click(".frame[data-index='1']")
    assert [states(page)[mark] for mark in (3, 4)] == ["removed", "removed"]
    context.close()


def test_a_killed_browser_loses_nothing(browser: Any, sheet: Path, tmp_path: Path) -> None:
    profile = tmp_path / "profile"
    context = lasting(browser, profile)
    page = context.new_page()
    opened(page, sheet)
    page.click("#next")
    press(page, LAPTOP, *middle(page, 3))
    page.wait_for_timeout(500)
    kill(profile)
    with contextlib.suppress(Exception):
        context.close()
    context = lasting(browser, profile)
    page = context.new_page()
    page.goto(sheet.as_uri())
    page.wait_for_selector("html[data-ready=yes]")
    assert page.inner_text("#progress").startswith("1 of 8")
    page.click(".frame[data-index='1']")
    assert states(page)[3] == "removed"
    context.close()


def test_where_the_browser_keeps_nothing_the_page_says_so_at_once(
    browser: Any, sheet: Path
) -> None:
    context = browser.new_context(**PHONE, accept_downloads=True)
    page = context.new_page()
    page.add_init_script(
        "Object.defineProperty(window, 'localStorage', {get() { throw new Error('no'); }});"
        "Object.defineProperty(window, 'indexedDB', {get() { throw new Error('no'); }});"
    )
    page.goto(sheet.as_uri())
    page.wait_for_selector("#trouble:not([hidden])", timeout=2000)
    assert "does not keep your work" in page.inner_text("#trouble")
    page.wait_for_selector("html[data-ready=yes]")
    page.click("#begin")
    page.fill("#name", "Ana")
    page.click("#who button[type=submit]")
    page.click("#next")
    page.click("#back")
    _, document = saved(page)
    assert len(document["photos"]) == 1
    context.close()


def test_a_full_store_hands_over_to_the_other_and_a_second_full_one_is_reported(
    browser: Any, sheet: Path
) -> None:
    context = browser.new_context(**PHONE)
    page = context.new_page()
    page.add_init_script(
        "const set = Storage.prototype.setItem;"
        "Storage.prototype.setItem = function (key, value) {"
        "  if (key.length > 60) throw new DOMException('full', 'QuotaExceededError');"
        "  return set.call(this, key, value); };"
    )
    opened(page, sheet)
    page.click("#next")
    page.wait_for_timeout(200)
    assert page.is_hidden("#trouble")
    page.reload()
    page.wait_for_selector("html[data-ready=yes]")
    assert page.inner_text("#progress").startswith("1 of 8")
    page.evaluate("void (IDBDatabase.prototype.transaction = () => { throw Error('full'); })")
    page.click("#begin")
    page.click("#next")
    assert page.is_visible("#trouble")
    context.close()


def test_a_saved_file_brings_the_work_back_on_another_device(
    browser: Any, sheet: Path, tmp_path: Path
) -> None:
    with page_on(browser, sheet, PHONE) as page:
        press(page, PHONE, *middle(page, 0))
        page.click("#next")
        page.click("#retake")
        page.click("#back")
        name, document = saved(page)
    file = tmp_path / name
    file.write_text(json.dumps(document), encoding="utf-8")
    with page_on(browser, sheet, LAPTOP, name="") as page:
        page.click("#more")
        page.set_input_files("#saved", str(file))
        # by selector: the page's policy forbids what waiting for a function would run in it
        page.wait_for_selector("#progress:has-text('2 of')")
        page.click(".frame[data-index='0']")
        assert states(page) == ["removed"] + ["confirmed"] * 5
    other = tmp_path / "other.json"
    other.write_text(json.dumps({**document, "sheet": "another"}), encoding="utf-8")
    with page_on(browser, sheet, LAPTOP, name="") as page:
        page.click("#more")
        page.set_input_files("#saved", str(other))
        page.wait_for_selector("#trouble:not([hidden])")
        assert "another contact sheet" in page.inner_text("#trouble")


def test_two_people_in_one_browser_keep_their_own_answers(browser: Any, sheet: Path) -> None:
    with page_on(browser, sheet, LAPTOP) as page:
        page.click("#next")
        page.click("#back")
        page.click("#more")
        page.click("text=Change the name")
        page.fill("#name", "Bo")
        page.click("#who button[type=submit]")
        page.wait_for_timeout(100)
        assert page.inner_text("#progress").startswith("0 of 8")
        page.click("#more")
        page.click("text=Change the name")
        page.fill("#name", "Ana")
        page.click("#who button[type=submit]")
        page.wait_for_timeout(100)
        assert page.inner_text("#progress").startswith("1 of 8")


def test_two_tabs_of_one_sheet_show_the_same(browser: Any, sheet: Path) -> None:
    with page_on(browser, sheet, LAPTOP) as page:
        second = page.context.new_page()
        second.goto(sheet.as_uri())
        second.wait_for_selector("html[data-ready=yes]")
        page.click("#next")
        second.wait_for_selector("#progress:has-text('1 of')")
        second.click(".frame[data-index='1']")
        second.click("#next")
        page.wait_for_timeout(200)
        page.click("#back")
        assert page.inner_text("#progress").startswith("2 of 8")


def test_the_page_asks_nothing_of_any_network_and_may_not(browser: Any, sheet: Path) -> None:
    context = browser.new_context(**LAPTOP)
    page = context.new_page()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    opened(page, sheet)
    page.click("#next")
    page.wait_for_timeout(300)
    kinds = {url.partition(":")[0] for url in asked}
    assert kinds <= {"file", "data", "blob"}
    assert [url for url in asked if url.startswith("file:")] == [sheet.as_uri()]
    for attempt in (
        "fetch('http://127.0.0.1:9/')",
        "new Promise((ok, no) => { const i = new Image(); i.onload = ok; i.onerror = () =>"
        " no(new Error('blocked')); i.src = 'http://127.0.0.1:9/x.png'; })",
    ):
        with pytest.raises(Exception, match="Failed to fetch|blocked"):
            page.evaluate(attempt)
    assert not page.evaluate(
        "(() => { const s = document.createElement('script'); s.textContent = 'window.evil = 1';"
        " document.body.append(s); return Boolean(window.evil); })()"
    )
    context.close()


def test_the_frames_and_buttons_are_large_enough_for_a_finger(browser: Any, sheet: Path) -> None:
    small = """() => [...document.querySelectorAll('button, input, a')]
      .filter(e => e.offsetParent && !e.closest('.unseen') && !e.classList.contains('unseen'))
      .map(e => [e.id || e.textContent || e.className, e.getBoundingClientRect()])
      .filter(([, box]) => box.width < 43.9 || box.height < 43.9)
      .map(([name, box]) => `${name}: ${box.width} x ${box.height}`)"""
    with page_on(browser, sheet, PHONE) as page:
        assert page.evaluate(small) == []
        page.click("#loop")
        page.click("text=Use 2 proposed trusses")
        assert page.evaluate(small) == []
        page.click("#loop")
        hold(page, PHONE, *middle(page, 0))
        assert page.evaluate(small) == []
        page.click("#card >> text=Done")
        page.click("#other")
        assert page.evaluate(small) == []
        page.click("#pair-back")
        page.click("#back")
        assert page.evaluate(small) == []
        page.click("#more")
        assert page.evaluate(small) == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
@SIZES
def test_the_accessibility_checker_finds_no_serious_fault(
    browser: Any, sheet: Path, kind: dict[str, Any], scheme: str
) -> None:
    # axe-core runs the machine-checkable part of WCAG 2.2
    axe = axe_source()
    context = browser.new_context(**kind, color_scheme=scheme, bypass_csp=True)
    page = context.new_page()

    def faults() -> list[str]:
        # of all that the checker knows only contrast goes by the colours
        return barriers(page, axe, only="color-contrast" if scheme == "dark" else "")

    opened(page, sheet, name="")
    assert faults() == []
    page.click("#begin")
    assert faults() == []
    page.fill("#name", "Ana")
    page.click("#who button[type=submit]")
    assert faults() == []
    page.click("#loop")
    assert faults() == []
    page.click("#loop")
    page.click("#keys")
    assert faults() == []
    page.keyboard.press("Escape")
    hold(page, kind, *middle(page, 0))
    assert faults() == []
    page.keyboard.press("Escape")
    page.click("#other")
    assert faults() == []
    page.click("#pair-back")
    page.click("#next")
    page.click("#retake")
    page.click("#back")
    assert faults() == []
    page.click("#more")
    assert faults() == []
    context.close()


HOSTILE = [
    "<script>window.evil = 1</script>\"'&amp;",
    "</script><img src=x onerror='window.evil = 1'>",
    "\u202egnp.exe\u202c \u2066\u200f",
    "x" * 300,
    "\U0001f345\u200d\U0001f33f\U0001f1eb\U0001f1f7",
]


@pytest.mark.parametrize("text", HOSTILE, ids=["script", "closing", "turned", "long", "emoji"])
def test_hostile_names_show_as_text(browser: Any, tmp_path: Path, text: str) -> None:
    title = text[:200]
    drawn = Drawn(plants=2, sides=(text,), title=title, size=(400, 300))
    path = make_sheet(draw_trial(tmp_path / "trial", drawn), SheetOptions(blind=False))
    with page_on(browser, path, PHONE, name=text[:60].replace("|", "")) as page:
        assert not page.evaluate("Boolean(window.evil)")
        assert text in page.text_content("#label")
        page.click("#next")
        page.click("#back")
        assert page.text_content("#title") == title
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        _, document = saved(page)
        assert document["reviewer"] == text[:60].strip()
        assert not page.evaluate("Boolean(window.evil)")


def test_the_sheet_prints_as_a_tally_sheet_with_every_photo(browser: Any, sheet: Path) -> None:
    with page_on(browser, sheet, LAPTOP) as page:
        page.click("#next")
        page.click("#back")
        page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
        page.emulate_media(media="print")
        figures = page.locator("#paper figure")
        assert figures.count() == 8
        assert figures.nth(0).locator(".paper-count").inner_text() == "6"
        assert figures.nth(1).locator(".paper-count").inner_text() == ""
        assert page.is_hidden("#contact")
        assert len(page.pdf()) > 10_000


def test_progress_is_told_at_the_reviewers_own_pace(browser: Any, sheet: Path) -> None:
    context = browser.new_context(**PHONE)
    page = context.new_page()
    page.clock.install()
    opened(page, sheet)
    for _ in range(3):
        page.clock.run_for(24_000)
        page.click("#next")
    assert page.inner_text("#pace") == "of 8, about 2 minutes left"
    context.close()


@pytest.mark.slow
def test_five_hundred_photos_open_at_once_and_scroll_without_a_blank(
    browser: Any, tmp_path: Path
) -> None:
    trial = draw_trial(tmp_path / "trial", Drawn(plants=5, size=(1200, 900)))
    few = frames(trial)
    made = [prints(trial.directory / frame.file) for frame in few]
    many = [
        dataclasses.replace(few[n % 10], photo=f"{n:064x}", plant=str(n // 2)) for n in range(500)
    ]
    data = sheet_data(trial, SheetOptions(), many, [made[n % 10].grid for n in range(500)])
    path = tmp_path / "sheet.html"
    # padded to the largest print there can be; what follows the end of a JPEG is not shown
    with path.open("w", encoding="utf-8") as stream:
        for piece in page_pieces(data, (made[n % 10].review.ljust(110_000) for n in range(500))):
            stream.write(piece)
    assert path.stat().st_size > 70e6
    context = browser.new_context(**PHONE)
    page = context.new_page()
    page.goto(path.as_uri(), wait_until="load")
    paint = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime")
    assert paint < 2000
    page.wait_for_selector("html[data-ready=yes]")
    blank = page.evaluate(SCROLL)
    assert blank < 200
    page.click(".frame[data-index='499']")
    page.fill("#name", "Ana")
    page.click("#who button[type=submit]")
    for _ in range(20):
        page.click("#next")
    assert page.locator("#contact .frame").count() < 200
    assert largest_renderer_mb() < 500
    context.close()


SCROLL = """async () => {
  let worst = 0;
  let since = null;
  let last = performance.now();
  const inSight = (e) => {
    const box = e.getBoundingClientRect();
    return box.bottom > 0 && box.top < innerHeight;
  };
  for (let y = 200; y < document.documentElement.scrollHeight; y += innerHeight * 0.35) {
    window.scrollTo(0, y);
    await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
    const now = performance.now();
    const strips = [...document.querySelectorAll('.strip')].filter(inSight);
    const covered = strips.reduce((sum, e) => {
      const box = e.getBoundingClientRect();
      return sum + Math.min(box.bottom, innerHeight) - Math.max(box.top, 0);
    }, 0);
    const bottom = document.querySelector('#rows').getBoundingClientRect().bottom;
    const room = Math.min(innerHeight, bottom);
    const empty = [...document.querySelectorAll('.frame img')].filter(inSight)
      .some((image) => !image.complete || !image.naturalWidth);
    if (empty || covered < room * 0.75) {
      since = since === null ? last : since;
      worst = Math.max(worst, now - since);
    } else {
      since = null;
    }
    last = now;
  }
  return worst;
}"""
