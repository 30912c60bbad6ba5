"""Plants and photos left out of the comparison, each with its reason; nothing is deleted."""

from __future__ import annotations

from dataclasses import replace

from counting.errors import TallyError
from counting.ledger.facts import Exclusion, exclusion_of
from counting.plan.codes import CodeBook
from counting.plan.trial import Trial
from counting.spreadsheet import iso_date
from counting.text import plain_name

__all__ = ["leave_out", "take_back"]


def leave_out(trial: Trial, plant: str, reason: str, *, by: str, survey: str = "") -> bool:
    """Leave a plant out of a survey, or of all; return False if that stands already.

    Raises
    ------
    TallyError
        If the plant is not in the plan, the survey is no date, or no reason is given.
    """
    plant = _checked(trial, plant, survey)
    reason = _plain(reason, "--reason")
    if not reason:
        option = "--reason"
        mend = "say why; the report lists it"
        raise TallyError(option, "no reason given", "what happened to the plant", mend)
    by = _plain(by, "--by")
    with trial.ledger() as ledger:
        said = Exclusion(plant=plant, survey=survey, reason=reason)
        return ledger.add([said], by=by) > 0


def take_back(trial: Trial, plant: str, *, by: str, survey: str = "") -> bool:
    """Count a plant again that was left out; return False if it was not left out so."""
    plant = _checked(trial, plant, survey)
    by = _plain(by, "--by")
    with trial.ledger() as ledger:
        standing = exclusion_of(ledger, Exclusion(plant=plant, survey=survey).key)
        if standing is None:
            return False
        return ledger.add([replace(standing, lifted=True)], by=by) > 0


def _plain(text: str, option: str) -> str:
    try:
        return plain_name(text, "it")
    except ValueError as error:
        raise TallyError(option, str(error)) from error


def _checked(trial: Trial, plant: str, survey: str) -> str:
    """Return the plan's code of the plant named, if the survey is a date as well."""
    book = CodeBook(trial.plants["code"])
    code = book.find(plant)
    if not code:
        where = "plants.csv"
        raise TallyError(where, book.unknown(plant))
    if survey:
        option = "--survey"
        try:
            iso_date(survey)
        except ValueError as error:
            raise TallyError(option, str(error)) from error
    return code
