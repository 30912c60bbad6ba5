"""Photos shared out among volunteers with a known overlap."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sheet_trial import Drawn, draw_trial
from typer.testing import CliRunner

from counting.cli import app
from counting.errors import CountingError
from counting.review.assign import assign, shares
from counting.review.frames import Frame


def a_frame(plant: int, side: int) -> Frame:
    return Frame(
        photo=f"{plant:04d}{side}".ljust(64, "0"),
        file="",
        width=1,
        height=1,
        survey="2026-07-01",
        plant=str(plant),
        group="",
        side=str(side),
        truss=None,
        proposal="",
        candidates=(),
        shown=frozenset(),
        flags=(),
        card=(),
    )


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.integers(1, 4), min_size=1, max_size=40),
    st.integers(1, 6),
    st.floats(0, 1),
    st.integers(0, 99),
)
def test_every_photo_is_given_out_once_or_to_all_and_plants_stay_whole(
    sides, volunteers, overlap, seed
):
    listed = [a_frame(plant, side) for plant, n in enumerate(sides) for side in range(n)]
    common, own = shares(listed, volunteers, overlap, seed)
    given_out = common + [photo for each in own for photo in each]
    assert sorted(given_out) == sorted(frame.photo for frame in listed)
    assert overlap * len(listed) - 1e-6 <= len(common) < overlap * len(listed) + 4
    for each in [common, *own]:
        plants = {photo[:4] for photo in each}
        assert len(each) == sum(sides[int(plant)] for plant in plants)
    sizes = [len(each) for each in own]
    assert max(sizes) - min(sizes) <= 4
    assert shares(listed[::-1], volunteers, overlap, seed) == (common, own)


def test_each_volunteer_gets_a_sheet_of_their_own_with_the_overlap_on_all(tmp_path: Path):
    trial = draw_trial(tmp_path / "trial", Drawn(plants=6, sides=("a", "b"), size=(400, 300)))
    done = assign(trial, ["Ana", "Bo", "Cy"], overlap=0.15)
    assert len(done.common) == 2
    assert [made.photos for made in done.sheets] == [6, 6, 4]
    with trial.ledger() as ledger:
        bodies = [ledger.get("sheet", made.sheet).body for made in done.sheets]
    assert [body["reviewer"] for body in bodies] == ["Ana", "Bo", "Cy"]
    listed = [{row["photo"] for row in body["photos"]} for body in bodies]
    assert set.intersection(*listed) == set(done.common)
    assert len(set.union(*listed)) == 12


def test_the_command_takes_a_number_and_a_percentage(tmp_path: Path):
    trial = draw_trial(tmp_path / "trial", Drawn(plants=4, sides=("a",), size=(400, 300)))
    command = ["assign", str(trial.directory), "--reviewers", "2", "--overlap", "50%"]
    done = CliRunner().invoke(app, [*command, "--json", "-"])
    assert done.exit_code == 0
    result = json.loads(done.stdout)
    assert len(result["common"]) == 2
    assert [each["photos"] for each in result["sheets"]] == [3, 3]
    assert len({each["file"] for each in result["sheets"]}) == 2


@pytest.mark.parametrize(
    ("reviewers", "overlap", "words"),
    [
        (0, 0.1, "no volunteer"),
        (["Ana", "Ana"], 0.1, "twice"),
        (["A|B"], 0.1, "sign"),
        (2, 1.5, "share from 0"),
        (9, 0.0, "too few"),
    ],
)
def test_what_cannot_be_shared_out_is_refused(tmp_path: Path, reviewers, overlap, words):
    trial = draw_trial(tmp_path / "trial", Drawn(plants=2, sides=("a",), size=(400, 300)))
    with pytest.raises(CountingError, match=words):
        assign(trial, reviewers, overlap=overlap)
