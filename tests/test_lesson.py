"""What a trial's reviews teach: its own threshold, calibration and interval."""

from __future__ import annotations

import dataclasses
import json
from dataclasses import asdict

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from test_propose import bodies, photographed
from trials import add_photo, confirm_rings, make_trial
from typer.testing import CliRunner

from counting.cli import app
from counting.errors import CountingError
from counting.files import canonical_json, sha256_bytes
from counting.finding.interval import count_with
from counting.finding.lesson.alike import expected_as
from counting.finding.lesson.confirmed import Confirmed, confirmed_photos
from counting.finding.lesson.fit import LEAST_PHOTOS, LOOKS, fit, ranked, teach
from counting.finding.lesson.learn import (
    Learnt,
    difference,
    due,
    learn,
    learn_trial,
    lesson_for,
    repeat_lesson,
    settings_with,
    worth_learning,
)
from counting.finding.lesson.odds import chance
from counting.finding.lesson.record import record
from counting.finding.propose import propose
from counting.ledger.facts import (
    Candidate,
    Lesson,
    Proposal,
    answers_that_stand,
    glances,
    lessons,
    proposals,
    settings_of,
    settings_text,
)
from counting.report.keeping.audit import audit
from counting.review.frames import Frame, by_lot
from counting.review.sheet import SheetOptions, chosen_frames
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


def _only(learnt):
    (one,) = learnt
    return one


def test_fewer_than_five_reviewed_photos_teach_nothing(tmp_path):
    trial = _trial_with(tmp_path, LEAST_PHOTOS - 1)
    with trial.ledger() as ledger, pytest.raises(CountingError, match="at least 5"):
        learn(ledger, SETTINGS, "here")
    with trial.ledger() as ledger:
        assert lessons(ledger) == {}
        assert due(ledger, ("colour",)) == []


def test_confidences_that_are_too_low_are_raised_and_counts_come_nearer(tmp_path):
    trial = _trial_with(tmp_path, 20, shift=1.5)
    with trial.ledger() as ledger:
        one = _only(learn(ledger, SETTINGS, "here"))
        standing = lessons(ledger)[""]
    assert one.stored
    assert one.lesson.used
    assert one.after.offset == pytest.approx(1.5, abs=0.5)
    for name in ("corrections_per_100", "log_loss", "count_mae"):
        before, after = one.lesson.gain[name]
        assert after < before
    assert standing == one.lesson
    assert len(standing.photos) == 20
    assert standing.reviewers == ("first reviewer",)
    assert settings_with(SETTINGS, standing) == dataclasses.replace(
        one.after, lesson=standing.digest
    )


def test_a_finder_that_counts_far_too_many_is_brought_down(tmp_path):
    trial = _trial_with(tmp_path, 10, shift=-2.5)
    with trial.ledger() as ledger:
        photos = confirmed_photos(ledger, ("colour",))
        after = _only(learn(ledger, SETTINGS, "here")).after
    counted = sum(photo.count for photo in photos)
    chances = [1 / (1 + np.exp(-(after.slope * p.odds + after.offset))) for p in photos]
    before = sum(int((p.odds >= 0).sum()) for p in photos)
    assert before > 1.6 * counted
    now = sum(int((c >= after.threshold).sum()) for c in chances)
    assert now == pytest.approx(counted, rel=0.2)


def test_more_fruit_than_candidates_never_lowers_the_threshold_below_them():
    """What no candidate showed was found by nobody: candidates never seen cannot stand for it."""
    photo = Confirmed("a", "x", np.array([2.0, 1.0]), np.ones(2, dtype=bool), 30)
    after = fit([photo] * 5, SETTINGS)
    lowest = 1 / (1 + np.exp(-(after.slope * 1.0 + after.offset)))
    assert after.threshold >= round(float(lowest), 4)


def test_a_lesson_that_lowers_confidences_loses_no_candidate():
    assert SETTINGS.floor == pytest.approx(0.05)
    lowered = dataclasses.replace(SETTINGS, slope=1.2, offset=-1.0)
    assert lowered.floor == pytest.approx(1 / (1 + np.exp(1.2 * np.log(19) + 1.0)))
    assert dataclasses.replace(SETTINGS, offset=2.0).floor == SETTINGS.floor == 0.05


def test_numbers_that_fit_already_hardly_move(tmp_path):
    trial = _trial_with(tmp_path, 40)
    with trial.ledger() as ledger:
        after = _only(learn(ledger, SETTINGS, "here")).after
    assert after.slope == pytest.approx(1, abs=0.25)
    assert after.offset == pytest.approx(0, abs=0.35)
    assert after.threshold == pytest.approx(0.5, abs=0.15)


