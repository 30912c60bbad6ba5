"""What may still change of a plan under which counts stand, and the rules by which it may."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from counting.errors import PlanError
from counting.files import write_text
from counting.ledger import Ledger
from counting.ledger.facts import PlanRecord, entries_of, standing_answers, tallies
from counting.plan.form import DAYS, check_days
from counting.plan.start import record_plan
from counting.plan.trial import PLAN_NAME, Plan, Trial, make_plan, plan_text
from counting.text import plain_name
from counting.typed import share

__all__ = ["CHANGEABLE", "amend", "changes"]

CHANGEABLE = ("title", *DAYS, "smallest_difference")
"""Entries of the plan that a count does not rest on; groups, lots and what counts stay."""
_WHERE = "the plan"


def amend(trial: Trial, texts: Mapping[str, str], *, reason: str, by: str) -> Trial:
    """Change entries of a plan that stands; the ledger keeps both plans, and why.

    The title and the day of the first treatment may change at any time. The deciding survey may
    be named or moved as long as it lies after all that was counted. The count before the treatment
    and the smallest difference worth having only change before anybody has looked at what the
    treatment did: named later, they might be chosen by what they bring.

    Parameters
    ----------
    trial : Trial
    texts : mapping
        Entries among `CHANGEABLE` as typed; one that is not among them stays as it is.
    reason : str
    by : str

    Returns
    -------
    Trial
        With the plan as it is now.

    Raises
    ------
    PlanError
        If an entry cannot be, may not change any more, nothing changes, or no reason is given.
    """
    try:
        reason, by = plain_name(reason, "the reason"), plain_name(by, "by")
    except ValueError as error:
        raise PlanError(_WHERE, str(error)) from error
    plan = _changed(trial.plan, texts)
    told = [
        f"{name.replace('_', ' ')} {_said(plan, name)} (was {_said(trial.plan, name)})"
        for name in CHANGEABLE
        if getattr(plan, name) != getattr(trial.plan, name)
    ]
    if not told:
        raise PlanError(_WHERE, "nothing is changed", mend="change an entry")
    if not reason:
        raise PlanError(_WHERE, "no reason given", mend="say why")
    with trial.ledger() as ledger:
        _refuse_late(trial.plan, plan, _counted_on(ledger, plan))
    write_text(trial.directory / PLAN_NAME, plan_text(plan), replace=True)
    return record_plan(trial.directory, why=f"{'; '.join(told)}: {reason}", by=by)


def changes(ledger: Ledger) -> list[str]:
    """Return when, by whom and how the plan was changed since the lots were drawn, oldest first."""
    return [
        f"{entry.at[:16].replace('T', ' ')} by {entry.by}: {record.why}"
        for entry, record in entries_of(ledger, PlanRecord)
        if record.why
    ]


def _changed(plan: Plan, texts: Mapping[str, str]) -> Plan:
    named = {name: str(texts[name]).strip() for name in CHANGEABLE if name in texts}
    entries: dict[str, Any] = plan.model_dump(exclude_none=True)
    entries |= check_days({name: named.get(name, getattr(plan, name)) for name in DAYS})
    try:
        if named.get("title"):
            entries["title"] = plain_name(named["title"], "title")
        if named.get("smallest_difference"):
            entries["smallest_difference"] = share(named["smallest_difference"])
    except ValueError as error:
        raise PlanError(_WHERE, str(error)) from error
    return make_plan(entries, where=_WHERE)


def _said(plan: Plan, name: str) -> str:
    value = getattr(plan, name)
    if isinstance(value, float):
        return f"{100 * value:g} %"
    return "not named" if value is None else str(value)


def _counted_on(ledger: Ledger, plan: Plan) -> set[str]:
    """Return the surveys at which the main measure was counted, by hand or on photos."""
    by_hand = {
        each.survey
        for each in tallies(ledger)
        if each.measure == plan.main_measure and each.value is not None
    }
    return by_hand | {each.photo.survey for each in standing_answers(ledger) if each.counted}


def _refuse_late(before: Plan, after: Plan, counted: set[str]) -> None:
    last = max(counted, default="")
    deciding = after.deciding_survey
    if deciding != before.deciding_survey and last:
        old = before.deciding_survey
        if (deciding and deciding.isoformat() <= last) or (old and old.isoformat() <= last):
            found = f"the deciding survey cannot change: {last} is counted already"
            raise PlanError(_WHERE, found, mend="name one that lies after all counts")
    early = [day.isoformat() for day in (before.first_treatment, after.before) if day]
    looked = [day for day in sorted(counted) if day > max(early, default="")]
    for name in ("before", "smallest_difference"):
        if getattr(after, name) != getattr(before, name) and looked:
            found = f"{name.replace('_', ' ')} cannot change: {looked[0]} is counted already"
            raise PlanError(_WHERE, found, mend="leave it as it was decided")
