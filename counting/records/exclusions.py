"""Plants and photos left out of the comparison, each with its reason; nothing is deleted."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from counting.errors import TallyError
from counting.ledger import Ledger
from counting.plan.left_out import left_out
from counting.plan.trial import Trial
from counting.spreadsheet import iso_date

__all__ = ["Exclusion", "exclusions", "leave_out", "take_back"]


@dataclass(frozen=True, slots=True)
class Exclusion:
    """One plant or photo that does not count.

    Attributes
    ----------
    plant : str
        Code of the plant; empty for a photo.
    survey : str
        The survey it is left out of; empty for all of them, and for a photo.
    photo : str
        SHA-256 of the photo; empty for a plant.
    reason, by, at : str
        Why, who said so, and when.
    """

    plant: str
    survey: str
    photo: str
    reason: str
    by: str
    at: str


def exclusions(ledger: Ledger) -> list[Exclusion]:
    """Return what is left out at present, in the order it was said."""
    found = []
    for entry in left_out(ledger).values():
        plant, bar, survey = entry.key.partition("|")
        photo = "" if bar else entry.key
        reason = str(entry.body.get("reason", ""))
        code = plant if bar else ""
        found.append(Exclusion(code, survey, photo, reason, entry.by, entry.at))
    return found


def leave_out(trial: Trial, plant: str, reason: str, *, by: str, survey: str = "") -> bool:
    """Leave a plant out of a survey, or of all; return False if that stands already.

    Raises
    ------
    TallyError
        If the plant is not in the plan, the survey is no date, or no reason is given.
    """
    _check(trial, plant, survey)
    if not reason.strip():
        option = "--reason"
        mend = "say why; the report lists it"
        raise TallyError(option, "no reason given", "what happened to the plant", mend)
    with trial.ledger() as ledger:
        return ledger.append("exclusion", f"{plant}|{survey}", {"reason": reason.strip()}, by=by)


def take_back(trial: Trial, plant: str, *, by: str, survey: str = "") -> bool:
    """Count a plant again that was left out; return False if it was not left out so."""
    _check(trial, plant, survey)
    key = f"{plant}|{survey}"
    with trial.ledger() as ledger:
        standing = ledger.get("exclusion", key)
        if standing is None or standing.body.get("lifted", False):
            return False
        return ledger.append("exclusion", key, {**standing.body, "lifted": True}, by=by)


def _check(trial: Trial, plant: str, survey: str) -> None:
    if plant not in set(trial.plants["code"]):
        where = Path("plants.csv")
        raise TallyError(where, f"no plant {plant!r}", "a code of the plan", "check the code")
    if survey:
        option = "--survey"
        try:
            iso_date(survey)
        except ValueError as error:
            raise TallyError(option, str(error)) from error
