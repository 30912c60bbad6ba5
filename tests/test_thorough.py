"""A thorough lesson: weights of a trial's own, used only where they help, told and audited."""

from __future__ import annotations

import importlib.util
import shutil

import numpy as np
import pytest
from test_accuracy import _write as written
from test_propose import photographed
from trials import confirm_rings
from typer.testing import CliRunner

from counting.accuracy.labels import read_labels
from counting.accuracy.learnt import Drawn, learnt_from
from counting.accuracy.measure import measure
from counting.cli import app
from counting.errors import CountingError
from counting.files import sha256_file
from counting.finding.lesson import learn as learn_module
from counting.finding.lesson import thorough as thorough_module
from counting.finding.lesson.fit import LEAST_PHOTOS
from counting.finding.lesson.glance import glance_at_reviewed
from counting.finding.lesson.learn import due, learn_trial, outgrown, repeat_lesson, settings_with
from counting.finding.lesson.thorough import PARTS, learn_thoroughly
from counting.finding.propose import propose
from counting.finding.stages.scorer import WEIGHTS
from counting.ledger.facts import glances, lessons, photos, proposals
from counting.plan.trial import load_trial
from counting.report.keeping.audit import audit
from counting.settings import Settings

onnx = pytest.importorskip("onnx")
SCORER = Settings.with_stages("scorer")


def _surer(by):
    """Return the weights that ship, surer of every fruit: as if photos had taught them so."""
    from importlib.resources import files

    model = onnx.load_from_string(files("counting.finding.stages").joinpath(WEIGHTS).read_bytes())
    (bias,) = [each for each in model.graph.initializer if each.name == "scorer.outputs.bias"]
    values = onnx.numpy_helper.to_array(bias).copy()
    values[0] += by
    bias.CopyFrom(onnx.numpy_helper.from_array(values, bias.name))
    return model.SerializeToString()


