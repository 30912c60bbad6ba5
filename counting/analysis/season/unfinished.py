"""Whether a survey is whole: until every plant of it is counted, no verdict is given."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pandas as pd

from counting.analysis.data.confounded import lost_unevenly
from counting.analysis.question import ALL_SURVEYS
from counting.analysis.result import Comparison, Missing
from counting.analysis.words.sentence import worded
from counting.ledger import Ledger
from counting.ledger.facts import CANNOT_TELL, COUNTED, left_out, standing_answers
from counting.plan.trial import Trial

__all__ = ["with_missing"]

_ANSWERED = {COUNTED, CANNOT_TELL}


def with_missing(
    trial: Trial, ledger: Ledger, table: pd.DataFrame, comparison: Comparison
) -> Comparison:
    """Return a comparison of photo counts with the plants that have none yet.

    While a plant of the plan has no photo, or one that waits for an answer or is to be taken
    again, the survey is unfinished: which plants were counted first may make or hide a
    difference. Plants that are left out, with the reason, are not waited for.

    Parameters
    ----------
    trial : Trial
    ledger : Ledger
        The trial's, open.
    table : DataFrame
        Columns `counting.tables.OBSERVATIONS`.
    comparison : Comparison
        Returned as it is where it is not of one survey. Where it is not of photo counts, or is
        whole, and plants of one group have no value much more often, a caution is added.
    """
    survey = comparison.survey
    if survey is None or survey == ALL_SURVEYS:
        return comparison
    if comparison.source != "photo":
        return _with_lost(trial, comparison)
    out = left_out(ledger)
    judged = [each for each in standing_answers(ledger) if each.photo.survey == survey]
    groups = {
        str(code): str(group)
        for code, group, guard in zip(
            *(trial.plants[name] for name in ("code", "group", "guard")), strict=True
        )
        if not (pd.notna(guard) and guard) and not out.plant(str(code), survey)
    }
    waiting = {
        each.photo.plant
        for each in judged
        if each.word not in _ANSWERED and each.photo.plant in groups
    }
    at = table[(table["survey"] == survey) & (table["source"] == "photo") & table["truss"].isna()]
    counted = set(at.loc[(at["measure"] == "fruit") & at["value"].notna(), "plant"])
    told = {each.photo.plant for each in judged if each.word == CANNOT_TELL}
    lacking = Counter(
        group for code, group in groups.items() if code in waiting or code not in counted | told
    )
    if not lacking:
        return _with_lost(trial, comparison)
    known = [summary.group for summary in comparison.groups]
    missing = tuple(Missing(group, lacking[group]) for group in known if lacking[group])
    return worded(replace(comparison, complete=False, missing=missing))


def _with_lost(trial: Trial, comparison: Comparison) -> Comparison:
    """Say where plants of one group have no value, or are left out, much more often."""
    of = Counter(map(str, trial.counted["group"]))
    seen = {each.group: each.plants.n for each in comparison.groups}
    told = lost_unevenly({name: of[name] - seen.get(name, 0) for name in of}, of)
    if not told or any(text.startswith("Plants without a value") for text in comparison.cautions):
        return comparison
    return replace(comparison, cautions=(told, *comparison.cautions))
