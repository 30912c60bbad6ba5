"""A grower at the desk: clicks, types and drops, and counts what it took."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

__all__ = ["Grower", "check_all"]


@dataclass
class Grower:
    """Works on a page by what it shows.

    Attributes
    ----------
    page : Page
    clicks, typed : int
        What it took so far; a choice in a list is a click, choosing or dropping files one each.
    """

    page: Any
    clicks: int = 0
    typed: int = 0

    def click(self, what: str) -> None:
        self.page.click(what)
        self.clicks += 1

    def type(self, field: str, text: str) -> None:
        self.page.fill(field, text)
        self.typed += 1

    def choose(self, field: str, option: str) -> None:
        self.page.select_option(field, option)
        self.clicks += 1

    def bring(self, files: list[Path] | list[dict[str, Any]]) -> None:
        self.page.set_input_files("#files", files)
        self.clicks += 1

    def says(self) -> str:
        """Return the page's words without the line that names the commands."""
        return str(self.page.inner_text("main"))


def check_all(grower: Grower, photos: int) -> None:
    """Confirm every photo of the sheet as proposed; the review's own clicks are not counted."""
    page = grower.page
    page.wait_for_selector("html[data-ready=yes]")
    page.click("#begin")
    page.fill("#name", "Ana")
    page.click("#who button[type=submit]")
    for _ in range(photos):
        page.wait_for_timeout(150)
        page.click("#next")
    page.wait_for_selector("#kicker[data-saved]:visible")
    page.wait_for_function("() => document.querySelector('#kicker').dataset.saved === 'Saved'")
