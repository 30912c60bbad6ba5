"""The answers of a plan's form read all at once, each fault beside its field."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from typing import Any

from counting.errors import PlanError
from counting.plan.questions import (
    USUAL,
    Answers,
    checked_groups,
    one_control,
    plan_entries,
    questions,
    some_text,
    unit_of_lots,
)
from counting.typed import day

__all__ = ["DAYS", "check_days", "read_days", "read_form"]

DAYS = ("first_treatment", "before", "deciding_survey")
"""Days that a plan may name, each once it is known."""


def read_form(texts: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, str]]:
    """Read the answers of a form, all of them at once.

    Parameters
    ----------
    texts : mapping
        Each question's answer as typed, by the question's name; `groups` is a list of
        ``NAME=TREATMENT``. A blank answer takes the usual value.

    Returns
    -------
    entries : dict
        The plan's entries; only to be used where nothing is wrong.
    faults : dict of str to str
        What is wrong with an answer, by the question's name.
    """
    faults: dict[str, str] = {}
    known: dict[str, Any] = {}

    def read(name: str, reader: Callable[[str], Any], text: str) -> None:
        try:
            known[name] = reader(text)
        except ValueError as error:
            faults[name] = str(error)

    groups = list(texts.get("groups", ()))
    read("title", some_text, str(texts.get("title", "")).strip())
    if len(groups) < 2:
        faults["groups"] = "name two groups or more; the first is the control"
    else:
        read("groups", lambda _: checked_groups(groups), "")
    read(
        "allotted_to",
        unit_of_lots,
        str(texts.get("allotted_to", "")).strip() or USUAL["allotted_to"],
    )
    if faults:
        # what the other questions are depends on these; they are read with the usual ones
        known = {"groups": groups, "allotted_to": USUAL["allotted_to"]} | known
    else:
        control = str(texts.get("control", ""))
        read(
            "control",
            lambda text: one_control(text, [each.partition("=")[0].strip() for each in groups]),
            control,
        )
    alone = known["allotted_to"] == "plant"
    # a number that cannot be read must not keep the others from being held against each other
    known = {**USUAL, **known} | ({"plants_per_plot": 1} if alone else {})
    for question in questions(Answers(known)):
        read(
            question.name,
            question.read,
            str(texts.get(question.name, "")).strip() or question.usual,
        )
    days, wrong = read_days(texts)
    faults |= wrong
    return ({}, faults) if faults else (plan_entries(Answers(known)) | days, faults)


def read_days(texts: Mapping[str, Any]) -> tuple[dict[str, date | None], dict[str, str]]:
    """Read the days of a plan, and hold them against each other.

    Parameters
    ----------
    texts : mapping
        `DAYS` as typed; a blank one is not known yet.

    Returns
    -------
    days : dict
        None for what is not known.
    faults : dict of str to str
        What is wrong, by the day's name.
    """
    days: dict[str, date | None] = dict.fromkeys(DAYS)
    faults: dict[str, str] = {}
    for name in DAYS:
        text = str(texts.get(name) or "").strip()
        try:
            days[name] = day(text) if text else None
        except ValueError as error:
            faults[name] = str(error)
    return days, faults | _in_order(days)


def _in_order(days: Mapping[str, date | None]) -> dict[str, str]:
    treated, before, deciding = (days[name] for name in DAYS)
    faults = {}
    if before and treated and before > treated:
        faults["before"] = f"that is after the first treatment, {treated}"
    if deciding and treated and deciding <= treated:
        faults["deciding_survey"] = f"that is not after the first treatment, {treated}"
    elif deciding and before and deciding <= before:
        faults["deciding_survey"] = f"that is not after the count before the treatment, {before}"
    return faults


def check_days(texts: Mapping[str, Any]) -> dict[str, date | None]:
    """Return the days of a plan; see `read_days`.

    Raises
    ------
    PlanError
        If one cannot be.
    """
    days, faults = read_days(texts)
    if faults:
        found = "; ".join(f"{name.replace('_', ' ')}: {fault}" for name, fault in faults.items())
        raise PlanError("the plan", found, mend="mend the day named")  # noqa: EM101
    return days
