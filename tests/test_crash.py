"""Killed at any moment, or with no space left: the ledger opens with every confirmed count."""

import json
import resource
import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pandas as pd
import pytest
from killing import CAMERA, FAST, WORK, lives, run
from trials import SURVEY, Beds, draw_photo, make_trial
from tries import tries

from counting.finding.propose import propose
from counting.ledger import Ledger, verify
from counting.photos.intake import take_in
from counting.plan.trial import Trial, load_trial
from counting.records.observations import observations

pytestmark = pytest.mark.slow

KILLS = tries(20, 100)
"""Of each of the four commands."""
PHOTOS = 8
REVIEWERS = ("r1", "r2", "r3", "r4")
SEAL = ".ledger.seal."
"""Of a seal that is being written."""
KINDS = ("photo", "proposal", "confirmation", "observation")


def photographed(folder: Path) -> Trial:
    """Make a trial with a folder of photos beside it, none taken in yet."""
    trial = make_trial(folder / "trial", Beds(2, 1, -(-PHOTOS // 4)))
    with trial.ledger() as ledger:
        ledger.append("event", "begun", {}, by="test")
    for number, code in enumerate(trial.plants["code"][:PHOTOS]):
        draw_photo(folder / CAMERA / SURVEY / code / "path.jpg", 2 + number % 4, seed=number)
    return trial


def prepared(folder: Path, name: str) -> Path:
    """Make the folder that a command begins from."""
    trial = photographed(folder)
    if name == "take-in":
        return folder
    take_in(trial, [folder / CAMERA])
    shutil.rmtree(folder / CAMERA)
    if name in ("propose", "confirm"):
        save_corrections(trial, all_photos=name == "confirm")
    if name == "propose":
        WORK["confirm"](trial.directory, lambda _: None)
    if name == "tally":
        save_tallies(trial)
    return folder


def save_corrections(trial: Trial, *, all_photos: bool) -> None:
    """Propose on all photos or on two, put them on a sheet, and save what reviewers answer."""
    saved = trial.directory / "saved"
    saved.mkdir()
    with trial.ledger() as ledger:
        photos = [entry.key for entry in ledger.standing("photo")]
        if not all_photos:
            later = [("exclusion", photo, {"reason": "later"}) for photo in photos[2:]]
            ledger.append_many(later, by="test")
    propose(trial, FAST, workers=1)
    with trial.ledger() as ledger:
        if not all_photos:
            back = {"reason": "later", "lifted": True}
            ledger.append_many([("exclusion", photo, back) for photo in photos[2:]], by="test")
        proposals = list(ledger.standing("proposal"))
        shown = [{"photo": entry.key, "proposal": entry.hash} for entry in proposals]
        ledger.append("sheet", "s1", {"sheet": "s1", "photos": shown}, by="test")
    for number, reviewer in enumerate(REVIEWERS):
        answers = [answer(entry.key, entry.hash, 2 + number) for entry in proposals]
        document = {
            "format": "counting corrections",
            "version": 1,
            "trial": trial.plan.id,
            "sheet": "s1",
            "reviewer": reviewer,
            "saved_at": f"{SURVEY}T18:30:00+00:00",
            "photos": answers,
        }
        (saved / f"{reviewer}.json").write_text(json.dumps(document), encoding="utf-8")


def answer(photo: str, proposal: str, count: int) -> dict:
    place = {"x": 10.0, "y": 10.0, "width": 8.0, "height": 8.0}
    mark = {**place, "candidate": None, "state": "added", "truss": None, "twin": "", "small": False}
    return {
        "photo": photo,
        "proposal": proposal,
        "at": f"{SURVEY}T18:00:00+00:00",
        "answer": "counted",
        "count": count,
        "seconds": 4.0,
        "clicks": count,
        "marks": [{**mark, "mark": number, "x": 10.0 + number} for number in range(count)],
    }


def save_tallies(trial: Trial) -> None:
    saved = trial.directory / "saved"
    saved.mkdir()
    for number, counter in enumerate(REVIEWERS):
        rows = [f"{SURVEY},{code},{counter},{3 + number}" for code in trial.plants["code"]]
        text = "survey,plant,by,fruit\n" + "\n".join(rows) + "\n"
        (saved / f"{counter}.csv").write_text(text, encoding="utf-8")


def facts(trial: Path) -> dict:
    """Return what stands in the ledger, but for the times things took."""
    with Ledger(trial) as ledger:
        return {
            (kind, entry.key): {k: v for k, v in entry.body.items() if k not in ("seconds", "at")}
            for kind in KINDS
            for entry in ledger.standing(kind)
        }


def observed(trial: Path) -> pd.DataFrame:
    """Return the observations, but for the times they were written."""
    with Ledger(trial) as ledger:
        return observations(load_trial(trial), ledger).drop(columns="at")


def files(trial: Path) -> dict[str, bytes]:
    """Return the photos and whatever else lies beside them or half written in the folder."""
    listed = [path for path in (trial / "photos").rglob("*") if path.is_file()]
    listed += [path for path in trial.iterdir() if path.name.startswith(".")]
    return {path.relative_to(trial).as_posix(): path.read_bytes() for path in listed}


@pytest.mark.parametrize("name", [name for name in WORK if name != "back-up"])
def test_killed_at_any_moment_it_goes_on_to_the_same_end(tmp_path, name):
    template = prepared(tmp_path / "template", name)
    whole = tmp_path / "undisturbed"
    shutil.copytree(template, whole)
    assert run(name, whole / "trial").done
    expected, expected_files = facts(whole / "trial"), files(whole / "trial")
    table = observed(whole / "trial")
    before = facts(template / "trial")
    assert len(expected) > len(before)

    def check(trial: Path, told: set[str]) -> None:
        """What was confirmed, and what was said to be written, is there; nothing is twice."""
        with Ledger(trial) as ledger:
            assert ledger.pragma("quick_check") == [("ok",)]
            written = Counter((entry.kind, entry.key) for entry in ledger.entries())
        assert {n for (kind, _), n in written.items() if kind in KINDS} <= {1}
        assert verify(trial).faults == ()
        now = facts(trial)
        assert before.items() <= now.items() <= expected.items()
        sources = Counter(key[1].rpartition("|")[2] for key in now if key[0] in KINDS[2:])
        assert told <= set(sources)
        if told:  # each file wholly or not at all
            assert len({sources[word] for word in told}) == 1

    def finished(trial: Path) -> None:
        assert facts(trial) == expected
        found = verify(trial)
        left = files(trial)
        if found.remarks:  # the seal that was being written when it was killed; the next clears it
            left = {name: data for name, data in left.items() if not name.startswith(SEAL)}
        assert left == expected_files
        assert observed(trial).equals(table)
        assert found.faults == ()
        # a life that found all done writes nothing, and who writes nothing does not seal
        assert all("after the seal" in remark for remark in found.remarks)

    assert lives(name, template, KILLS, check, finished, seed=20260601) >= KILLS


def check_full(trial: Path, output: str) -> None:
    accepted, message = output.splitlines()
    assert "nothing was written" in message or "cannot be used" in message
    with Ledger(trial) as ledger:
        keys = {entry.key for entry in ledger.entries("event")}
    assert {f"{number}-{part}" for number in range(int(accepted)) for part in range(5)} <= keys
    assert len(keys) % 5 == 0
    assert verify(trial).faults == ()
    with Ledger(trial) as ledger:
        assert ledger.append("event", "afterwards", {}, by="test")
    assert verify(trial).faults == ()


def run_fill(trial: Path, **options) -> str:
    code = f"from pathlib import Path; from filling import fill; fill(Path({str(trial)!r}))"
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        timeout=120,
        cwd=Path(__file__).parent,
        **options,
    )
    assert "Traceback" not in done.stderr
    return done.stdout


@pytest.mark.parametrize("limit", [60_000, 150_000, 600_000])
def test_a_file_that_cannot_grow_keeps_what_was_written(tmp_path, limit):
    trial = make_trial(tmp_path / "trial")

    def narrow():
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    check_full(trial.directory, run_fill(trial.directory, preexec_fn=narrow))


def test_a_full_file_system_keeps_what_was_written(tmp_path):
    small = tmp_path / "small"
    small.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=400k", "tmpfs", str(small)], capture_output=True
    )
    if mounted.returncode:
        pytest.skip("a small file system can only be mounted by root")
    try:
        trial = make_trial(small / "trial")
        output = run_fill(trial.directory)
        # room again, as after deleting other files
        subprocess.run(["mount", "-o", "remount,size=4m", str(small)], check=True)
        check_full(trial.directory, output)
    finally:
        subprocess.run(["umount", str(small)], check=True)
