"""Corrections that lie where browsers save them, and what is to be done after taking them in."""

from __future__ import annotations

import json
from pathlib import Path

from counting.ledger.facts import CANNOT_TELL, RETAKE, left_out, photos, standing_answers
from counting.plan.trial import Trial
from counting.review.document import FORMAT, LARGEST_BYTES
from counting.text import few

__all__ = ["corrections_at_hand", "still_to_do"]

_NAMES = "corrections*"
_ENDINGS = {".json", ".txt"}
"""Phones pass text files on where they refuse others; the content is the same."""
_NO_PHOTO = "no photo"
_WORK = {
    RETAKE: "To photograph again",
    CANNOT_TELL: "Cannot be counted; photograph again, or leave out with the reason",
    _NO_PHOTO: "No photo yet",
    "": "Not answered yet",
}
"""What stands for a photo, or that there is none, and the work that it leaves."""


def corrections_at_hand(trial: Trial, folders: list[Path]) -> list[Path]:
    """Return the files of corrections of this trial in some folders, the oldest first."""
    found = []
    for folder in folders:
        for path in sorted(folder.glob(_NAMES)) if folder.is_dir() else []:
            if path.suffix.lower() not in _ENDINGS:
                continue
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


def still_to_do(trial: Trial, survey: str = "") -> list[str]:
    """Return what waits at a survey: photos to take, to take again, to answer, left out.

    Parameters
    ----------
    trial : Trial
    survey : str
        Its date; empty for the last one of which there are photos.

    Returns
    -------
    list of str
        A sentence for each kind of work, with the plants; empty where nothing waits.
    """
    with trial.ledger() as ledger:
        judged, out, taken = standing_answers(ledger), left_out(ledger), photos(ledger)
    survey = survey or max((each.photo.survey for each in judged), default="")
    shown: dict[str, set[str]] = {}
    for each in judged:
        if each.photo.survey == survey and not out.plant(each.photo.plant, survey):
            shown.setdefault(each.word, set()).add(each.photo.plant)
    if not shown:
        return []
    plants = trial.counted["code"]
    seen = set().union(*shown.values())
    shown[_NO_PHOTO] = {code for code in plants if code not in seen and not out.plant(code, survey)}
    lines = [
        f"{text} ({survey}): {few([code for code in plants if code in shown[word]])}."
        for word, text in _WORK.items()
        if shown.get(word)
    ]
    claimed = [each for each in judged if each.claimed and each.photo.survey == survey]
    if claimed:
        told = few(
            [f"{each.photo.plant} in {each.photo.file} ({each.claimed})" for each in claimed]
        )
        lines.append(
            f"Taken for two plants of one photo; they count for the plant that it was taken of, not"
            f" for ({survey}): {told}."
        )
    photos_out = [taken[each.photo] for each in out.exclusions if each.photo in taken]
    of = [photo.plant for photo in photos_out if photo.survey == survey and not photo.view_of]
    if of:
        named = few([f"{code} ({of.count(code)})" for code in dict.fromkeys(of)])
        lines.append(f"Photos left out, another counts in their place ({survey}): {named}.")
    return lines
