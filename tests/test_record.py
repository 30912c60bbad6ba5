"""How the finder does in a trial, as people are told."""

from __future__ import annotations

from test_lesson import _trial_with

from counting.finding.lesson.record import Record, record


def test_too_many_too_few_and_as_many_are_told_in_words() -> None:
    assert Record(12, 106, 100, 11).sentence() == (
        "In this trial the finder counts 6 % too many; "
        "its intervals held on 11 of 12 reviewed photos."
    )
    assert "10 % too few" in Record(3, 90, 100, 3).sentence()
    assert "as many as people do" in Record(3, 100, 100, 3).sentence()
    assert "1 reviewed photo." in Record(1, 4, 0, 0).sentence()
    assert Record(0, 0, 0, 0).sentence() == ""


def test_the_record_counts_what_was_proposed_and_what_people_counted(tmp_path) -> None:
    trial = _trial_with(tmp_path, 5)
    with trial.ledger() as ledger:
        told = record(ledger)
    assert told.photos == 5
    assert told.proposed > 0
    assert told.counted > 0


def test_a_trial_without_reviews_has_no_record(tmp_path) -> None:
    trial = _trial_with(tmp_path, 0)
    with trial.ledger() as ledger:
        assert record(ledger).sentence() == ""
