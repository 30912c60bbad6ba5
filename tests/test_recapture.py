"""Capture and recapture: two views of one side, and the share of fruit that neither shows."""

import json
import re
from pathlib import Path

import httpx
import numpy as np
import pytest
from commanded import counting
from hypothesis import given
from hypothesis import strategies as st
from sheet_trial import Drawn, draw_trial
from test_desk import served

from counting.analysis.recapture import recapture
from counting.errors import CountingError
from counting.ledger.facts import Answer, Mark, photos
from counting.plan.trial import Trial
from counting.records.observations import observations
from counting.records.two_views import two_views
from counting.report.keeping.audit import audit


def test_the_estimate_is_chapmans_on_a_published_lake():
    # Dahl's trout of 1919: 109 marked, 177 caught, 57 of them marked (Krebs, Ecological
    # Methodology, ch. 2, from memory; by hand: 110 * 178 / 58 - 1)
    told = recapture(109, 177, 57)
    assert told.number == pytest.approx(336.586, abs=0.001)
    # Seber 1970, by hand: sqrt(110 * 178 * 52 * 120 / (58^2 * 59))
    assert told.se == pytest.approx(24.811, abs=0.001)
    assert told.unseen == pytest.approx((336.586 - 229) / 336.586, abs=1e-5)


@given(st.integers(0, 60), st.integers(0, 60), st.integers(0, 60))
def test_the_share_on_neither_lies_in_its_interval(first: int, second: int, both: int):
    if both > min(first, second):
        with pytest.raises(CountingError, match="at most as many on both"):
            recapture(first, second, both)
        return
    told = recapture(first, second, both)
    assert 0 <= told.low <= told.unseen <= told.high < 1
    assert told.number >= first + second - both - 1e-9
    if both == min(first, second):
        assert told.unseen == 0


def test_on_average_the_number_is_right_and_the_interval_holds_where_views_are_independent():
    rng = np.random.default_rng(5)
    fruit, told, held = 60, [], 0
    for _ in range(400):
        one, other = rng.random((2, fruit)) < [[0.7], [0.75]]
        each = recapture(int(one.sum()), int(other.sum()), int((one & other).sum()))
        told.append(each.number)
        missed = 1 - (one | other).mean()
        held += each.low <= missed <= each.high
    assert np.mean(told) == pytest.approx(fruit, rel=0.01)
    assert held / 400 >= 0.88  # Chao's interval is of the number, not of this draw


def judged(trial: Trial, seen: dict[str, list[int]]) -> None:
    """Confirm the photos of the first plant: which of its ten fruit each side shows."""
    with trial.ledger() as ledger:
        mine = sorted(
            (each for each in photos(ledger).values() if each.plant == "P1"),
            key=lambda each: each.side,
        )
        first = mine[0].photo
        facts = []
        for photo in mine:
            shown = seen[photo.side]
            marks = tuple(
                Mark(
                    mark=number,
                    candidate=None,
                    x=50.0 * number,
                    y=50.0,
                    width=20.0,
                    height=20.0,
                    state="added",
                    twin=f"{first}:{number}"
                    if photo.photo != first and number in seen[mine[0].side]
                    else "",
                )
                for number in shown
            )
            facts.append(Answer(photo.photo, "Ana", "", "2026-07-20T10:00:00+00:00", "counted",
                                len(marks), marks))  # fmt: skip
        ledger.add(facts, by="test")


def test_two_views_of_one_side_are_told_beside_the_calibration_and_never_in_it(tmp_path: Path):
    trial = draw_trial(tmp_path / "trial", Drawn(plants=2, sides=("path", "path 2")))
    judged(trial, {"path": [1, 2, 3, 4, 5, 6, 7, 8], "path 2": [3, 4, 5, 6, 7, 8, 9]})
    with trial.ledger() as ledger:
        told = two_views(trial, ledger)
    assert [(each.plants, each.first, each.second, each.both) for each in told] == [(1, 8, 7, 6)]
    out = counting("calibrate", trial.directory)
    assert out.code == 0
    assert "two views of one side of 1 plant show 8 and 7 fruit, 6 of them on both" in out.out
    assert "Fewer than 7 on both" in out.out
    body = json.loads(counting("calibrate", trial.directory, "--json", "-").out)
    assert list(body) == ["two_views"]
    assert body["two_views"][0]["number"] == pytest.approx(9 * 8 / 7 - 1)


def test_opposite_sides_are_no_two_views_of_one(tmp_path: Path):
    trial = draw_trial(tmp_path / "trial", Drawn(plants=2, sides=("path", "wall")))
    judged(trial, {"path": [1, 2, 3], "wall": [3, 4]})
    with trial.ledger() as ledger:
        assert two_views(trial, ledger) == []
    assert counting("calibrate", trial.directory).code == 2


def test_views_of_one_side_without_a_linked_fruit_are_not_added_up(tmp_path: Path):
    trial = draw_trial(tmp_path / "trial", Drawn(plants=2, sides=("path", "path 2")))
    judged(trial, {"path": [1, 2, 3], "path 2": [4, 5]})
    with trial.ledger() as ledger:
        (row,) = observations(trial, ledger).to_dict("records")
    assert row["value"] is None or np.isnan(row["value"])
    assert "path and path 2 show one side, and no fruit" in row["note"]
    judged(trial, {"path": [1, 2, 3], "path 2": [3, 4]})
    with trial.ledger() as ledger:
        (row,) = observations(trial, ledger).to_dict("records")
    assert (row["value"], row["note"]) == (4.0, "")


def test_report_and_desk_show_what_two_views_saw_beside_the_share_seen(tmp_path: Path):
    trial = draw_trial(tmp_path / "shelf" / "vines", Drawn(plants=2, sides=("path", "path 2")))
    judged(trial, {"path": [1, 2, 3, 4, 5, 6, 7, 8], "path 2": [3, 4, 5, 6, 7, 8, 9]})
    assert counting("report", trial.directory).code == 0
    page = (trial.directory / "report.html").read_text("utf-8")
    part = page[page.index("<h3>Two views of one side</h3>") :].split("</table>")[0]
    assert "seen with the same chance, from each place anew" in part
    cells = re.findall(r'data-of="on [^"]*"[^>]*>([^<]*)', part)
    assert [cell.replace("\N{NO-BREAK SPACE}", " ") for cell in cells] == [
        *("2", "1", "6", "3 % (too few)"),
    ]
    checks = audit(trial.directory, proposals="none").checks
    assert [each.faults for each in checks if each.name == "report"] == [()]
    with (
        served(trial.directory.parent) as link,
        httpx.Client(base_url=link, timeout=60) as client,
    ):
        told = client.get("t/vines/answer").text
    assert "show 8 and 7 fruit, 6 of them on both" in told
