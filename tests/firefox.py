"""Real Firefox for the tests of the pages; where there is none, they say so and are skipped."""

from __future__ import annotations

import gc
import os
import shutil
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import pytest

__all__ = ["Pages", "firefox"]

_LONGEST_S = 60.0
"""A loaded machine starts Firefox in 20 s."""
_NARROWEST = 500
"""Width of its narrowest window, px."""


class Pages:
    """A window of Firefox, asked as the tests ask Chromium's pages.

    Parameters
    ----------
    driver : Marionette
        Its session.
    """

    def __init__(self, driver: Any) -> None:
        from marionette_driver import By
        from marionette_driver.errors import StaleElementException
        from marionette_driver.wait import Wait

        self.driver = driver
        self._by = By
        gone = (StaleElementException,)  # another page came meanwhile
        # a wait has one end, set when it is made: each thing waited for has its own
        self._waiting = partial(
            Wait, driver, timeout=_LONGEST_S, interval=0.1, ignored_exceptions=gone
        )

    def resize(self, width: int, height: int) -> None:
        """Give the page a size in its own px; below what a window may have it is drawn larger."""
        zoom = max(1.0, _NARROWEST / width)
        with self.driver.using_context("chrome"):
            self.run("gBrowser.selectedBrowser.fullZoom = arguments[0]", zoom)
        frame = self.run("return [outerWidth - innerWidth, outerHeight - innerHeight]")
        self.driver.set_window_rect(
            width=round((width + frame[0]) * zoom), height=round((height + frame[1]) * zoom)
        )
        self.wait_for(f"Math.abs(innerWidth - {width}) < 3")

    def goto(self, address: str) -> None:
        """Open an address."""
        self.driver.navigate(address)

    def run(self, script: str, *given: Any) -> Any:
        """Return what a script of the page returns."""
        return self.driver.execute_script(script, script_args=given, sandbox=None)

    def check(self, axe: str) -> list[dict[str, Any]]:
        """Return what the accessibility checker, given as its script, finds wrong."""
        run = "axe.run(document, {resultTypes: ['violations']})"
        script = f"{axe}; {run}.then((found) => arguments[0](found.violations));"
        found: list[dict[str, Any]] = self.driver.execute_async_script(script, sandbox=None)
        return found

    def wait_for(self, script: str) -> None:
        """Wait until a script of the page returns something true."""
        self._waiting().until(lambda _: self.run(f"return {script}"), message=script)

    def seen(self, selector: str) -> Any:
        """Wait until something that fits shows, and return it."""
        return self._shown(self._by.CSS_SELECTOR, selector)

    def _shown(self, by: Any, what: str) -> Any:
        def found(driver: Any) -> Any:
            shown = (each for each in driver.find_elements(by, what) if each.is_displayed())
            return next(shown, None)

        return self._waiting().until(found, message=what)

    def click(self, selector: str) -> None:
        """Press what fits, as a finger or a mouse does."""
        self.seen(selector).click()

    def press(self, words: str) -> None:
        """Press the link or button with these words."""
        kinds = "self::a or self::button or self::summary"
        self._shown(self._by.XPATH, f"//*[{kinds}][normalize-space()='{words}']").click()

    def fill(self, selector: str, text: str) -> None:
        """Type into an empty field."""
        field = self.seen(selector)
        field.clear()
        field.send_keys(text)

    def choose(self, selector: str, *files: Path) -> None:
        """Choose files in a file field, which may be hidden behind its button."""
        field = self.driver.find_element(self._by.CSS_SELECTOR, selector)
        field.send_keys("\n".join(map(str, files)))

    def text(self, selector: str = "main") -> str:
        """Return the words that show there."""
        return str(self.seen(selector).text)


@contextmanager
def firefox(folder: Path) -> Iterator[Pages]:
    """Start the system's Firefox without a screen, or skip with the reason.

    Parameters
    ----------
    folder : Path
        For its profile and what it writes down.
    """
    reason = "marionette_driver is not installed"
    marionette = pytest.importorskip("marionette_driver.marionette", reason=reason)
    path = os.environ.get("FIREFOX") or shutil.which("firefox-esr") or shutil.which("firefox")
    if path is None:
        pytest.skip("no Firefox here: apt-get install firefox-esr, or name one in FIREFOX")
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    driver = marionette.Marionette(
        bin=path,
        port=port,
        headless=True,
        gecko_log=str(folder / "firefox.log"),
        workspace=str(folder),
        prefs={
            "browser.zoom.siteSpecific": False,
            "browser.download.folderList": 2,  # the folder named next
            "browser.download.dir": str(folder),
        },
        startup_timeout=_LONGEST_S,
    )
    try:
        driver.start_session()
        yield Pages(driver)
    finally:
        driver.quit(in_app=False)
        driver.cleanup()
        gc.collect()  # while it still can, the driver takes its profile away