def test_what_does_not_help_on_photos_left_out_is_told_kept_and_not_used(tmp_path):
    trial = make_trial(tmp_path)
    with trial.ledger() as ledger:
        for number in range(12):
            # perfect already: no correction can be spared
            _write(ledger, f"{number:064d}", [0.9999, 0.9999, 0.0001], [True, True, False])
        one = _only(learn(ledger, SETTINGS, "here"))
        standing = lessons(ledger)[""]
    before, after = standing.gain["corrections_per_100"]
    assert before == after == 0
    unused = dataclasses.replace(standing, used=False)
    assert settings_with(SETTINGS, unused) == SETTINGS
    assert one.lesson == standing


@pytest.mark.parametrize("fruit", [False, True])
def test_photos_without_any_fruit_or_any_candidate_can_teach(fruit):
    none = Confirmed("a", "x", np.zeros(0), np.zeros(0, dtype=bool), int(fruit))
    bare = Confirmed("b", "x", np.array([-1.0, 0.5]), np.zeros(2, dtype=bool), 0)
    for photos in ([none] * 6, [none, bare] * 4):
        after = teach(photos, SETTINGS).after
        assert 0.1 <= after.threshold <= 0.9
        assert np.isfinite([after.slope, after.offset, after.fruit_spread]).all()
        assert after.offset <= 0


def test_learning_again_starts_from_the_confidences_as_shipped(tmp_path):
    trial = _trial_with(tmp_path, 20, shift=1.5)
    with trial.ledger() as ledger:
        first = _only(learn(ledger, SETTINGS, "here"))
        again = _only(learn(ledger, SETTINGS, "here"))
        assert not again.stored
        assert again.lesson == first.lesson
        for number in range(20, 40):
            rng = np.random.default_rng(number)
            odds = rng.normal(0, 2.5, 25)
            fruit = rng.random(25) < 1 / (1 + np.exp(-(odds + 1.5)))
            said = 1 / (1 + np.exp(-(first.after.slope * odds + first.after.offset)))
            _write(ledger, f"{number:064d}", said, fruit, settings=first.after)
        second = _only(learn(ledger, SETTINGS, "here"))
    assert len(second.lesson.photos) == 40
    assert second.after.offset == pytest.approx(1.5, abs=0.5)


def test_a_lesson_is_due_at_five_ten_twenty_photos_and_repeats_exactly(tmp_path):
    trial = _trial_with(tmp_path, 4)
    steps = []
    with trial.ledger() as ledger:
        for number in range(4, 21):
            _write(ledger, f"{number:064d}", [0.9, 0.8, 0.3, 0.1], [True, False, True, False])
            if due(ledger, ("colour",)):
                steps.append(number + 1)
                learn(ledger, SETTINGS, "here")
        lesson = lessons(ledger)[""]
        assert repeat_lesson(ledger, lesson) == lesson
        wrong = dataclasses.replace(lesson, threshold=0.11)
        assert repeat_lesson(ledger, wrong) == lesson
    assert difference(lesson, lesson) == ""
    assert difference(wrong, lesson).startswith("threshold is 0.11 there")
    assert steps == [5, 10, 20]


def test_a_survey_s_photos_take_its_own_lesson_else_that_of_the_last_one_before():
    whole, june, july = (
        Lesson(0.5, 1.0, 0.0, 1.0, ("colour",), survey=survey)
        for survey in ("", "2026-06-01", "2026-07-01")
    )
    standing = {each.survey: each for each in (whole, june, july)}
    assert lesson_for(standing, "2026-07-01") is july
    assert lesson_for(standing, "2026-06-15") is june
    assert lesson_for(standing, "2026-05-01") is whole
    assert lesson_for({"2026-07-01": july}, "2026-06-01") is None


def test_a_lesson_of_an_earlier_survey_is_borrowed_and_its_own_is_not():
    june = Lesson(0.5, 1.1, 0.3, 0.6, SETTINGS.stages, survey="2026-06-01")
    assert not settings_with(SETTINGS, june, "2026-06-01").borrowed
    later = settings_with(SETTINGS, june, "2026-07-01")
    assert later.borrowed
    assert later.hash != settings_with(SETTINGS, june, "2026-06-01").hash
    assert settings_of(settings_text(later)) == later
    whole = dataclasses.replace(june, survey="")
    assert not settings_with(SETTINGS, whole, "2026-07-01").borrowed


