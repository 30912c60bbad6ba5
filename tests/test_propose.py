"""Candidates for a whole trial: all photos, once, however often it is stopped."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from at_work import dies_on_the_third, fails_on_the_third
from trials import SURVEY, Beds, confirm, drawn, make_trial
from tries import tries
from typer.testing import CliRunner

from counting.cli import app
from counting.errors import Refusal
from counting.finding.proposal import finder_version, repeat
from counting.finding.propose import propose
from counting.finding.uncertain import SHARE
from counting.flags import Flag
from counting.ledger.facts import photos, proposals, settings_of
from counting.photos.intake import take_in
from counting.photos.workers import Job, on_cores
from counting.plan.trial import load_trial
from counting.report.counts import making
from counting.review.frames import doubtful, frames
from counting.settings import Settings
from counting.tables import CANDIDATES

FAST = Settings(stages=("colour",))


def photographed(directory, photos=4, fruit=3):
    """Return a trial with drawn photos taken in."""
    trial = make_trial(directory, Beds(2, 1, -(-photos // 4)))
    for number, code in enumerate(trial.plants["code"][:photos]):
        path = directory / "photos" / SURVEY / code / "path.png"
        path.parent.mkdir(parents=True)
        drawn(fruit + number % 3, seed=number).save(path)
    taken = take_in(trial, [directory / "photos"])
    assert len(taken.taken) == photos, taken.refused
    return trial


def bodies(trial, kind="proposal"):
    with trial.ledger() as ledger:
        return {entry.key: entry.body for entry in ledger.standing(kind)}


def entries(trial):
    with trial.ledger() as ledger:
        return list(ledger.entries("proposal"))


def plain(body):
    return {name: value for name, value in body.items() if name != "seconds"}


def test_every_photo_gets_candidates_with_their_settings_and_version(tmp_path):
    trial = photographed(tmp_path)
    done = propose(trial, FAST)
    assert (done.new, done.standing, done.refused) == (4, 0, ())
    for photo, body in bodies(trial).items():
        assert body["photo"] == photo
        assert body["settings"] == FAST.hash == settings_of(body["settings_text"]).hash
        assert body["version"] == finder_version()
        assert (body["width"], body["height"]) == (320, 240)
        for row in body["candidates"]:
            assert sorted(row) == sorted(set(CANDIDATES) - {"photo"})
        sure = [row["confidence"] for row in body["candidates"]]
        assert sure == sorted(sure, reverse=True)
    assert done.fruit == sum(body["proposed"] for body in bodies(trial).values())


def test_a_second_run_does_nothing_and_other_settings_do_it_again(tmp_path):
    trial = photographed(tmp_path)
    propose(trial, FAST)
    again = propose(trial, FAST)
    assert (again.new, again.standing) == (0, 4)
    assert len(entries(trial)) == 4
    other = propose(trial, Settings(stages=("colour",), threshold=0.7))
    assert (other.new, other.standing) == (4, 0)


def test_the_crop_of_the_plan_decides_the_colours_and_another_one_judges_them_anew(tmp_path):
    trial = photographed(tmp_path)
    pears = replace(trial, plan=trial.plan.model_copy(update={"crop": "Pears"}))
    propose(pears, FAST)
    assert {body["crop"] for body in bodies(trial).values()} == {"pear"}
    assert propose(pears, FAST).standing == 4
    assert propose(trial, FAST).new == 4
    seen = {row["colour"] for body in bodies(trial).values() for row in body["candidates"]}
    assert "red" in seen
    assert {body["crop"] for body in bodies(trial).values()} == {"tomato"}


def test_one_and_two_workers_give_the_same_candidates(tmp_path):
    one, two = photographed(tmp_path / "one"), photographed(tmp_path / "two")
    propose(one, Settings(), workers=1)
    propose(two, Settings(), workers=2)
    assert {photo: plain(body) for photo, body in bodies(one).items()} == {
        photo: plain(body) for photo, body in bodies(two).items()
    }


def test_unreadable_missing_and_changed_photos_are_named_and_the_rest_is_done(tmp_path):
    trial = photographed(tmp_path)
    files = sorted(body["file"] for body in bodies(trial, "photo").values())
    (tmp_path / files[0]).write_bytes(b"")
    (tmp_path / files[1]).unlink()
    drawn(9, seed=99).save(tmp_path / files[2])
    done = propose(trial, FAST)
    assert done.new == 1
    assert [Path(refusal.item).as_posix() for refusal in done.refused] == [
        (tmp_path / file).as_posix() for file in files[:3]
    ]
    reasons = [refusal.reason for refusal in done.refused]
    assert "empty" in reasons[0]
    assert "not found" in reasons[1]
    assert "other bytes" in reasons[2]


def test_confirmed_photos_keep_the_candidates_they_were_confirmed_from(tmp_path):
    trial = photographed(tmp_path)
    propose(trial, FAST)
    photo = sorted(bodies(trial))[0]
    confirm(trial, photo, 3)
    before = bodies(trial)[photo]
    done = propose(trial, Settings(stages=("colour",), threshold=0.7))
    assert (done.new, done.confirmed) == (3, 1)
    assert bodies(trial)[photo] == before


def test_photos_left_out_of_the_trial_get_no_candidates(tmp_path):
    trial = photographed(tmp_path)
    with trial.ledger() as ledger:
        photo = next(ledger.standing("photo")).key
        ledger.append("exclusion", photo, {"reason": "blurred"}, by="test")
    assert propose(trial, FAST).new == 3
    assert photo not in bodies(trial)


def test_a_photo_of_one_truss_gives_all_its_fruit_that_truss(tmp_path):
    trial = photographed(tmp_path, 1)
    with trial.ledger() as ledger:
        entry = next(ledger.standing("photo"))
        ledger.append("photo", entry.key, entry.body | {"truss": 3}, by="test")
    propose(trial, FAST)
    (body,) = bodies(trial).values()
    assert body["candidates"]
    assert {row["truss"] for row in body["candidates"]} == {3}


def test_the_same_version_and_settings_find_the_same_again(tmp_path):
    trial = photographed(tmp_path, 2)
    propose(trial, Settings())
    with trial.ledger() as ledger:
        taken, made = photos(ledger), proposals(ledger)
    for photo, proposal in made.items():
        again = repeat(tmp_path / taken[photo].file, taken[photo], proposal)
        assert replace(again, seconds=None) == replace(proposal, seconds=None)


def test_a_trial_without_photos_is_a_normal_answer(tmp_path):
    trial = make_trial(tmp_path)
    done = propose(trial, FAST)
    assert (done.new, done.fruit, done.refused) == (0, 0, ())


def test_progress_is_told_photo_by_photo(tmp_path):
    told = []
    propose(photographed(tmp_path), FAST, progress=lambda *at: told.append(at))
    assert told == [(1, 4), (2, 4), (3, 4), (4, 4)]


def test_the_command_says_what_it_did_and_what_comes_next(tmp_path):
    photographed(tmp_path)
    run = CliRunner().invoke(app, ["propose", str(tmp_path), "--stages", "colour", "--json", "-"])
    assert run.exit_code == 0, run.output
    assert json.loads(run.stdout)["new"] == 4
    assert "fruit on 4 photos" in run.stderr
    assert "counting sheet" in run.stderr


def test_what_all_photos_share_is_said_once_and_at_most_three_in_ten_are_flagged(tmp_path):
    trial = photographed(tmp_path, photos=4)
    asked = ["propose", str(tmp_path), "--stages", "colour", "--json", "-"]
    told = CliRunner().invoke(app, asked)
    done = json.loads(told.stdout)
    assert done["to_review"] == 4
    assert "neighbours" in done["shared"]
    assert told.stderr.count(Flag.NEIGHBOURS.sentence) == 1
    assert "only the worst" not in told.stderr
    faults = sum(body["proposed"] == 0 for body in bodies(trial).values())
    assert done["to_look_at"] - faults <= SHARE * 4
    assert done["to_look_at"] == len(doubtful(frames(trial)))
    for photo in list(bodies(trial))[:3]:
        confirm(trial, photo, 3)
    assert json.loads(CliRunner().invoke(app, asked).stdout)["to_review"] == 1


def test_a_trial_whose_counts_are_mostly_uncertain_is_told_so_once(tmp_path, monkeypatch):
    photographed(tmp_path, photos=2)
    monkeypatch.setattr("counting.finding.candidates._WIDE_LEAST", 0)
    monkeypatch.setattr("counting.finding.candidates._WIDE", 0.0)
    told = CliRunner().invoke(app, ["propose", str(tmp_path), "--stages", "colour"]).stderr
    assert told.count("uncertain on 2 of the 2 photos to review") == 1
    assert Flag.WIDE_INTERVAL.sentence not in told


def test_a_crop_the_finder_was_never_measured_on_is_told_of_once(tmp_path):
    photographed(tmp_path, photos=1)
    plan = tmp_path / "trial.toml"
    plan.write_text(plan.read_text().replace('crop = "tomato"', 'crop = "cucumber"'))
    run = CliRunner().invoke(app, ["propose", str(tmp_path), "--stages", "colour"])
    assert run.exit_code == 0, run.output
    assert run.stderr.count("never measured on cucumber") == 1


def test_a_quick_look_is_kept_with_the_proposals_and_told(tmp_path):
    trial = photographed(tmp_path)
    asked = ["propose", str(tmp_path), "--stages", "scorer", "--quick", "--json", "-"]
    run = CliRunner().invoke(app, asked)
    assert run.exit_code == 0, run.output
    assert json.loads(run.stdout)["quick"] is True
    with trial.ledger() as ledger:
        settings = [e.body["settings_text"] for e in ledger.standing("proposal")]
        told = " ".join(making(ledger).sentences())
    assert [text["quick"] for text in settings] == [True] * 4
    assert "4 photos were looked at quickly" in told
    assert propose(trial, Settings(stages=("scorer",))).new == 4


@pytest.mark.parametrize("work", [dies_on_the_third, fails_on_the_third])
def test_a_photo_that_breaks_its_worker_is_named_and_all_others_are_done_once(work):
    jobs = [Job(str(number), Path(f"{number}.jpg")) for number in range(12)]
    outcomes = [(job.key, result) for job, result in on_cores(work, jobs, 2)]
    done = sorted((key for key, result in outcomes if key == result), key=int)
    assert done == [str(number) for number in range(12) if number != 3]
    (broken,) = [result for key, result in outcomes if key == "3"]
    assert isinstance(broken, Refusal)
    assert broken.item == "3.jpg"


# without the guard that scripts with processes usually need
SCRIPT = """
import sys
from pathlib import Path
from counting.finding.propose import propose
from counting.finding.uncertain import SHARE
from counting.flags import Flag
from counting.plan.trial import load_trial
from counting.settings import Settings
propose(load_trial(Path(sys.argv[1])), Settings(stages=("colour",)), workers=int(sys.argv[2]))
print("once")
"""


def test_a_plain_script_is_not_run_again_by_the_workers(tmp_path):
    trial = photographed(tmp_path / "trial")
    script = tmp_path / "run.py"
    script.write_text(SCRIPT)
    command = [sys.executable, str(script), str(trial.directory), "2"]
    ran = subprocess.run(command, capture_output=True, text=True, check=True, timeout=120)
    assert ran.stdout == "once\n"
    assert len(bodies(trial)) == 4


def _killed(trial, script, workers, after):
    """Run propose in a process of its own and kill it; return whether it was still at work."""
    command = [sys.executable, str(script), str(trial.directory), str(workers)]
    process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    try:
        process.communicate(timeout=after)
    except subprocess.TimeoutExpired:
        process.send_signal(signal.SIGKILL)
        process.communicate()
        return True
    assert process.returncode == 0
    return False


@pytest.mark.slow
def test_killed_with_two_workers_it_goes_on_where_it_stopped(tmp_path):
    trial = photographed(tmp_path / "trial", 24)
    script = tmp_path / "run.py"
    script.write_text(SCRIPT)
    rng = np.random.default_rng(20260701)
    kills = 0
    for _ in range(tries(2, 4)):
        kills += _killed(trial, script, 2, float(rng.uniform(1, 4)))
        written = entries(trial)
        assert len({entry.key for entry in written}) == len(written)
    assert kills
    propose(load_trial(trial.directory), FAST)
    assert len(entries(trial)) == 24
    assert set(bodies(trial)) == set(bodies(trial, "photo"))


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc").is_dir(), reason="looks at processes in /proc")
def test_a_killed_command_leaves_no_worker_behind(tmp_path):
    trial = photographed(tmp_path / "trial", 24)
    script = tmp_path / "run.py"
    script.write_text(SCRIPT)
    command = [sys.executable, str(script), str(trial.directory), "2"]
    process = subprocess.Popen(command)
    try:
        workers = _until(lambda: _children(process.pid), 30)
    finally:
        process.kill()
        process.wait()
    assert _until(lambda: not any(Path(f"/proc/{pid}/cwd").exists() for pid in workers), 20)


def _children(pid):
    listed = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    names = {child: Path(f"/proc/{child}/cmdline").read_text() for child in listed}
    workers = [child for child, name in names.items() if "spawn_main" in name]
    return workers if len(workers) == 2 else []


def _until(question, seconds):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if answer := question():
            return answer
        time.sleep(0.05)
    return question()
