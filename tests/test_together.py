"""Likely photos confirmed several at a time: where it is offered, what it takes for seen, who knows
of it afterwards.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from browser import LAPTOP, PHONE, axe_source, barriers, chromium, page_on
from hypothesis import given
from hypothesis import strategies as st
from sheet_trial import Drawn, draw_trial
from test_review_page import painted, saved

from counting.errors import CorrectionsError
from counting.finding.lesson.confirmed import confirmed_photos
from counting.ledger.facts import Answer, Candidate, Mark, Proposal, answers, sheets
from counting.plan.trial import Trial
from counting.report.counts import making
from counting.report.keeping.audit import audit
from counting.review.corrections import take_corrections
from counting.review.document import parse
from counting.review.frames import frames
from counting.review.sheet import SheetOptions, make_sheet, make_sheets
from counting.review.together import FEWEST, SHARE, Looked, likely, looked_at, needed_none

LATER = SheetOptions(open_only=True, replace=True)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as running:
        yield running


def many(folder: Path, plants: int = 20) -> Trial:
    """Make a trial of single photos, none flagged, each plant one side."""
    return draw_trial(folder / "trial", Drawn(plants=plants, sides=("a",), flagged=(2,)))


def look(page: Any, number: int, *, change: int = 0) -> None:
    """Answer photos one by one, from the first open one; the first `change` get a ring struck."""
    for done in range(number):
        page.wait_for_selector("#next:not([disabled])")
        if done < change:
            page.keyboard.press("m")
            page.keyboard.press("x")
        page.keyboard.press("Enter")
        painted(page)


def to_sheet(page: Any) -> None:
    page.click("#back")
    page.wait_for_selector("#contact:not([hidden])")


def kept(page: Any) -> list[dict[str, Any]]:
    return list(
        page.evaluate(
            "Object.keys(localStorage).filter((key) => /[0-9a-f]{64}$/.test(key))"
            ".map((key) => JSON.parse(localStorage[key]))"
        )
    )


@pytest.mark.parametrize(
    ("seen", "right", "allowed"),
    [(0, 0, False), (7, 7, False), (8, 8, True), (8, 7, False), (10, 9, True), (20, 17, False)],
)
def test_several_at_a_time_needs_eight_looked_at_and_nine_in_ten_right(
    seen: int, right: int, allowed: bool
) -> None:
    assert Looked(seen, right).allows is allowed
    assert (FEWEST, SHARE) == (8, 0.9)


@given(st.lists(st.booleans(), max_size=40))
def test_one_more_right_photo_never_closes_the_way(told: list[bool]) -> None:
    if Looked.of(told).allows:
        assert Looked.of([*told, True]).allows


def mark(number: int, state: str, candidate: int | None) -> Mark:
    return Mark(number, candidate, 10, 10, 4, 4, state)


def answer(*marks: Mark, word: str = "counted") -> Answer:
    count = sum(each.counts for each in marks)
    return Answer("p", "Ana", "e", "2026-07-01T10:00:00+00:00", word, count, marks)


def test_a_photo_needed_no_change_only_if_every_ring_stayed_and_none_was_added() -> None:
    found = tuple(Candidate(n, 10, 10, 4, 4, 0.9) for n in (0, 1))
    proposal = Proposal("p", found)
    one, two = mark(0, "confirmed", 0), mark(1, "confirmed", 1)
    assert needed_none(answer(one, two), proposal)
    assert needed_none(answer(dataclasses.replace(one, x=12), two), proposal)  # only moved
    assert not needed_none(answer(one, mark(1, "removed", 1)), proposal)
    assert not needed_none(answer(one, mark(1, "elsewhere", 1)), proposal)
    assert not needed_none(answer(one, mark(1, "unsure", 1)), proposal)
    assert not needed_none(answer(one, two, mark(2, "added", None)), proposal)
    # one struck and one added: the count is right by chance, the photo was not
    assert not needed_none(answer(one, mark(1, "removed", 1), mark(2, "added", None)), proposal)
    assert not needed_none(answer(word="retake"), proposal)
    assert not needed_none(answer(one, two), None)


def test_doubtful_photos_and_such_that_share_fruit_are_not_likely(tmp_path: Path) -> None:
    trial = many(tmp_path, 4)
    listed = frames(trial)
    assert likely(listed) == {each.photo for each in listed if "blurred" not in each.flags}
    first, second, third, fourth = listed
    shared = [dataclasses.replace(first, likely=((0, second.photo, 1),)), second, third, fourth]
    assert likely(shared) == {fourth.photo}  # the third is blurred
    assert likely([dataclasses.replace(fourth, shown=frozenset())]) == set()


def test_the_way_opens_after_eight_right_photos_and_one_press_confirms_what_was_seen(
    browser: Any, tmp_path: Path
) -> None:
    trial = many(tmp_path, 16)
    sheet = make_sheet(trial)
    with page_on(browser, sheet, PHONE) as page:
        look(page, 8)  # the first is the blurred one: seven likely ones so far
        assert page.is_hidden("#several")
        to_sheet(page)
        assert page.is_hidden("#likely")
        assert "so far 7, 7 of them right" in page.inner_text("#likely-why")
        page.click("#begin")
        look(page, 1)
        to_sheet(page)
        assert page.inner_text("#likely-why") == (
            "Likely photos looked at one by one: 8, of which 8 needed no change."
        )
        page.click("#begin")  # whoever goes from Next to Next is offered it there
        page.click("#several")
        page.wait_for_selector("#confirm:not([disabled])")
        page.go_back()  # the device's own way back leads to the sheet
        page.wait_for_selector("#contact:not([hidden])")
        page.click("#likely")
        page.wait_for_selector("#confirm:not([disabled])")
        tiles = page.locator(".tile")
        assert 4 <= tiles.count() <= 9
        room = page.viewport_size
        for place in range(tiles.count()):
            box = tiles.nth(place).bounding_box()
            assert min(box["x"], box["y"]) >= 0
            assert box["x"] + box["width"] <= room["width"] + 0.5
            assert box["y"] + box["height"] <= room["height"]
            assert tiles.nth(place).locator(".mark").count() == 6
        page.wait_for_timeout(300)
        shown = tiles.count()
        page.click("#confirm")
        page.wait_for_selector("#confirm:not([disabled])")
        together = [each for each in kept(page) if each.get("looked") == "together"]
        assert len(together) == shown
        assert all(each["seen"] and each["answer"] == "counted" for each in together)
        assert all(0 < each["seconds"] <= 30 for each in together)
        page.click("#together-undo")  # one press, one step
        page.wait_for_selector("#confirm:not([disabled])")
        assert not [each for each in kept(page) if each.get("looked") == "together"]
        while page.is_visible("#together"):
            page.wait_for_selector("#confirm:not([disabled])")
            page.wait_for_timeout(500)
            page.click("#confirm")
            page.wait_for_timeout(100)
        page.keyboard.press("Escape")  # all answered: the slip that says so
        _, document = saved(page)
    path = tmp_path / "corrections.json"
    path.write_text(json.dumps(document), encoding="utf-8")
    assert take_corrections(trial, [path]).new == 16
    with trial.ledger() as ledger:
        told = answers(ledger)
        assert sum(not each.alone for each in told) == 7
        assert Looked.of(looked_at(ledger).values()) == Looked(8, 8)
        lines = making(ledger).sentences()
        assert len(confirmed_photos(ledger, ("colour",))) == 9  # they teach nothing
    assert any("7 photos were confirmed several at a time" in line for line in lines)
    assert any("photos opened one by one took" in line for line in lines)
    check = next(each for each in audit(trial.directory).checks if each.name == "confirmations")
    assert check.faults == ()
    assert "7 of them several at a time" in check.sentence


@pytest.fixture(scope="module")
def offered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a sheet of a trial whose reviews allow several at a time."""
    trial = many(tmp_path_factory.mktemp("offered"))
    make_sheet(trial)
    allow(trial)
    return make_sheets(trial, dataclasses.replace(LATER, per_file=0))[0].path


