"""The contact sheet in real Chromium, at phone and laptop size, from the disk."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browser import LAPTOP, PHONE, chromium, page_on
from sheet_trial import Drawn, draw_trial

from counting.review.corrections import take_corrections
from counting.review.sheet import make_sheet

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


def states(page: Any, where: str = "#stage") -> list[str]:
    """Return the states of the marks drawn, in their order."""
    return page.eval_on_selector_all(
        f"{where} .mark", "marks => marks.map(mark => mark.dataset.state)"
    )


def middle(page: Any, mark: int, where: str = "#stage") -> tuple[float, float]:
    """Return where on the screen a mark's middle lies."""
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


def press(page: Any, kind: dict[str, Any], x: float, y: float) -> None:
    """Tap on a phone, click on a laptop."""
    (page.touchscreen.tap if kind is PHONE else page.mouse.click)(x, y)
    page.wait_for_timeout(50)


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
