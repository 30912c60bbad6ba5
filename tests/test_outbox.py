"""The outbox sends much in pieces: a thousand photos with 42 marks each reach the ledger."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from browser import PHONE, chromium
from sheet_trial import Drawn, draw_trial
from test_corrections import a_document
from test_live import served

from counting.ledger.facts import all_answers

PHOTOS, MARKS = 60, 42
"""1,000 photos pass too, by hand: see by-hand.md."""
PIECE_BYTES = 200_000


def with_marks(answer: dict[str, Any], many: int) -> dict[str, Any]:
    """Return an answer to which a person added fruit until there were so many."""
    (first,) = answer["marks"]
    added = [
        {**first, "mark": n, "candidate": None, "state": "added", "x": 2.0 * n, "y": 1.5 * n}
        for n in range(1, many)
    ]
    return {**answer, "marks": [first, *added], "count": many}


def sent_through(folder: Path, photos: int, marks: int) -> tuple[list[int], list[Any]]:
    """Put an answer for each photo into a browser's outbox at once, while the desk is away; then
    let it come back. Return the size of each batch that the desk took, and the answers it holds.
    """
    drawn = Drawn(plants=photos, sides=("a",), size=(160, 120), fruit=1, faint=0)
    trial = draw_trial(folder / "trial", drawn)
    script = files("counting.review").joinpath("page", "work", "outbox.js").read_text("utf-8")
    sizes: list[int] = []
    with served(trial) as link, chromium() as browser:
        whole = a_document(trial)
        documents = [{**whole, "photos": [with_marks(each, marks)]} for each in whole["photos"]]
        context = browser.new_context(**PHONE, bypass_csp=True)
        context.set_default_timeout(300_000)
        page = context.new_page()
        page.on(
            "response",
            lambda reply: (
                sizes.append(len(reply.request.post_data)) if "save" in reply.url else None
            ),
        )
        page.goto(link)
        context.set_offline(True)
        page.add_script_tag(content=f"{script}\nwindow.makeOutbox = makeOutbox;", type="module")
        page.wait_for_function("() => Boolean(window.makeOutbox)")
        page.evaluate(
            """async ({ address, documents }) => {
              window.box = makeOutbox({ box: 'test', address, format: 'counting answers' });
              await window.box.open();
              const put = (each) => window.box.put(each.photos[0].photo, each);
              await Promise.all(documents.map(put));
            }""",
            {"address": f"{link}save", "documents": documents},
        )
        assert page.evaluate("window.box.stand().waiting.length") == photos
        context.set_offline(False)
        page.wait_for_function("() => window.box.stand().clear")
        context.close()
    with trial.ledger() as ledger:
        return sizes, list(all_answers(ledger))


@pytest.mark.slow
def test_many_photos_with_many_marks_are_sent_in_pieces_and_all_arrive(tmp_path: Path) -> None:
    sizes, answers = sent_through(tmp_path, PHOTOS, MARKS)
    assert len(answers) == len({each.photo for each in answers}) == PHOTOS
    assert {each.count for each in answers} == {MARKS}
    assert len(sizes) > 1
    assert max(sizes) < 1.1 * PIECE_BYTES