@example(odds=[0.0, 3.0, 4.0], slope=0.5, offset=2.25, spread=0.5)
@given(
    odds=st.lists(st.floats(-2.9, 6), max_size=12),
    slope=st.floats(0.5, 2),
    offset=st.floats(-3, 3),
    spread=st.floats(0.3, 3),
)
def test_the_interval_of_a_borrowed_lesson_is_never_narrower_than_as_shipped_or_its_own(
    odds, slope, offset, spread
):
    own = dataclasses.replace(SETTINGS, slope=slope, offset=offset, fruit_spread=spread)
    shipped = np.array(odds, dtype=float)
    taught, share = chance(shipped, own), np.ones(len(odds))
    _, low, high = count_with(taught, share, own)
    _, least, most = count_with(chance(shipped, SETTINGS), share, SETTINGS)
    _, below, above = count_with(taught, share, dataclasses.replace(own, borrowed=True))
    assert below <= min(low, least)
    assert above >= max(high, most)


def test_groups_that_taught_unevenly_are_told():
    def told(groups):
        lesson = Lesson(0.5, 1.0, 0.0, 1.0, ("colour",), groups=groups)
        return Learnt(lesson, SETTINGS, SETTINGS, stored=True).uneven

    assert told({"grafted": 5, "own roots": 4}) == ""
    assert told({}) == ""
    assert "8 of grafted, 2 of own roots" in told({"grafted": 8, "own roots": 2})
    assert "review more of own roots" in told({"grafted": 6, "own roots": 0})


def test_a_lesson_that_wins_on_other_figures_than_the_counts_says_so():
    def told(old, new):
        gain = {"count_mae": [old, new], "interval_coverage": [0.8, 0.9]}
        lesson = Lesson(0.5, 1.0, 0.0, 1.0, ("colour",), used=True, gain=gain)
        return Learnt(lesson, SETTINGS, SETTINGS, stored=True).sentence

    assert "a count was off by 1.2 fruit instead of 1.8, and 90 %" in told(1.8, 1.2)
    for old, new in ((0.0, 0.1), (1.02, 1.04)):
        assert "instead of" not in told(old, new)
        assert "how sure the finder is of a fruit came nearer to the truth" in told(old, new)


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
        learn(ledger, SETTINGS, "here")
        scorer = Settings(stages=("scorer",))
        assert settings_with(scorer, lessons(ledger)[""]) == scorer


def test_settings_without_a_lesson_keep_the_hash_they_always_had():
    plain = Settings(stages=("colour",))
    assert plain.hash != dataclasses.replace(plain, lesson="0123456789ab").hash
    told = {
        k: v for k, v in asdict(plain).items() if k not in ("lesson", "borrowed", "look", "weights")
    }
    assert plain.hash == sha256_bytes(canonical_json(told).encode("utf-8"))


def test_later_proposals_use_the_lesson_name_it_and_leave_it_aside_when_told_to(tmp_path):
    trial = photographed(tmp_path, 2)
    stages = ("colour",)
    assert propose(trial, Settings(stages=stages)).lessons == ()
    # as an older version kept it, for the whole trial
    calibration = {"slope": 1.0, "offset": 1.0, "fruit_spread": 1.0, "stages": list(stages)}
    origin = {"photos": ["a"] * 12, "reviewers": ["x"], "at": "2026-07-01T18:00:00+00:00"}
    body = {"threshold": 0.6, "calibration": calibration, "origin": origin, "gain": {}}
    before = bodies(trial)
    with trial.ledger() as ledger:
        ledger.append("tuning", "tuning", body, by="test")
    done = propose(trial, Settings(stages=stages))
    assert done.new == 2
    (lesson,) = done.lessons
    assert lesson == Lesson.of_body(body)
    assert (done.settings.threshold, done.settings.offset) == (0.6, 1.0)
    for photo, after in bodies(trial).items():
        assert after["settings_text"]["lesson"] == lesson.digest
        for old, new in zip(before[photo]["candidates"], after["candidates"], strict=False):
            assert new["confidence"] > min(old["confidence"], 0.9998)
    run = CliRunner().invoke(app, ["propose", str(tmp_path), "--stages", "colour"])
    assert f"lesson {lesson.digest}: threshold 0.60" in run.stderr
    assert "12 reviewed photos" in run.stderr
    for option in ("--as-shipped", "--untuned"):
        plain = CliRunner().invoke(app, ["propose", str(tmp_path), "--stages", "colour", option])
        assert "lesson" not in plain.stderr


