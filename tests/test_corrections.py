"""Corrections files: what fits is taken in whole, what does not is refused whole, in one line."""

from __future__ import annotations

import copy
import json
import shutil
import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sheet_trial import Drawn, draw_trial
from typer.testing import CliRunner

from counting.cli import app
from counting.errors import CorrectionsError
from counting.plan.trial import Trial, load_trial
from counting.review.corrections import take_corrections
from counting.review.document import LARGEST_BYTES, parse
from counting.review.sheet import make_sheet

AT = "2026-07-02T10:00:00.000Z"


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = draw_trial(tmp_path_factory.mktemp("drawn") / "trial", Drawn(plants=2, size=(400, 300)))
    make_sheet(made)
    return made.directory


@pytest.fixture
def trial(drawn: Path, tmp_path: Path) -> Trial:
    return load_trial(Path(shutil.copytree(drawn, tmp_path / "trial")))


def a_document(trial: Trial, reviewer: str = "Ana", at: str = AT) -> dict[str, Any]:
    """Return corrections that confirm every candidate proposed on the trial's sheet."""
    with trial.ledger() as ledger:
        sheet = next(iter(ledger.standing("sheet"))).body
        proposals = {entry.key: entry.body for entry in ledger.standing("proposal")}
    photos = []
    for row in sheet["photos"]:
        marks = [
            {
                "mark": number,
                "candidate": candidate["candidate"],
                "x": round(candidate["x"], 1),
                "y": round(candidate["y"], 1),
                "width": round(candidate["width"], 1),
                "height": round(candidate["height"], 1),
                "state": "confirmed",
                "truss": None,
                "twin": "",
                "small": False,
            }
            for number, candidate in enumerate(proposals[row["photo"]]["candidates"])
            if candidate["confidence"] >= 0.5
        ]
        photos.append(
            {
                **row,
                "at": at,
                "answer": "counted",
                "count": len(marks),
                "seconds": 4.5,
                "clicks": 1,
                "marks": marks,
            }
        )
    return {
        "format": "counting corrections",
        "version": 1,
        "trial": trial.plan.id,
        "sheet": sheet["sheet"],
        "reviewer": reviewer,
        "saved_at": at,
        "photos": photos,
    }


def write(path: Path, document: Any) -> Path:
    path.write_text(json.dumps(document), encoding="utf-8")
    return path


def entries(trial: Trial) -> list[Any]:
    with trial.ledger() as ledger:
        return [(entry.key, entry.by, entry.body) for entry in ledger.entries("confirmation")]


def test_a_file_is_taken_in_with_the_reviewer_as_its_author(trial: Trial, tmp_path: Path) -> None:
    document = a_document(trial)
    taken = take_corrections(trial, [write(tmp_path / "a.json", document)])
    assert (taken.files, taken.new, taken.again, taken.reviewers) == (1, 4, 0, ("Ana",))
    for key, by, body in entries(trial):
        assert by == "Ana"
        assert key == f"{body['photo']}|Ana"
        assert set(body) == {
            "photo",
            "proposal",
            "sheet",
            "reviewer",
            "at",
            "answer",
            "count",
            "seconds",
            "clicks",
            "marks",
        }


def test_the_same_file_twice_changes_nothing(trial: Trial, tmp_path: Path) -> None:
    file = write(tmp_path / "a.json", a_document(trial))
    take_corrections(trial, [file])
    before = (trial.directory / "ledger.sqlite").read_bytes(), entries(trial)
    again = take_corrections(trial, [file])
    assert (again.new, again.again) == (0, 4)
    assert entries(trial) == before[1]


def test_the_files_of_two_reviewers_are_both_kept(trial: Trial, tmp_path: Path) -> None:
    files = [
        write(tmp_path / f"{name}.json", a_document(trial, reviewer=name)) for name in ("Ana", "Bo")
    ]
    assert take_corrections(trial, files).new == 8
    assert {by for _, by, _ in entries(trial)} == {"Ana", "Bo"}