def _tune(photos, progress):
    assert all(len(photo.boxes) for photo in photos)
    progress(1, 2)
    progress(2, 2)
    return _surer(0.5 + len(photos) / 100)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Make the folder of a trial whose photos but the last are confirmed as proposed."""
    folder = tmp_path_factory.mktemp("thorough") / "trial"
    trial = photographed(folder, LEAST_PHOTOS + 1)
    propose(trial, SCORER)
    with trial.ledger() as ledger:
        for photo, made in list(proposals(ledger).items())[:-1]:
            confirm_rings(ledger, photo, made, made.counted)
        glance_at_reviewed(trial, ledger, SCORER, {photo.survey for photo in taken(ledger)})
    return folder


@pytest.fixture
def trial(made, tmp_path):
    shutil.copytree(made, tmp_path, dirs_exist_ok=True)
    return load_trial(tmp_path)


@pytest.fixture
def helpful(monkeypatch):
    for module in (thorough_module, learn_module):
        monkeypatch.setattr(module, "helps", lambda at_once, thorough: True)


def taken(ledger):
    return photos(ledger).values()


def test_weights_that_help_are_kept_used_named_and_audited(trial, tmp_path, helpful):
    told = []
    with trial.ledger() as ledger:
        (learnt,) = learn_thoroughly(
            trial, ledger, SCORER, _tune, progress=lambda *each: told.append(each)
        )
        lesson = lessons(ledger)[learnt.lesson.survey]
        assert lesson == learnt.lesson
        assert told[-1] == (2 * (PARTS + 1), 2 * (PARTS + 1))
        assert sorted(told) == told
        (file,) = (tmp_path / "lessons").iterdir()
        assert sha256_file(file) == lesson.weights
        assert set(lesson.thorough) == set(lesson.gain)
        seen = glances(ledger)
        by_halves = [key for key in seen if key[2] == lesson.weights]
        assert {photo for photo, *_ in by_halves} == set(lesson.photos)
        again = repeat_lesson(ledger, lesson)
        assert (again.threshold, again.slope) == (lesson.threshold, lesson.slope)
        assert due(ledger, SCORER.stages) == []
        before = proposals(ledger)
    assert not propose(trial, SCORER).refused
    with trial.ledger() as ledger:
        made = proposals(ledger)
        waiting = (made.keys() - set(lesson.photos)).pop()
        assert {each for each in made if made[each] == before[each]} == set(lesson.photos)
        assert made[waiting].made_with == settings_with(SCORER, lesson, lesson.survey)
        assert made[waiting].made_with.weights == lesson.weights
        plain, own = (
            np.array([each.confidence for each in told.candidates[:3]])
            for told in (before[waiting], made[waiting])
        )
        assert (plain != own).any()
    found = audit(tmp_path, proposals="all")
    assert [fault for each in found.checks for fault in each.faults] == []


def test_weights_that_are_gone_or_others_are_told(trial, tmp_path, helpful):
    with trial.ledger() as ledger:
        learn_thoroughly(trial, ledger, SCORER, _tune)
    (file,) = (tmp_path / "lessons").iterdir()
    kept = file.read_bytes()
    file.write_bytes(kept + b"\n")
    with pytest.raises(CountingError, match=f"{file.name}.*other bytes.*--as-shipped"):
        propose(trial, SCORER)
    faults = [fault for each in audit(tmp_path, proposals="none").checks for fault in each.faults]
    assert [fault.sentence for fault in faults] == [
        f"its weights are others: {file.name} in lessons"
    ]
    file.unlink()
    with pytest.raises(CountingError, match=f"{file.name}.*missing"):
        propose(trial, SCORER)
    done = propose(trial, SCORER, as_shipped=True)
    assert not done.refused
    assert not done.settings.weights


def test_weights_that_do_not_help_are_not_kept_and_it_says_so(trial, tmp_path):
    with trial.ledger() as ledger:
        (learnt,) = learn_thoroughly(trial, ledger, SCORER, _tune)
        (plain,) = learn_trial(trial, ledger, SCORER)
    assert not learnt.lesson.weights
    assert not (tmp_path / "lessons").exists()
    at_once, moved = learnt.lesson.thorough["corrections_per_100"]
    assert moved >= at_once
    assert learnt.lesson.threshold == plain.lesson.threshold
    found = audit(tmp_path, proposals="none")
    assert [fault for each in found.checks for fault in each.faults] == []


def test_learnt_again_at_once_the_weights_that_ship_are_used_again(trial, helpful):
    with trial.ledger() as ledger:
        learn_thoroughly(trial, ledger, SCORER, _tune)
        (plain,) = learn_trial(trial, ledger, SCORER)
        assert lessons(ledger)[plain.lesson.survey].weights == ""


def test_labelled_photos_say_what_moved_weights_bring(tmp_path, monkeypatch):
    boxes = [[10 + 60 * n, 10, 40, 40] for n in range(4)]
    sizes = {f"{n}.png": ((320, 240), boxes) for n in range(7)}
    labelled = read_labels(*written(tmp_path, sizes))
    marked, _ = measure(labelled, SCORER, workers=1, keep=True)
    asked = []

    def tune(photos, progress):
        asked.append([photo.photo for photo in photos])
        assert all(len(photo.boxes) == len(boxes) for photo in photos)
        return _tune(photos, progress)

    def learnt():
        return learnt_from(labelled, marked, SCORER, Drawn(5, 1), workers=1, tune=tune).to_json()

    monkeypatch.setattr(thorough_module, "helps", lambda at_once, thorough: False)
    told = learnt()
    assert told["weights"] is None
    assert set(told["thorough"]) == set(told["gain"])
    assert [len(each) for each in asked] == [2, 3]
    assert not set(asked[0]) & set(asked[1])
    monkeypatch.setattr(thorough_module, "helps", lambda at_once, thorough: True)
    told = learnt()
    assert sorted(asked[-1]) == sorted(told["teachers"])
    assert len(told["weights"]) == 64
    assert told["used"]
    assert told["photos"] == told["shipped"]["photos"] == 2


@pytest.mark.skipif(
    importlib.util.find_spec("torch") is None, reason="the extra train is not installed"
)
def test_shipped_weights_go_through_pytorch_unchanged():
    from importlib.resources import files

    from counting.training.own import shipped_network, with_weights

    shipped = files("counting.finding.stages").joinpath(WEIGHTS).read_bytes()
    assert with_weights(shipped_network()) == onnx.load_from_string(shipped).SerializeToString()


def test_a_thorough_lesson_that_was_outgrown_is_told(trial, tmp_path, helpful):
    with trial.ledger() as ledger:
        (learnt,) = learn_thoroughly(trial, ledger, SCORER, _tune)
        assert outgrown(ledger, SCORER.stages) == {}
        body = learnt.lesson.to_body()
        body["origin"]["photos"] = body["origin"]["photos"][:4]
        ledger.append("tuning", learnt.lesson.key, body, by="test")
        assert outgrown(ledger, SCORER.stages) == {learnt.lesson.survey: LEAST_PHOTOS}
    done = CliRunner().invoke(app, ["propose", str(tmp_path), "--stages", "scorer"])
    assert "counting learn" in done.stderr
    assert "--thorough" in done.stderr


def test_stopped_on_the_way_nothing_changes(trial, tmp_path):

    def stopped(photos, progress):
        progress(1, 2)
        raise KeyboardInterrupt

    with trial.ledger() as ledger:
        with pytest.raises(KeyboardInterrupt):
            learn_thoroughly(trial, ledger, SCORER, stopped)
        assert lessons(ledger) == {}
    assert not (tmp_path / "lessons").exists()


def test_without_the_extra_it_says_what_to_install(trial, tmp_path):
    if importlib.util.find_spec("torch"):
        pytest.skip("the extra train is installed")
    done = CliRunner().invoke(app, ["learn", str(tmp_path), "--thorough", "--stages", "scorer"])
    assert done.exit_code
    assert "extra train" in str(done.exception)