def test_the_commands_say_what_changed_and_the_gain(tmp_path):
    trial = _trial_with(tmp_path, 15, shift=1.5)
    run = CliRunner().invoke(app, ["learn", str(tmp_path), "--stages", "colour", "--json", "-"])
    assert run.exit_code == 0, run.output
    (told,) = json.loads(run.stdout)
    assert told["used"]
    assert told["stored"]
    with trial.ledger() as ledger:
        assert told["lesson"] == lessons(ledger)[""].digest
    assert "Learnt from 15 reviewed photos by 1 reviewer" in run.stderr
    assert "offset of the log-odds: 0 -> 1" in run.stderr
    assert "corrections per 100 fruit" in run.stderr
    again = CliRunner().invoke(app, ["propose", str(tmp_path), "--stages", "colour", "--tune"])
    assert again.exit_code == 0, again.output
    assert "Learnt from 15 reviewed photos" in again.stderr


def _frame(plant, group, side="left"):
    return Frame(
        photo=f"{plant}{side}",
        file="",
        width=100,
        height=100,
        survey="2026-07-01",
        plant=plant,
        group=group,
        side=side,
        truss=None,
        proposal="",
        candidates=(),
        shown=frozenset(),
        flags=(),
        card=(),
    )


def test_the_photos_that_teach_come_by_lot_from_the_groups_in_turn_and_plants_stay_whole():
    listed = [
        _frame(f"{group}{number}", group, side)
        for group, plants in (("a", 9), ("b", 3))
        for number in range(plants)
        for side in ("left", "right")
    ]
    chosen = by_lot(listed, 10, seed=4)
    assert [frame.group for frame in chosen] == ["a", "a", "b", "b", "a", "a", "b", "b", "a", "a"]
    assert all(
        one.plant == other.plant for one, other in zip(chosen[::2], chosen[1::2], strict=True)
    )
    assert by_lot(listed[::-1], 10, seed=4) == chosen
    assert by_lot(listed, 10, seed=5) != chosen
    assert len(by_lot(listed, 100, seed=4)) == len(listed)
    assert by_lot([], 10, seed=4) == []


def test_a_sheet_of_the_first_photos_holds_no_more(tmp_path):
    trial = photographed(tmp_path, 3)
    assert len(chosen_frames(trial, SheetOptions(first=2))) == 2
    assert len(chosen_frames(trial, SheetOptions())) == 3


def test_a_person_is_told_when_enough_was_reviewed_for_the_photos_that_wait(tmp_path):
    trial = make_trial(tmp_path)
    taken = [add_photo(trial, code) for code in trial.plants["code"][:6]]
    told = []
    with trial.ledger() as ledger:
        for number, photo in enumerate(taken):
            _write(ledger, photo, [0.9, 0.8, 0.3, 0.1], [True, False, True, False])
            told.append(worth_learning(ledger))
            if number == 4:
                learn(ledger, SETTINGS, "here")
                assert not worth_learning(ledger)
    assert told == [False, False, False, False, True, False]


def test_the_audit_learns_a_lesson_again_and_names_one_that_was_made_up(tmp_path):
    def lessons_checked():
        checks = audit(tmp_path, proposals="none").checks
        return next(each for each in checks if each.name == "lessons")

    trial = _trial_with(tmp_path, 10, shift=1.5)
    shipped = Settings.with_stages("colour")
    with trial.ledger() as ledger:
        lesson = _only(learn(ledger, shipped, "here")).lesson
    assert lessons_checked().faults == ()
    assert lessons_checked().sentence == "1 lesson learnt again from the answers"
    with trial.ledger() as ledger:
        ledger.add([dataclasses.replace(lesson, offset=0.2)], by="test")
    (fault,) = lessons_checked().faults
    assert "offset is 0.2 there" in fault.sentence


def test_a_count_without_marks_teaches_nothing_and_stands_in_the_record(tmp_path):
    trial = make_trial(tmp_path)
    with trial.ledger() as ledger:
        _write(ledger, "a" * 64, [0.9, 0.8], [True, True])
        _write(ledger, "b" * 64, [0.9, 0.8], [True, True])
        before = answers_that_stand(ledger)["b" * 64]
        ledger.add([dataclasses.replace(before, marks=(), count=7)], by="first reviewer")
        (photo,) = confirmed_photos(ledger, ("colour",))
        told = record(ledger)
    assert photo.photo == "a" * 64
    assert (told.photos, told.proposed, told.counted) == (2, 4, 9)