def test_a_newer_answer_of_the_same_reviewer_supersedes(trial: Trial, tmp_path: Path) -> None:
    take_corrections(trial, [write(tmp_path / "a.json", a_document(trial))])
    newer = a_document(trial, at="2026-07-03T10:00:00.000Z")
    newer["photos"][0]["marks"][0]["state"] = "removed"
    newer["photos"][0]["count"] -= 1
    assert take_corrections(trial, [write(tmp_path / "b.json", newer)]).new == 4
    with trial.ledger() as ledger:
        stands = ledger.get("confirmation", f"{newer['photos'][0]['photo']}|Ana")
    assert stands is not None
    assert stands.body["count"] == 5


def test_times_are_compared_as_times_and_not_as_text(trial: Trial, tmp_path: Path) -> None:
    take_corrections(
        trial, [write(tmp_path / "a.json", a_document(trial, at="2026-07-02T10:00:00+02:00"))]
    )
    later = write(tmp_path / "b.json", a_document(trial, at="2026-07-02T09:30:00Z"))
    assert take_corrections(trial, [later]).new == 4


def _first(document: dict[str, Any]) -> dict[str, Any]:
    return document["photos"][0]


def _mark(document: dict[str, Any]) -> dict[str, Any]:
    return document["photos"][0]["marks"][0]


