"""The report's page in Chromium: at every width, on paper, by mouse and by keyboard."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from browser import axe_source, barriers, chromium
from trials import Beds, add_photo, confirm, draw_photo, make_trial, marks

from counting.files import sha256_file
from counting.plan.trial import Trial
from counting.report.keeping.audit import audit
from counting.report.pictures import photos
from counting.report.pictures.photos import photo_panels
from counting.report.report import make_report


@pytest.fixture(scope="module")
def trial(tmp_path_factory: pytest.TempPathFactory) -> Trial:
    """Four blocks with drawn photos, all counted, over two surveys; each plant its own photo."""
    made = make_trial(tmp_path_factory.mktemp("page") / "trial", Beds(blocks=4, plants_per_plot=2))
    rng = np.random.default_rng(1)
    for survey in ("2026-07-01", "2026-07-15"):
        for number, (code, group) in enumerate(
            zip(made.plants["code"], made.plants["group"], strict=True)
        ):
            file = f"photos/{survey}/{code}.jpg"
            path = draw_photo(made.directory / file, 5, seed=number + 100 * int(survey[-2:]))
            count = int(rng.poisson(12 + 4 * (group == "grafted")))
            photo = add_photo(made, code, survey=survey, photo=sha256_file(path), file=file)
            confirm(made, photo, count, marks=marks(count, removed=1))
    make_report(made)
    return made


@pytest.fixture(scope="module")
def page(trial: Trial) -> Iterator[Any]:
    """The report in Chromium."""
    with chromium() as browser:
        context = browser.new_context()
        opened = context.new_page()
        faults: list[str] = []
        opened.on("pageerror", lambda error: faults.append(str(error)))
        opened.on("console", lambda text: text.type == "error" and faults.append(text.text))
        opened.goto((trial.directory / "report.html").as_uri())
        yield opened
        assert faults == []


@pytest.mark.parametrize("width", [390, 820, 1366])
def test_nothing_lies_beyond_the_edge(page: Any, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 844})
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_a_square_and_a_point_open_the_ringed_photos(page: Any) -> None:
    panel = page.locator("#photos-1")
    assert not panel.is_visible()
    square = page.locator("[aria-labelledby=beds] svg a").first
    assert re.fullmatch(
        r"Photos of A1-1, own-rooted: \d+ fruit", square.get_attribute("aria-label")
    )
    square.focus()
    page.keyboard.press("Enter")
    assert panel.is_visible()
    assert panel.locator("img").evaluate("each => each.naturalWidth") > 100
    assert page.locator("section.photos:visible").count() == 1
    page.locator("[aria-labelledby=beds] svg a").nth(2).click()  # none lies under another
    assert page.locator("#photos-3").is_visible()
    page.locator("#plants svg a").nth(4).click()
    assert not panel.is_visible()
    assert page.locator("section.photos:visible").count() == 1


def test_the_statistics_are_folded_and_print_all_the_same(page: Any) -> None:
    methods = page.locator("#methods")
    assert not methods.is_visible()
    assert page.locator(".answer > ul.cautions > li").count() <= 3
    page.emulate_media(media="print")
    assert methods.is_visible()
    assert page.locator("section.photos:visible").count() == 0
    page.emulate_media(media="screen")
    page.locator("details.researcher > summary").click()
    assert methods.is_visible()
    page.locator("details.researcher > summary").click()


def test_the_accessibility_checker_finds_nothing(page: Any) -> None:
    page.goto(page.url.split("#")[0] + "#photos-1")
    page.locator("details.researcher > summary").click()
    assert barriers(page, axe_source(), all_impacts=True) == []


def test_pictures_have_a_name_to_be_read_aloud(trial: Trial) -> None:
    text = (trial.directory / "report.html").read_text(encoding="utf-8")
    drawn = re.findall(r"<svg ([^>]*)>", text)
    assert len(drawn) == 3
    assert all("aria-label=" in each and "role=" in each for each in drawn)


def test_the_audit_makes_the_photos_again_and_finds_another_in_their_place(
    trial: Trial,
) -> None:
    assert not of_report(trial)
    path = trial.directory / "report.html"
    text = path.read_text(encoding="utf-8")
    pictures = re.findall(r'src="(data:[^"]*)"', text)
    path.write_text(text.replace(pictures[0], pictures[1]), encoding="utf-8")
    faults = of_report(trial)
    path.write_text(text, encoding="utf-8")
    assert any("pictures" in sentence for sentence in faults)


def of_report(trial: Trial) -> list[str]:
    checks = {check.name: check for check in audit(trial.directory, proposals="none").checks}
    return [fault.sentence for fault in checks["report"].faults]


def test_pictures_keep_their_budget_and_many_photos_become_links(
    trial: Trial, monkeypatch: pytest.MonkeyPatch
) -> None:
    size = (trial.directory / "report.html").stat().st_size
    assert size < photos.BUDGET
    monkeypatch.setattr(photos, "BUDGET", 1000)
    with trial.ledger() as ledger:
        panels = photo_panels(trial, ledger, "2026-07-15")
    assert len(panels) == 16
    assert panels[0].pictures[0].source == "./photos/2026-07-15/A1-1.jpg"
    assert not panels[0].pictures[0].inside


def test_a_photo_that_is_gone_is_said_so(trial: Trial) -> None:
    path = trial.directory / "photos/2026-07-15/A1-2.jpg"
    kept = path.read_bytes()
    path.unlink()
    with trial.ledger() as ledger:
        panels = photo_panels(trial, ledger, "2026-07-15")
    path.write_bytes(kept)
    assert "cannot be read" in panels[1].pictures[0].words