def _seen(number, odds, fruit, missed=0, **more):
    sure = np.array(fruit, dtype=bool)
    return Confirmed(f"{number:064d}", "r", np.array(odds, float), sure, missed, **more)


def _at_two_sizes(photos, seed=5):
    """Return photos whose fruit are told from the rest at a size of 0.8 alone."""
    rng, made = np.random.default_rng(seed), []
    for number in range(photos):
        fruit = rng.random(20) < 0.4
        plain = _seen(number, rng.normal(0, 1.5, 20), fruit, missed=1)
        near = _seen(number, np.where(fruit, 2.5, -2.5) + rng.normal(0, 1, 20), fruit, 1, look=0.8)
        made.append(dataclasses.replace(plain, others={0.8: near}))
    return made


def test_a_size_of_the_look_is_learnt_where_its_candidates_rank_better():
    scorer = Settings()
    photos = _at_two_sizes(10)
    taught = teach(photos, scorer)
    assert taught.used
    assert (taught.after.look, taught.looks) == (0.8, (0.8,))
    assert taught.after.hash != dataclasses.replace(taught.after, look=1.0).hash
    assert taught.gain["count_mae"][1] < taught.gain["count_mae"][0]
    # without what all photos show there, or told not to, it stays
    assert teach([*photos[:-1], dataclasses.replace(photos[-1], others={})], scorer).looks == ()
    assert teach(photos, scorer, ()).after.look == 1.0
    assert ranked([photo.others[0.8] for photo in photos]) > ranked(photos)


def test_a_size_that_does_not_help_on_photos_left_out_is_left_again():
    shift = np.random.default_rng(3)
    photos = [
        dataclasses.replace(
            photo,
            fruit=photo.fruit,
            # each photo is off by a number of its own there: ranks are chance, counts worse
            others={0.8: _seen(n, photo.odds + shift.normal(0, 6), photo.fruit, 9, look=0.8)},
        )
        for n, photo in enumerate(_at_two_sizes(10))
    ]
    assert teach(photos, Settings()).after.look == 1.0


def test_average_precision_counts_the_fruit_that_no_candidate_shows():
    # ranked fruit, leaf, fruit, and one missed: precisions 1 and 2/3 of three fruit
    photo = _seen(0, [3, 2, 1], [True, False, True], missed=1)
    assert ranked([photo]) == pytest.approx((1 + 2 / 3) / 3)
    assert ranked([_seen(0, [], [])]) == 0.0


def test_reviewed_photos_are_glanced_at_once_for_each_size_and_the_audit_repeats_it(tmp_path):
    trial = photographed(tmp_path, LEAST_PHOTOS)
    scorer = Settings.with_stages("scorer")
    propose(trial, scorer)
    with trial.ledger() as ledger:
        for photo, made in proposals(ledger).items():
            confirm_rings(ledger, photo, made, made.shown)
        before = proposals(ledger)
        learnt = _only(learn_trial(trial, ledger, scorer))
        seen = glances(ledger)
        assert {size for _, size, _ in seen} == set(LOOKS)
        assert len(seen) == LEAST_PHOTOS * len(LOOKS)
        assert learnt.lesson.looks == LOOKS or not learnt.lesson.looks
        assert proposals(ledger) == before
        for reviewed in confirmed_photos(ledger, scorer.stages):
            marked, looks = len(before[reviewed.photo].counted), reviewed.others.values()
            assert [each.count for each in (reviewed, *looks)] == [marked] * (1 + len(LOOKS))
        assert not _only(learn_trial(trial, ledger, scorer)).stored
        assert glances(ledger) == seen
    found = audit(tmp_path, proposals="all")
    assert [fault for each in found.checks for fault in each.faults] == []


def test_where_a_lesson_looks_at_another_size_a_reviewed_photo_counts_as_seen_there():
    def made(look, *chances):
        candidates = tuple(
            Candidate(n, 9.0 * n, 0.0, 5.0, 5.0, confidence=c) for n, c in enumerate(chances)
        )
        return Proposal("p", candidates, Settings(look=look), stages=Settings().stages)

    taught = Settings(look=0.62, slope=1.1)
    here, there = made(1.0, 0.8), made(0.62, 0.9, 0.9, 0.8)
    seen = {("p", 0.62, ""): there}
    assert expected_as(here, taught, seen) == expected_as(there, taught)
    assert expected_as(here, Settings(), seen) == expected_as(here, Settings())
    assert expected_as(here, taught, {}) == expected_as(here, taught)