@contextmanager
def several(browser: Any, sheet: Path, kind: dict[str, Any]) -> Iterator[Any]:
    """Open the screen of several."""
    with page_on(browser, sheet, kind) as page:
        page.click("#back")
        page.click("#likely")
        yield page


def allow(trial: Trial) -> None:
    """Answer nine photos of the newest sheet one by one, each as proposed."""
    with trial.ledger() as ledger:
        sheet = list(sheets(ledger).values())[-1]
        proposals = {each.photo: each for each in frames(trial)}
        for number, photo in enumerate(sheet.likely[:9]):
            frame = proposals[photo]
            marks = tuple(
                Mark(n, each.candidate, each.x, each.y, each.width, each.height, "confirmed")
                for n, each in enumerate(c for c in frame.candidates if c.candidate in frame.shown)
            )
            at = f"2026-07-02T10:00:{number:02d}+00:00"
            ledger.add(
                [
                    Answer(
                        photo, "Eva", frame.proposal, at, "counted", len(marks), marks,
                        sheet=sheet.sheet, seconds=4.0, seen=True,
                    )
                ],
                by="Eva",
            )  # fmt: skip


def test_what_the_trial_showed_before_opens_the_way_on_a_later_sheet(
    browser: Any, offered: Path
) -> None:
    with several(browser, offered, LAPTOP) as page:
        page.wait_for_selector("#confirm:not([disabled])")
        assert 4 < page.locator(".tile").count() <= 9
        assert "9, of which 9" in page.inner_text("#together-why")


