"""A trial's own threshold and calibration."""

from __future__ import annotations

import dataclasses
from dataclasses import asdict

import numpy as np
import pytest
from test_propose import bodies, photographed
from trials import make_trial
from typer.testing import CliRunner

from counting.cli import app
from counting.errors import CountingError
from counting.finding.propose import propose
from counting.finding.tune import LEAST_PHOTOS, confirmed_photos, fit, tune, tuned_settings
from counting.ledger.facts import Tuning
from counting.settings import Settings

SETTINGS = Settings(stages=("colour",), threshold=0.5)


def _candidates(chances):
    return [
        {
            "candidate": number,
            "x": 50.0 * number,
            "y": 50.0,
            "width": 30.0,
            "height": 30.0,
            "confidence": float(chance),
            "flags": [],
        }
        for number, chance in enumerate(chances)
    ]


def _mark(number, row, state="confirmed", candidate=True):
    return {
        "mark": number,
        "candidate": row["candidate"] if candidate else None,
        **{name: row[name] for name in ("x", "y", "width", "height")},
        "state": state,
        "truss": None,
        "twin": "",
        "small": False,
    }


def _write(ledger, photo, chances, fruit, settings=SETTINGS, extra=0):
    """Write a proposal and the answer of a person who judged every ring and added the rest."""
    rows = _candidates(chances)
    text = asdict(settings) | {"stages": list(settings.stages)}
    proposal = {"photo": photo, "candidates": rows, "settings_text": text, "stages": text["stages"]}
    ledger.append("proposal", photo, proposal, by="test")
    marks = []
    for row, true in zip(rows, fruit, strict=True):
        if row["confidence"] >= settings.threshold:
            marks.append(_mark(len(marks), row, "confirmed" if true else "removed"))
        elif true:
            marks.append(_mark(len(marks), row, "added", candidate=False))
    for number in range(extra):
        far = {"x": 9000.0, "y": 99.0 * number, "width": 9.0, "height": 9.0}
        marks.append(_mark(len(marks), far, "added", candidate=False))
    answer = {
        "photo": photo,
        "proposal": ledger.get("proposal", photo).hash,
        "reviewer": "first reviewer",
        "at": "2026-07-01T18:00:00+00:00",
        "answer": "counted",
        "marks": marks,
    }
    ledger.append("confirmation", f"{photo}|first reviewer", answer, by="first reviewer")


def _trial_with(directory, photos, *, shift=0.0, seed=1):
    """Return a trial whose fruit have the log-odds that the finder says, plus `shift`."""
    trial = make_trial(directory)
    rng = np.random.default_rng(seed)
    with trial.ledger() as ledger:
        for number in range(photos):
            odds = rng.normal(0, 2.5, 25)
            fruit = rng.random(25) < 1 / (1 + np.exp(-(odds + shift)))
            _write(ledger, f"{number:064d}", 1 / (1 + np.exp(-odds)), fruit)
    return trial


def test_fewer_than_eight_confirmed_photos_are_refused(tmp_path):
    trial = _trial_with(tmp_path, LEAST_PHOTOS - 1)
    with trial.ledger() as ledger, pytest.raises(CountingError, match="at least 8"):
        tune(ledger, SETTINGS, "here")
    with trial.ledger() as ledger:
        assert ledger.get("tuning", "tuning") is None


def test_confidences_that_are_too_low_are_raised_and_corrections_become_fewer(tmp_path):
    trial = _trial_with(tmp_path, 20, shift=1.5)
    with trial.ledger() as ledger:
        tuned = tune(ledger, SETTINGS, "here")
        standing = ledger.get("tuning", "tuning")
    assert tuned.stored
    assert tuned.after.offset == pytest.approx(1.5, abs=0.5)
    for name in ("corrections_per_100", "log_loss", "count_mae"):
        before, after = tuned.gain[name]
        assert after < before
    assert standing.body["threshold"] == tuned.after.threshold
    assert standing.body["gain"] == tuned.gain
    assert len(standing.body["origin"]["photos"]) == 20
    assert standing.body["origin"]["reviewers"] == ["first reviewer"]
    assert tuned_settings(SETTINGS, Tuning.of_body(standing.body))[0] == tuned.after


def test_numbers_that_fit_already_hardly_move(tmp_path):
    trial = _trial_with(tmp_path, 40)
    with trial.ledger() as ledger:
        tuned = tune(ledger, SETTINGS, "here")
    assert tuned.after.slope == pytest.approx(1, abs=0.25)
    assert tuned.after.offset == pytest.approx(0, abs=0.35)
    before, after = tuned.gain["corrections_per_100"]
    assert after <= before


