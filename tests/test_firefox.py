"""The desk's main path and the walk in the second browser, by clicking and typing."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from browser import axe_source
from firefox import Pages, firefox
from PIL import Image
from test_desk import served
from test_phones import large_photo

from counting.demo import demo_images, start_demo
from counting.desk import serve
from counting.desk.arrivals import waiting
from counting.desk.serve import phone_door
from counting.ledger.facts import events, standing_answers, tallies
from counting.plan.trial import load_trial

pytestmark = [
    pytest.mark.slow,
    # the driver leaves sockets open while it waits for the browser
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]
WALK = "2026-07-20"
PHOTOS = demo_images() / "photos" / WALK


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Pages]:
    with firefox(tmp_path_factory.mktemp("firefox")) as running:
        yield running


def bars_nobody(page: Pages) -> bool:
    """Whether the page fits its window and the accessibility checker finds nothing serious."""
    if page.run("return document.documentElement.scrollWidth > innerWidth"):
        return False
    found = page.check(axe_source())
    return not [each for each in found if each["impact"] in {"serious", "critical"}]


def test_in_firefox_a_trial_is_planned_photographed_checked_and_answered(
    page: Pages, tmp_path: Path
) -> None:
    photos = []
    for code in ("A1-1", "A1-2"):
        photos.append(tmp_path / f"{code}.jpg")
        shutil.copy(PHOTOS / code / "path.jpg", photos[-1])
    page.resize(1366, 768)
    with served(tmp_path / "shelf") as link:
        page.goto(link)
        page.press("Plan a trial")
        page.fill("[name=title]", "By clicking")
        page.fill("[name=group_1]", "own-rooted")
        page.fill("[name=group_2]", "grafted")
        page.fill("[name=guards_per_plot]", "0")
        page.wait_for("document.querySelector('#map').naturalWidth > 0")
        page.press("Draw lots and make the trial")
        page.press("Next: tags and sheets")
        page.press("Next: the photos")
        page.choose("#files", *photos)
        page.press("Find their plants and the fruit")
        page.press("Next: check the photos")
        page.press("Check them now")
        page.seen("html[data-ready=yes]")
        page.click("#begin")
        page.fill("#name", "Ana")
        page.click("#who button[type=submit]")
        for _ in photos:
            time.sleep(0.4)  # the page takes no press within a moment after the last
            page.click("#next")
        page.wait_for("document.querySelector('#kicker').dataset.saved === 'Saved'")
        page.press("To the desk")
        page.press("Tallies")
        page.fill("[aria-label='fruit of A1-1']", "7")
        page.press("Take these in")
        page.seen("#told .told")
        page.press("Diary")
        page.fill("[name=kind]", "pruning")
        page.press("Write it down")
        page.seen(".told")
        page.resize(390, 844)
        page.press("Answer")
        assert "2 of 24 plants counted" in page.text("main")
        assert bars_nobody(page)
    trial = load_trial(tmp_path / "shelf" / "by-clicking")
    with trial.ledger() as ledger:
        assert [each.word for each in standing_answers(ledger)] == ["counted", "counted"]
        assert [each.value for each in tallies(ledger)] == [7]
        assert [each.kind_of for each in events(ledger)] == ["pruning"]


def test_in_firefox_a_walk_is_kept_while_the_desk_is_away_and_arrives_once(
    page: Pages, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serve, "local_address", lambda: "127.0.0.1")
    trial, desk = start_demo(tmp_path / "shelf" / "vines"), ExitStack()
    large, far = tmp_path / "large.jpg", tmp_path / "far.jpg"
    large.write_bytes(large_photo())
    with Image.open(PHOTOS / "A1-1" / "path.jpg") as photo:
        photo.reduce(2).save(far)

    def open_desk() -> str:
        return desk.enter_context(served(trial.directory.parent, phone_door(tmp_path / "own")))

    way = f"t/vines/go?on=1&survey={WALK}&measures=trusses"
    page.resize(390, 844)
    address = open_desk() + way
    page.goto(address)
    page.seen("html[data-ready=yes]")
    page.fill("#name", "Ana")
    page.click("#who .strong")
    page.choose("#take", far)
    page.wait_for("document.querySelector('#judged').textContent.startsWith('Too far')")
    page.click("[aria-label='trusses: one more']")
    page.wait_for("document.querySelector('#queue').textContent === 'All is at the desk'")
    assert bars_nobody(page)
    desk.close()
    page.click("#next")
    page.click("[aria-label='trusses: one more']")
    page.click("[aria-label='trusses: one more']")
    page.choose("#take", large)
    page.wait_for("document.querySelector('#queue').textContent.startsWith('2 wait')")
    assert open_desk() + way == address
    page.goto(address)  # closed and opened again: what waited is still there
    page.wait_for("document.querySelector('#queue').textContent === 'All is at the desk'")
    desk.close()
    with trial.ledger() as ledger:
        told = {each.plant: each.value for each in tallies(ledger) if each.survey == WALK}
    assert told == {"A1-1": 1, "A1-2": 2}
    assert large.read_bytes() in {path.read_bytes() for path in waiting(trial.directory)}
    assert len(waiting(trial.directory)) == 2