def test_a_tap_opens_a_photo_for_the_usual_work_and_too_many_wrong_ones_close_the_way(
    browser: Any, offered: Path
) -> None:
    with several(browser, offered, PHONE) as page:
        page.wait_for_selector("#confirm:not([disabled])")
        first = page.get_attribute(".tile", "data-index")
        page.tap(".tile")
        page.wait_for_selector("#photo:not([hidden]) #next:not([disabled])")
        page.keyboard.press("m")
        page.keyboard.press("x")
        page.click("#next")
        page.wait_for_selector("#together:not([hidden]) #confirm:not([disabled])")
        assert page.get_attribute(".tile", "data-index") != first
        assert "10, of which 9" in page.inner_text("#together-why")
        page.go_back()  # the device's own way back leads to the sheet
        page.wait_for_selector("#contact:not([hidden])")
        page.click("#likely")
        page.wait_for_selector("#confirm:not([disabled])")
        seen = page.eval_on_selector_all(".tile", "all => all.map((each) => each.dataset.index)")
        page.tap(".tile")
        page.wait_for_selector("#photo:not([hidden]) #next:not([disabled])")
        page.go_back()  # and from a photo to the screen it was opened from
        page.wait_for_selector("#together:not([hidden])")
        page.tap(".tile")
        page.wait_for_selector("#photo:not([hidden]) #next:not([disabled])")
        page.wait_for_timeout(500)
        page.click("#retake")  # 9 of 11 is too few: what was looked at is finished, no more comes
        page.wait_for_selector("#together:not([hidden]) #confirm:not([disabled])")
        left = page.eval_on_selector_all(".tile", "all => all.map((each) => each.dataset.index)")
        assert left == seen[1:]
        assert "the others come one by one" in page.inner_text("#together-why")
        page.click("#confirm")
        page.wait_for_selector("#contact:not([hidden])")
        assert page.is_hidden("#likely")
        assert "of 11 that are not doubtful, only 9" in page.inner_text("#likely-why")
        told = [each for each in kept(page) if each["answer"]]
        assert sorted(each["looked"] for each in told) == ["", ""] + ["together"] * len(left)


def test_nothing_is_confirmed_before_it_is_decoded_and_wholly_on_the_screen(
    browser: Any, offered: Path
) -> None:
    with several(browser, offered, {"viewport": {"width": 390, "height": 844}}) as page:
        page.wait_for_selector("#confirm:not([disabled])")
        page.keyboard.press("Escape")
        # too tall for the screen: each has to be scrolled to
        page.evaluate(
            """() => {
              const style = new CSSStyleSheet();
              style.replaceSync('.tile { height: 500px !important; }');
              document.adoptedStyleSheets = [style];
            }"""
        )
        page.click("#likely")
        page.wait_for_selector(".tile:last-child .mark", state="attached")
        page.wait_for_timeout(300)
        assert page.is_disabled("#confirm")
        for tile in page.locator(".tile").all():
            tile.evaluate("(tile) => tile.scrollIntoView({block: 'center'})")
            page.wait_for_timeout(80)
        page.wait_for_selector("#confirm:not([disabled])")
        page.keyboard.press("Escape")
        # photos that never come
        page.evaluate(
            "() => { HTMLImageElement.prototype.decode = () => Promise.reject(new Error('no')); }"
        )
        page.click("#likely")
        page.wait_for_timeout(300)
        assert page.is_disabled("#confirm")
        page.keyboard.press("Enter")
        assert not [each for each in kept(page) if each["answer"]]


