"""Lessons learnt again, and their weights held against their hash."""

from __future__ import annotations

from counting.files import sha256_file
from counting.finding.lesson.learn import difference, repeat_lesson
from counting.finding.proposal import weights_file
from counting.ledger import Ledger
from counting.ledger.facts import Lesson, entries_of
from counting.plan.trial import Trial
from counting.report.keeping.checks import Check, Fault

__all__ = ["check_lessons"]


def check_lessons(trial: Trial, ledger: Ledger) -> Check:
    """Learn every lesson that stands again, from the answers that it names.

    Weights that it moved are held against their hash.
    """
    faults, remarks = [], []
    number = 0
    for entry, lesson in entries_of(ledger, Lesson):
        number += 1
        item = f"entry {entry.seq}, lesson {lesson.digest}"
        again = repeat_lesson(ledger, lesson)
        if again is None:
            remarks.append(f"{item}: an older version kept no list of the answers that taught it")
        elif found := difference(lesson, again):
            faults.append(Fault(item, f"another lesson than recorded: {found}"))
        if file := weights_file(trial.directory, lesson.weights):
            if not file.exists():
                faults.append(Fault(item, f"its weights are missing: {file.name} in lessons"))
            elif sha256_file(file) != lesson.weights:
                faults.append(Fault(item, f"its weights are others: {file.name} in lessons"))
    sentence = f"{number} {'lesson' if number == 1 else 'lessons'} learnt again from the answers"
    return Check("lessons", sentence, tuple(faults), tuple(remarks))
