"""Corrections that lie where browsers save them, and what is to be done after taking them in."""

from __future__ import annotations

import json
from pathlib import Path

from counting.ledger.facts import CANNOT_TELL, RETAKE, left_out, standing_answers
from counting.plan.trial import Trial
from counting.review.document import FORMAT, LARGEST_BYTES

__all__ = ["corrections_at_hand", "still_to_do"]

_NAMES = "corrections*.json"
_MOST_NAMED = 10


def corrections_at_hand(trial: Trial, folders: list[Path]) -> list[Path]:
    """Return the files of corrections of this trial in some folders, the oldest first."""
    found = []
    for folder in folders:
        for path in sorted(folder.glob(_NAMES)) if folder.is_dir() else []:
            try:
                if path.stat().st_size > LARGEST_BYTES:
                    continue
                value = json.loads(path.read_text(encoding="utf-8-sig"))
            except (OSError, ValueError, RecursionError):
                continue
            known = isinstance(value, dict) and value.get("format") == FORMAT
            if known and value.get("trial") == trial.plan.id:
                found.append(path)
    return sorted(found, key=lambda path: path.stat().st_mtime)


def still_to_do(trial: Trial) -> list[str]:
    """Return what waits at the last survey: photos to take again, to answer, left out."""
    with trial.ledger() as ledger:
        judged, out = standing_answers(ledger), left_out(ledger)
    survey = max((each.photo.survey for each in judged), default="")
    said: dict[str, list[str]] = {}
    for each in judged:
        if each.photo.survey == survey and not out.plant(each.photo.plant, survey):
            said.setdefault(each.word, []).append(each.photo.plant)
    lines = []
    for word, text in (
        (RETAKE, "To photograph again"),
        (CANNOT_TELL, "Cannot be counted; photograph again, or counting leave-out with the reason"),
        ("", "Not answered yet"),
    ):
        plants = list(dict.fromkeys(said.get(word, ())))
        if plants:
            more = len(plants) - _MOST_NAMED
            named = ", ".join(plants[:_MOST_NAMED]) + (f" and {more} more" if more > 0 else "")
            lines.append(f"{text} ({survey}): {named}.")
    photos = [each for each in out.exclusions if each.photo]
    if photos:
        lines.append(f"{len(photos)} photos are left out, with the reason: counting leave-out DIR.")
    return lines
