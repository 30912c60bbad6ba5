"""Real Chromium for the tests of the page; where there is none, they say so and are skipped."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

__all__ = [
    "LAPTOP",
    "PHONE",
    "axe_source",
    "barriers",
    "chromium",
    "executable",
    "opened",
    "page_on",
]

PHONE: dict[str, Any] = {
    "viewport": {"width": 390, "height": 844},
    "device_scale_factor": 2,
    "has_touch": True,
    "is_mobile": True,
}
LAPTOP: dict[str, Any] = {"viewport": {"width": 1366, "height": 768}}


def executable() -> str:
    """Return the path of a Chromium, or skip with the reason."""
    # the same engine without a window of its own opens a page with less than half the work
    named = ("chromium-headless-shell", "chromium", "google-chrome")
    path = os.environ.get("CHROMIUM") or next(filter(None, map(shutil.which, named)), None)
    if path is None:
        pytest.skip("no Chromium here: apt-get install chromium, or name one in CHROMIUM")
    return path


@contextmanager
def chromium() -> Iterator[Any]:
    """Start the system's Chromium without a screen, or skip with the reason."""
    sync = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    path = executable()
    with sync.sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=path, args=["--no-sandbox", "--disable-gpu"]
        )
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def page_on(browser: Any, sheet: Path, kind: dict[str, Any], name: str = "Ana") -> Iterator[Any]:
    """Open a sheet from disk as one person; any error the page throws fails the test."""
    context = browser.new_context(**kind, accept_downloads=True)
    context.set_default_timeout(10_000)
    page = context.new_page()
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("console", lambda text: text.type == "error" and faults.append(text.text))
    try:
        opened(page, sheet, name)
        yield page
        assert faults == []
    finally:
        context.close()


def opened(page: Any, sheet: Path, name: str = "Ana") -> None:
    """Load a sheet and give a name where it asks for one."""
    page.goto(sheet.as_uri() if isinstance(sheet, Path) else sheet)
    page.wait_for_selector("html[data-ready=yes]")
    if name:
        page.click("#begin")
        page.fill("#name", name)
        page.click("#who button[type=submit]")
        page.wait_for_selector("#photo:not([hidden])")


def barriers(page: Any, axe: str, *, all_impacts: bool = False, only: str = "") -> list[str]:
    """Return what the checker calls serious or critical, or all it finds, on the page as it is.

    `axe` is its script, `only` the one rule to check instead of all.
    """
    if not page.evaluate("Boolean(window.axe)"):
        page.evaluate(axe)
    # what passes is not looked up and sent over: half of the time
    how: dict[str, Any] = {"resultTypes": ["violations"]} | ({"runOnly": [only]} if only else {})
    found = page.evaluate("(how) => axe.run(document, how).then((found) => found.violations)", how)
    return [
        f"{fault['id']}: {fault['nodes'][0]['html'][:120]}"
        for fault in found
        if all_impacts or fault["impact"] in {"serious", "critical"}
    ]


def axe_source() -> str:
    """Return the accessibility checker's script, or skip with the reason."""
    named = os.environ.get("AXE_CORE")
    places = [Path(named)] if named else []
    places += [Path(__file__).parent.parent / "node_modules/axe-core/axe.min.js"]
    for place in places:
        if place.is_file():
            return place.read_text(encoding="utf-8")
    pytest.skip("no axe-core here: npm install axe-core, and name its axe.min.js in AXE_CORE")
