"""What hangs at each survey by stage of ripeness: tallied by hand, or told by the photos."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence

import pandas as pd

from counting.ledger import Ledger
from counting.ledger.facts import Judged, Proposal, left_out, proposals, standing_answers
from counting.plan.trial import Trial
from counting.records.confirmed import tell_apart
from counting.tables import Schema, frame

__all__ = ["HANGING", "STAGES", "hanging"]

STAGES = ("green", "turning", "ripe")
HANGING: Schema = {
    "survey": "str",
    "plant": "str",
    "green": "float64",
    "turning": "float64",
    "ripe": "float64",
    "source": "str",  # photo or tally
}
"""One row per plant and survey whose fruit are known by stage."""


def hanging(trial: Trial, ledger: Ledger, table: pd.DataFrame) -> pd.DataFrame:
    """Return the fruit hanging on each plant by stage of ripeness.

    Where all three stages were tallied they stand. Else the photos tell: each confirmed fruit has
    the colour that was found on it, and fruit that a person added are shared out like the others.

    Parameters
    ----------
    trial : Trial
    ledger : Ledger
        The trial's, open.
    table : DataFrame
        Columns `counting.tables.OBSERVATIONS`.

    Returns
    -------
    DataFrame
        Columns `HANGING`, by survey and plant.
    """
    rows = _tallied(table)
    out, made = left_out(ledger), proposals(ledger)
    plants = set(trial.counted["code"])
    by_plant: dict[tuple[str, str], list[Judged]] = defaultdict(list)
    for each in standing_answers(ledger):
        by_plant[each.photo.survey, each.photo.plant].append(each)
    for (survey, plant), judged in by_plant.items():
        known = (survey, plant) in rows or plant not in plants or out.plant(plant, survey)
        shares = None if known else _shares(judged, made)
        if shares is not None:
            told = {"survey": survey, "plant": plant, "source": "photo"}
            rows[survey, plant] = told | dict(zip(STAGES, shares, strict=True))
    return frame((rows[key] for key in sorted(rows)), HANGING)


def _tallied(table: pd.DataFrame) -> dict[tuple[str, str], dict[str, object]]:
    """Return the plants of which every stage was tallied."""
    names = [f"{stage}_fruit" for stage in STAGES]
    whole = table[table["truss"].isna() & table["measure"].isin(names) & table["value"].notna()]
    wide = whole.pivot_table(
        index=["survey", "plant"], columns="measure", values="value", aggfunc="mean"
    )
    wide = wide.reindex(columns=names).dropna()
    return {
        (str(survey), str(plant)): {"survey": survey, "plant": plant, "source": "tally"}
        | dict(zip(STAGES, values, strict=True))
        for (survey, plant), values in zip(wide.index, wide.to_numpy().tolist(), strict=True)
    }


def _shares(judged: Sequence[Judged], made: dict[str, Proposal]) -> list[float] | None:
    """Return a plant's count shared out by stage; None where it, or a colour, is not known."""
    if not all(each.counted for each in judged):
        return None
    seen: Counter[str] = Counter()
    for each in judged:
        proposal = made.get(each.photo.photo)
        if each.answer is None or proposal is None:
            continue
        colours = {one.candidate: one.colour for one in proposal.candidates}
        for mark in each.answer.fruit:
            colour = colours.get(-1 if mark.candidate is None else mark.candidate, "")
            if colour:
                # the last class has the name of the crop's ripe colour
                seen[colour if colour in STAGES[:2] else "ripe"] += 1
    count, known = float(len(tell_apart(judged))), seen.total()
    if count == 0:
        return [0.0, 0.0, 0.0]
    return [count * seen[stage] / known for stage in STAGES] if known else None