def test_what_does_not_help_on_photos_left_out_is_not_stored(tmp_path):
    trial = make_trial(tmp_path)
    with trial.ledger() as ledger:
        for number in range(12):
            # perfect already: nothing can help
            _write(ledger, f"{number:064d}", [0.9999, 0.9999, 0.0001], [True, True, False])
        tuned = tune(ledger, SETTINGS, "here")
        standing = ledger.get("tuning", "tuning")
    assert (standing is not None) == tuned.stored
    before, after = tuned.gain["corrections_per_100"]
    assert before == after == 0


def test_tuning_again_starts_from_the_untuned_confidences(tmp_path):
    trial = _trial_with(tmp_path, 20, shift=1.5)
    with trial.ledger() as ledger:
        first = tune(ledger, SETTINGS, "here")
        for number in range(20, 40):
            rng = np.random.default_rng(number)
            odds = rng.normal(0, 2.5, 25)
            fruit = rng.random(25) < 1 / (1 + np.exp(-(odds + 1.5)))
            said = 1 / (1 + np.exp(-(first.after.slope * odds + first.after.offset)))
            _write(ledger, f"{number:064d}", said, fruit, settings=first.after)
        second = tune(ledger, SETTINGS, "here")
    assert second.photos == 40
    assert second.after.offset == pytest.approx(1.5, abs=0.5)


def test_added_fruit_take_the_candidate_below_the_threshold_that_shows_them(tmp_path):
    trial = make_trial(tmp_path)
    with trial.ledger() as ledger:
        _write(ledger, "a" * 64, [0.9, 0.8, 0.3, 0.1], [True, False, True, False], extra=2)
        (photo,) = confirmed_photos(ledger, ("colour",))
    assert photo.fruit.tolist() == [True, False, True, False]
    assert photo.missed == 2
    assert photo.count == 4
    assert photo.odds[0] == pytest.approx(np.log(9))


def test_photos_found_with_other_stages_do_not_count(tmp_path):
    trial = _trial_with(tmp_path, 12)
    with trial.ledger() as ledger:
        assert confirmed_photos(ledger, ("scorer",)) == []
        assert tuned_settings(Settings(stages=("scorer",)), None) == (
            Settings(stages=("scorer",)),
            None,
        )


def test_moving_the_threshold_along_proposes_the_same_fruit(tmp_path):
    trial = _trial_with(tmp_path, 15, shift=1)
    with trial.ledger() as ledger:
        photos = confirmed_photos(ledger, ("colour",))
    fitted = fit(photos, SETTINGS, cut=False)
    for photo in photos:
        after = 1 / (1 + np.exp(-(fitted.slope * photo.odds + fitted.offset)))
        before = 1 / (1 + np.exp(-photo.odds))
        assert ((after >= fitted.threshold) == (before >= SETTINGS.threshold)).mean() > 0.99


def test_later_proposals_use_the_trial_s_own_numbers_and_say_so(tmp_path):
    trial = photographed(tmp_path, 2)
    stages = ("colour",)
    plain = propose(trial, Settings(stages=stages))
    assert plain.tuning is None
    calibration = {"slope": 1.0, "offset": 1.0, "fruit_spread": 1.0, "stages": list(stages)}
    origin = {"photos": ["a"] * 12, "reviewers": ["x"], "at": "2026-07-01T18:00:00+00:00"}
    body = {"threshold": 0.6, "calibration": calibration, "origin": origin, "gain": {}}
    before = bodies(trial)
    with trial.ledger() as ledger:
        ledger.append("tuning", "tuning", body, by="test")
    done = propose(trial, Settings(stages=stages))
    assert done.new == 2
    assert done.tuning.to_body() == body
    assert done.settings == dataclasses.replace(Settings(stages=stages), threshold=0.6, offset=1.0)
    for photo, after in bodies(trial).items():
        assert after["settings_text"]["offset"] == 1.0
        for old, new in zip(before[photo]["candidates"], after["candidates"], strict=False):
            assert new["confidence"] > min(old["confidence"], 0.9998)
    run = CliRunner().invoke(app, ["propose", str(tmp_path), "--stages", "colour"])
    assert "own threshold (0.60)" in run.stderr
    assert "12 confirmed photos" in run.stderr
    untuned = CliRunner().invoke(app, ["propose", str(tmp_path), "--stages", "colour", "--untuned"])
    assert "own threshold" not in untuned.stderr


def test_the_command_says_what_changed_and_the_gain(tmp_path):
    trial = _trial_with(tmp_path, 15, shift=1.5)
    with trial.ledger() as ledger:
        assert ledger.get("tuning", "tuning") is None
    run = CliRunner().invoke(app, ["propose", str(tmp_path), "--stages", "colour", "--tune"])
    assert run.exit_code == 0, run.output
    assert "Tuned on 15 confirmed photos by 1 reviewer" in run.stderr
    assert "offset of the log-odds: 0 -> 1" in run.stderr
    assert "corrections per 100 fruit" in run.stderr