def test_the_screen_of_several_by_keyboard_in_spanish_and_from_right_to_left(
    browser: Any, offered: Path
) -> None:
    kind = LAPTOP | {"locale": "es-ES"}
    with several(browser, offered, kind) as page:
        page.wait_for_selector("#confirm:not([disabled])")
        assert page.inner_text("#confirm").startswith("Estas ")
        assert page.text_content(".tile").endswith("6 frutos, propuesto")
        page.evaluate("document.documentElement.dir = 'rtl'")
        first, second = (page.locator(".tile").nth(n).bounding_box() for n in (0, 1))
        assert first["x"] > second["x"]
        page.keyboard.press("ArrowLeft")
        page.keyboard.press("ArrowLeft")
        second_tile = "document.querySelectorAll('.tile')[1]"
        assert page.evaluate(f"document.activeElement === {second_tile}")
        page.keyboard.press("Enter")  # on a photo: opens it
        page.wait_for_selector("#photo:not([hidden]) #next:not([disabled])")
        page.keyboard.press("Escape")
        page.wait_for_selector("#together:not([hidden]) #confirm:not([disabled])")
        page.keyboard.press("Enter")  # on none: confirms
        page.wait_for_timeout(200)
        assert len([each for each in kept(page) if each["answer"]]) >= 5
        page.keyboard.press("Control+z")
        page.wait_for_timeout(100)
        assert not [each for each in kept(page) if each["answer"]]
        assert barriers(page, axe_source(), all_impacts=True) == []


def test_an_answer_that_says_together_must_be_a_count_that_was_seen_and_not_changed(
    tmp_path: Path,
) -> None:
    trial = many(tmp_path, 10)
    make_sheet(trial)
    with trial.ledger() as ledger:
        sheet = next(iter(sheets(ledger).values()))
    photo = {
        "photo": sheet.likely[0], "proposal": sheet.photos[sheet.likely[0]],
        "at": "2026-07-02T10:00:00+00:00", "answer": "counted", "count": 1, "seconds": 1.0,
        "clicks": 0, "seen": True, "looked": "together",
        "marks": [{"mark": 0, "candidate": 0, "x": 9.0, "y": 9.0, "width": 4.0, "height": 4.0,
                   "state": "confirmed", "truss": None, "twin": "", "small": False}],
    }  # fmt: skip
    document = {
        "format": "counting corrections", "version": 1, "trial": trial.plan.id,
        "sheet": sheet.sheet, "reviewer": "Ana", "saved_at": "2026-07-02T10:00:00+00:00",
    }  # fmt: skip
    spoilt = [
        photo | {"seen": False},
        photo | {"answer": "retake", "count": 0, "marks": []},
        photo | {"marks": [photo["marks"][0] | {"state": "added"}]},
        photo | {"looked": "asleep"},
    ]
    assert parse(json.dumps(document | {"photos": [photo]}).encode(), "f").answers[0].looked
    for each in spoilt:
        with pytest.raises(CorrectionsError):
            parse(json.dumps(document | {"photos": [each]}).encode(), "f")
    # and the audit says where a photo was confirmed so that its sheet did not offer
    doubtful = next(key for key in sheet.photos if key not in sheet.likely)
    other = photo | {"photo": doubtful, "proposal": sheet.photos[doubtful]}
    path = tmp_path / "c.json"
    path.write_text(json.dumps(document | {"photos": [other]}), encoding="utf-8")
    take_corrections(trial, [path])
    check = next(each for each in audit(trial.directory).checks if each.name == "confirmations")
    assert "did not call it likely right" in check.faults[0].sentence


def test_making_a_sheet_again_after_reviews_writes_the_same_bytes(tmp_path: Path) -> None:
    trial = many(tmp_path, 12)
    path = make_sheet(trial)
    before = path.read_bytes()
    allow(trial)
    assert make_sheet(trial) == path
    assert path.read_bytes() == before
