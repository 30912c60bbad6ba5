"""Photo counts and hand tallies in one table: the source is a column, nothing else differs."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Any

import pandas as pd

from counting.ledger import Ledger
from counting.ledger.facts import (
    Judged,
    Tally,
    left_out,
    moment,
    newest_tallies,
    sides_unnamed,
    standing_answers,
    tallies,
)
from counting.measures import MEASURES, measure
from counting.plan.trial import Trial
from counting.records.confirmed import tell_apart
from counting.records.totals import fruit_by_stage, totals
from counting.records.two_views import views_not_linked
from counting.tables import OBSERVATIONS, frame

__all__ = ["observations"]

Row = dict[str, Any]
_MANY = 4
"""Reasons named in a note; of more only the number is told."""


def observations(trial: Trial, ledger: Ledger) -> pd.DataFrame:
    """Return every value of every measure, from photos and from hand tallies.

    A plant's photo count at a survey is the number of its fruit over all its photos (sides,
    trusses), a fruit marked as the same in two photos counted once. It is missing, with the
    reason in `note`, while one of its photos is unconfirmed or cannot be counted, and while it has
    several photos of which one has no named side, or two views of one side without a fruit linked:
    they may show the same fruit twice. A plant of
    which no photo was looked at has no row. Where trusses are named there is a row for each besides
    that of the whole plant. A measure tallied truss by truss gets its sum as the row of the plant.
    Fruit tallied by ripeness alone gets its sum as `fruit`.
    Where the rule adds picked fruit, `fruit_total` is the fruit hanging and all picked so far.
    Of two tallies of the same thing, by two people, the newest stands; the ledger keeps both.

    Parameters
    ----------
    trial : Trial
        The plan; its guard plants are left out.
    ledger : Ledger
        The facts; what was left out with a reason is left out.

    Returns
    -------
    DataFrame
        Columns `counting.tables.OBSERVATIONS`, by survey, plant in the plan's order, truss (whole
        plant first), measure and source; the same whatever the order of the entries.
    """
    places = {
        str(code): {"group": group, "block": block, "plot": plot}
        for code, group, block, plot, guard in zip(
            *(trial.plants[name] for name in ("code", "group", "block", "plot", "guard")),
            strict=True,
        )
        if not (pd.notna(guard) and guard)
    }
    out = left_out(ledger)
    rows = _photo_rows(standing_answers(ledger)) + _tally_rows(tallies(ledger))
    rows = [
        {**row, **places[row["plant"]]}
        for row in rows
        if row["plant"] in places and not out.plant(row["plant"], row["survey"])
    ]
    rows += fruit_by_stage(rows)
    if trial.plan.rule.add_picked:
        rows += totals(rows, fallen=trial.plan.rule.count_fallen)
    order = {code: number for number, code in enumerate(places)}
    rows.sort(
        key=lambda row: (
            row["survey"],
            order[row["plant"]],
            row["truss"] or 0,
            list(MEASURES).index(row["measure"]) if row["measure"] in MEASURES else len(MEASURES),
            row["measure"],
            row["source"],
        )
    )
    return frame(rows, OBSERVATIONS)


def _photo_rows(judged: Iterable[Judged]) -> list[Row]:
    """Return the rows that confirmed photos give."""
    by_plant: dict[tuple[str, str], list[Judged]] = defaultdict(list)
    for one in judged:
        by_plant[one.photo.survey, one.photo.plant].append(one)
    looked = {
        key: sorted(each, key=lambda one: one.photo.photo)
        for key, each in by_plant.items()
        if any(one.answer for one in each)
    }
    fruit = {key: tell_apart(each) for key, each in looked.items()}
    with_trusses = {
        survey
        for (survey, _), found in fruit.items()
        if any(one.truss is not None for one in found)
    }
    rows = []
    for (survey, plant), each in looked.items():
        found = fruit[survey, plant]
        base = {"survey": survey, "plant": plant, "source": "photo"}
        rows.append(base | _row("fruit", None, each, len(found)))
        named = {one.truss for one in found} | {one.photo.truss for one in each}
        trusses = sorted(truss for truss in named if truss is not None)
        for truss in trusses:
            shown = [one for one in each if one.photo.truss in {None, truss}]
            number = sum(one.truss == truss for one in found)
            rows.append(base | _row("fruit", truss, shown, number))
        if survey in with_trusses and all(one.truss is not None for one in found):
            bearing = len({one.truss for one in found})
            rows.append(base | _row("trusses", None, each, bearing))
    return rows


def _row(name: str, truss: int | None, judged: Sequence[Judged], number: int) -> Row:
    """Return a row of a photo count, missing if a photo that it needs is."""
    reasons = [one.missing for one in judged if one.missing]
    reasons += sides_unnamed([one.photo for one in judged]) + views_not_linked(judged)
    if len(reasons) > _MANY:
        reasons = [f"{len(reasons)} of {len(judged)} photos are not confirmed or not countable"]
    answers = [one.answer for one in judged if one.answer]
    last = max(answers, key=lambda answer: (moment(answer.at), answer.at), default=None)
    return {
        "truss": truss,
        "measure": name,
        "value": None if reasons else float(number),
        "unit": "count",
        "by": tuple(sorted({answer.reviewer for answer in answers})),
        "at": last.at if last else "",
        "note": "; ".join(reasons),
    }


def _tally_rows(listed: Iterable[Tally]) -> list[Row]:
    """Return the rows that hand tallies give, the newest of each, and whole plants summed."""
    standing = newest_tallies(listed)
    counted = {tally.of_what for tally in standing}
    by_plant: dict[tuple[str, str, str], list[Tally]] = defaultdict(list)
    for tally in standing:
        if tally.truss is not None and measure(tally.measure).kind == "count":
            by_plant[tally.survey, tally.plant, tally.measure].append(tally)
    sums = [
        _sum(each)
        for (survey, plant, name), each in by_plant.items()
        if (survey, plant, None, name) not in counted
    ]
    return [tally.row for tally in standing] + sums


def _sum(tallied: list[Tally]) -> Row:
    """Return the whole plant's row from its trusses' tallies."""
    ordered = sorted(tallied, key=lambda tally: tally.truss or 0)
    missing = [f"truss {tally.truss}: {tally.note}" for tally in ordered if tally.value is None]
    last = max(ordered, key=lambda tally: (moment(tally.at), tally.at))
    return last.row | {
        "truss": None,
        "value": None if missing else sum(tally.value or 0.0 for tally in ordered),
        "by": tuple(sorted({tally.by for tally in ordered if tally.by})),
        "note": "; ".join(missing) or f"sum of {len(ordered)} trusses",
    }
