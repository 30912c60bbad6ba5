"""The answers of a plan's form read all at once, each fault beside its field."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

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

__all__ = ["read_form"]


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
    return ({}, faults) if faults else (plan_entries(Answers(known)), faults)
