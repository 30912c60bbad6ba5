"""The page's scripts: what is imported is there, in an order without circles, and nothing leaks."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from browser import LAPTOP, chromium
from sheet_trial import Drawn, draw_trial

import counting
from counting.flags import Flag
from counting.review.build import ENTRY, LANGUAGES, read_part, texts
from counting.review.modules import inlined, order
from counting.review.sheet import make_sheet

PAGE = Path(counting.__file__).parent / "review" / "page"
SCRIPTS = sorted(path.relative_to(PAGE).as_posix() for path in PAGE.rglob("*.js"))


def test_every_script_is_reached_from_the_one_that_starts_the_page() -> None:
    assert sorted(order(ENTRY, read_part)) == SCRIPTS


def test_a_script_comes_after_all_that_it_imports() -> None:
    listed = order(ENTRY, read_part)
    for place, path in enumerate(listed):
        folder = (PAGE / path).parent
        for other in re.findall(r"^(?:import|\}).* from '([^']+)';$", read_part(path), re.M):
            needed = (folder / other).resolve().relative_to(PAGE.resolve()).as_posix()
            assert listed.index(needed) < place


@pytest.mark.parametrize("path", SCRIPTS)
def test_a_script_stays_within_400_lines(path: str) -> None:
    assert len(read_part(path).splitlines()) <= 400


def test_the_order_follows_the_imports_through_folders() -> None:
    made = {
        "a/one.js": "import { two } from '../b/two.js';\nexport const one = two + 1;\n",
        "b/two.js": "export const two = 2;\n",
        "start.js": "import { one } from './a/one.js';\nwindow.sum = one;\n",
    }
    assert order("start.js", made.__getitem__) == ["b/two.js", "a/one.js", "start.js"]


def test_a_name_that_nobody_exports_is_refused_with_both_files() -> None:
    made = {
        "start.js": "import { gone } from './part.js';\n",
        "part.js": "export const there = 1;\n",
    }
    with pytest.raises(ValueError, match=r"start\.js imports gone, which part\.js"):
        order("start.js", made.__getitem__)


def test_scripts_that_import_each_other_are_refused() -> None:
    made = {
        "start.js": "import { a } from './a.js';\n",
        "a.js": "import { b } from './b.js';\nexport const a = 1;\n",
        "b.js": "import { a } from './a.js';\nexport const b = 1;\n",
    }
    with pytest.raises(ValueError, match="import each other"):
        order("start.js", made.__getitem__)


@pytest.mark.parametrize(
    "line", ["export default 3;", "export let x = 1;", "import * as all from './part.js';"]
)
def test_a_form_that_cannot_be_joined_is_refused(line: str) -> None:
    with pytest.raises(ValueError, match=r"start\.js: .* can be joined"):
        inlined("start.js", {"start.js": f"{line}\n"}.__getitem__)


def test_the_page_leaves_nothing_on_the_window(tmp_path: Path) -> None:
    path = make_sheet(draw_trial(tmp_path / "trial", Drawn(plants=2, size=(200, 150))))
    with chromium() as browser:
        context = browser.new_context(**LAPTOP)
        page = context.new_page()
        blank = tmp_path / "blank.html"
        blank.write_text("<!doctype html>", encoding="utf-8")
        page.goto(blank.as_uri())
        bare = set(page.evaluate("Object.getOwnPropertyNames(window)"))
        page.goto(path.as_uri())
        page.wait_for_selector("html[data-ready=yes]")
        held = set(page.evaluate("Object.getOwnPropertyNames(window)"))
        # an element with an id is a name of the window by itself
        ids = set(page.evaluate("[...document.querySelectorAll('[id]')].map((each) => each.id)"))
        assert held - bare - ids == set()
        context.close()


def _shape(text: str | dict[str, str]) -> tuple[set[str], set[str]]:
    """Return the forms of a text (one, other) and the values that it names."""
    forms = {"": text} if isinstance(text, str) else text
    named = {name for each in forms.values() for name in re.findall(r"\{(\w+)\}", each)}
    return set(forms), named


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_language_has_every_text_with_the_same_values(language: str) -> None:
    english, other = texts()["en"], texts()[language]
    told = {key for key in other if not key.startswith(("flag ", "word "))}
    assert told == set(english)
    for key, text in english.items():
        assert _shape(other[key]) == _shape(text), key


def test_spanish_has_a_sentence_and_a_word_for_every_flag_of_a_photo() -> None:
    candidates = {Flag.AT_EDGE, Flag.TOO_SMALL_TO_COUNT, Flag.NEAR_LIMIT}
    of_photos = set(Flag) - candidates - {Flag.SIZE_RELATIVE}
    for flag in of_photos:
        assert {f"flag {flag.value}", f"word {flag.value}"} <= set(texts()["es"])


def test_every_text_is_used_and_every_text_used_is_there() -> None:
    code = "\n".join(read_part(path) for path in SCRIPTS) + read_part("sheet.html")
    for key in texts()["en"]:
        if not key.startswith("state "):  # named by the state of a mark
            assert f"'{key}'" in code or f'"{key}"' in code, key
    used = set(re.findall(r"\bt\('([^']+)'", code))
    used |= set(re.findall(r'data-(?:text|label)="([^"]+)"', code))
    assert used <= set(texts()["en"])