SHA = "ab" * 32
FAULTS = {
    "another trial": (lambda d: d.update(trial="other-trial"), "for trial 'other-trial'"),
    "another sheet": (lambda d: d.update(sheet="ffffffffff"), "was never made here"),
    "an unknown photo": (lambda d: _first(d).update(photo=SHA), "is not on the sheet"),
    "unknown candidates": (lambda d: _first(d).update(proposal=SHA), "did not show"),
    "a candidate never proposed": (lambda d: _mark(d).update(candidate=77), "no candidate 77"),
    "a negative place": (lambda d: _mark(d).update(x=-1), "photos 1, marks 1, x"),
    "a place off the photo": (lambda d: _mark(d).update(x=5000), "outside the photo"),
    "a negative count": (lambda d: _first(d).update(count=-1), "photos 1, count"),
    "a count that does not add up": (lambda d: _first(d).update(count=5), "6 marks count"),
    "a broken count": (lambda d: _first(d).update(count=5.5), "photos 1, count"),
    "a count as text": (lambda d: _first(d).update(count="6"), "photos 1, count"),
    "no width": (lambda d: _mark(d).update(width=0), "photos 1, marks 1, width"),
    "not a number": (lambda d: _mark(d).update(x=float("nan")), "NaN is no number"),
    "infinite": (lambda d: _mark(d).update(y=float("inf")), "Infinity is no number"),
    "an unknown state": (lambda d: _mark(d).update(state="maybe"), "photos 1, marks 1, state"),
    "an unknown field": (lambda d: _mark(d).update(note="x"), "photos 1, marks 1, note"),
    "two marks of one number": (lambda d: _mark(d).update(mark=1), "same number"),
    "one candidate twice": (lambda d: _mark(d).update(candidate=1), "same candidate"),
    "a photo twice": (lambda d: d["photos"].append(_first(d)), "there twice"),
    "no reviewer": (lambda d: d.update(reviewer="  "), "reviewer"),
    "a reviewer with a bar": (lambda d: d.update(reviewer="A|B"), "reviewer"),
    "a reviewer with a line break": (lambda d: d.update(reviewer="A\nB"), "reviewer"),
    "a time without offset": (lambda d: _first(d).update(at="2026-07-02T10:00:00"), "offset"),
    "a time that lies ahead": (lambda d: _first(d).update(at="2199-01-01T00:00:00Z"), "ahead"),
    "no time at all": (lambda d: _first(d).update(at="yesterday"), "photos 1, at"),
    "a twin in the same photo": (
        lambda d: _mark(d).update(twin=f"{_first(d)['photo']}:1"),
        "no photo of the same plant",
    ),
    "a twin in no photo": (lambda d: _mark(d).update(twin=f"{SHA}:1"), "no photo of the same"),
    "another version": (lambda d: d.update(version=2), "version"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_file_with_a_fault_is_refused_in_one_line_and_nothing_is_written(
    trial: Trial, tmp_path: Path, fault: str
) -> None:
    spoil, words = FAULTS[fault]
    document = copy.deepcopy(a_document(trial))
    spoil(document)
    file = write(tmp_path / "a.json", document)
    with pytest.raises(CorrectionsError) as caught:
        take_corrections(trial, [file])
    assert str(caught.value).startswith(str(file))
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)
    assert entries(trial) == []


def test_a_twin_names_a_mark_of_the_other_side_of_the_plant(trial: Trial, tmp_path: Path) -> None:
    document = a_document(trial)
    with trial.ledger() as ledger:
        plants = {entry.key: entry.body["plant"] for entry in ledger.standing("photo")}
    first = document["photos"][0]
    plant = plants[first["photo"]]
    other = next(p for p in document["photos"][1:] if plants[p["photo"]] == plant)
    stranger = next(p for p in document["photos"] if plants[p["photo"]] != plant)
    other["marks"][2]["twin"] = f"{first['photo']}:3"
    assert take_corrections(trial, [write(tmp_path / "a.json", document)]).new == 4
    for twin, words in ((f"{stranger['photo']}:3", "same plant"), (f"{first['photo']}:99", "99")):
        other["marks"][2]["twin"] = twin
        with pytest.raises(CorrectionsError, match=words):
            take_corrections(trial, [write(tmp_path / "b.json", document)])


def test_an_older_answer_never_displaces_a_newer_one_and_the_others_are_taken(
    trial: Trial, tmp_path: Path
) -> None:
    early, late = "2026-07-01T10:00:00Z", "2026-07-03T10:00:00Z"
    take_corrections(trial, [write(tmp_path / "new.json", a_document(trial))])
    other = a_document(trial, at=early)
    other["photos"][1]["at"] = late
    other["photos"][1]["seconds"] = 9.5
    taken = take_corrections(trial, [write(tmp_path / "other.json", other)])
    count = len(other["photos"])
    assert (taken.new, taken.again, taken.older) == (1, 0, count - 1)
    stands = {key: body["at"] for key, _, body in entries(trial)}
    assert sorted(stands.values()) == [AT] * (count - 1) + [late]


def test_a_clock_a_day_ahead_does_not_shut_the_same_reviewers_other_device_out(
    trial: Trial, tmp_path: Path
) -> None:
    ahead = (datetime.now(UTC) + timedelta(hours=23)).isoformat()
    now = datetime.now(UTC).isoformat()
    take_corrections(trial, [write(tmp_path / "ahead.json", a_document(trial, at=ahead))])
    right = a_document(trial, at=(datetime.now(UTC) + timedelta(seconds=2)).isoformat())
    assert take_corrections(trial, [write(tmp_path / "right.json", right)]).new == 4
    behind = a_document(trial, at=now)
    assert take_corrections(trial, [write(tmp_path / "behind.json", behind)]).older == 4


def test_an_answer_that_tells_of_zone_and_sight_is_kept_whole(trial: Trial, tmp_path: Path) -> None:
    document = a_document(trial)
    told = {"seen": True, "zone": [[10.0, 0.0, 12.5, 300.0], [300.0, 0.0, 310.0, 300.0]]}
    document["photos"][0] |= told
    document["photos"][0]["marks"][0]["state"] = "elsewhere"
    document["photos"][0]["count"] -= 1
    take_corrections(trial, [write(tmp_path / "a.json", document)])
    bodies = {key: body for key, _, body in entries(trial)}
    body = bodies[f"{document['photos'][0]['photo']}|Ana"]
    assert {name: body[name] for name in told} == told
    assert body["marks"][0]["state"] == "elsewhere"
    plain = bodies[f"{document['photos'][1]['photo']}|Ana"]
    assert {"seen", "zone", "device", "number"} & set(plain) == set()


def test_a_photo_that_changed_on_disk_is_refused(trial: Trial, tmp_path: Path) -> None:
    file = write(tmp_path / "a.json", a_document(trial))
    photo = next((trial.directory / "photos").rglob("*.jpg"))
    photo.write_bytes(photo.read_bytes() + b"\0")
    with pytest.raises(CorrectionsError, match="changed since"):
        take_corrections(trial, [file])
    assert entries(trial) == []


BROKEN = {
    "empty": b"",
    "half": b'{"format": "counting corrections", "ver',
    "not UTF-8": b"\xff\xfe\x00{",
    "a list": b"[]",
    "a number": b"17",
    "deep": b"[" * 200_000,
    "another format": b'{"format": "something else"}',
    "bytes of a photo": b"\xff\xd8\xff\xe0" + b"\0" * 64,
}


@pytest.mark.parametrize("kind", BROKEN)
def test_what_is_no_corrections_file_is_refused(trial: Trial, tmp_path: Path, kind: str) -> None:
    file = tmp_path / "a.json"
    file.write_bytes(BROKEN[kind])
    with pytest.raises(CorrectionsError) as caught:
        take_corrections(trial, [file])
    assert "\n" not in str(caught.value)


def test_a_huge_file_is_refused_unread(trial: Trial, tmp_path: Path) -> None:
    file = tmp_path / "a.json"
    with file.open("wb") as stream:
        stream.truncate(LARGEST_BYTES + 1)
    with pytest.raises(CorrectionsError, match="too large"):
        take_corrections(trial, [file])


def test_a_file_with_a_byte_order_mark_is_read(trial: Trial, tmp_path: Path) -> None:
    file = tmp_path / "a.json"
    file.write_bytes(b"\xef\xbb\xbf" + json.dumps(a_document(trial)).encode())
    assert take_corrections(trial, [file]).new == 4


def test_one_bad_file_among_good_ones_is_left_out_and_listed(trial: Trial, tmp_path: Path) -> None:
    good = write(tmp_path / "good.json", a_document(trial))
    bad = write(tmp_path / "bad.json", {"format": "counting corrections"})
    missing = tmp_path / "missing.json"
    taken = take_corrections(trial, [bad, good, missing])
    assert (taken.files, taken.new) == (1, 4)
    assert [refusal.item for refusal in taken.refused] == [str(bad), str(missing)]


def test_the_command_says_what_it_took_and_leaves_with_the_right_code(
    trial: Trial, tmp_path: Path
) -> None:
    runner = CliRunner()
    good = write(tmp_path / "good.json", a_document(trial))
    bad = write(tmp_path / "bad.json", {})
    done = runner.invoke(app, ["confirm", str(trial.directory), str(good)])
    assert done.exit_code == 0
    assert "4 answers taken in from Ana" in done.output
    some = runner.invoke(app, ["confirm", str(trial.directory), str(good), str(bad)])
    assert some.exit_code == 1
    none = runner.invoke(app, ["confirm", str(trial.directory), str(bad), str(bad)])
    assert none.exit_code == 2


def test_photos_confirmed_in_a_blink_are_taken_in_with_a_caution(
    trial: Trial, tmp_path: Path
) -> None:
    document = a_document(trial)
    assert take_corrections(trial, [write(tmp_path / "a.json", document)]).caution == ""
    for photo in document["photos"]:
        photo |= {"seconds": 0.3, "at": "2026-07-02T11:00:00.000Z"}
    file = write(tmp_path / "b.json", document)
    done = CliRunner().invoke(app, ["confirm", str(trial.directory), str(file)])
    assert done.exit_code == 0
    assert "4 answers taken in from Ana" in done.output
    assert "faster than a person can look" in done.output
    assert "Ana 4 of 4" in " ".join(done.output.split())


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
        lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner),
        max_leaves=12,
    )
)
@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow], deadline=None)
def test_whatever_stands_in_the_file_it_is_refused_politely(value: Any) -> None:
    wrapped = {"format": "counting corrections", "version": 1, "photos": value}
    with pytest.raises(CorrectionsError):
        parse(json.dumps(wrapped).encode(), "a.json")


def test_a_disk_that_refuses_half_way_leaves_nothing(
    trial: Trial, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from counting.errors import LedgerError
    from counting.ledger import Ledger

    file = write(tmp_path / "a.json", a_document(trial))
    whole = Ledger._append_one
    done: list[str] = []

    def failing(self: Ledger, kind: str, key: str, body: str, *, by: str) -> bool:
        if len(done) == 2:
            raise sqlite3.OperationalError("disk full")
        done.append(key)
        return whole(self, kind, key, body, by=by)

    monkeypatch.setattr(Ledger, "_append_one", failing)
    with pytest.raises(LedgerError):
        take_corrections(trial, [file])
    assert entries(trial) == []
