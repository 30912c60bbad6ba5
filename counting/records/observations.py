"""Photo counts and hand tallies in one table: the source is a column, nothing else differs."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Any

import pandas as pd

from counting.ledger import Entry, Ledger
from counting.measures import MEASURES, measure
from counting.plan.trial import Trial
from counting.records.confirmed import Answer, moment, standing_answers, tell_apart
from counting.records.exclusions import exclusions
from counting.records.totals import totals
from counting.tables import OBSERVATIONS, frame

__all__ = ["observations"]

Row = dict[str, Any]
_MANY = 4
"""Reasons named in a note; of more only the number is told."""


def observations(trial: Trial, ledger: Ledger) -> pd.DataFrame:
    """Return every value of every measure, from photos and from hand tallies.

    A plant's photo count at a survey is the number of its fruit over all its photos (sides,
    trusses), a fruit marked as the same in two photos counted once. It is missing, with the
    reason in `note`, while one of its photos is unconfirmed or cannot be counted; a plant of which
    no photo was looked at has no row. Where trusses are named there is a row for each besides the
    row of the whole plant. A measure tallied truss by truss gets its sum as the whole plant's row.
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
    out = {(each.plant, each.survey) for each in exclusions(ledger) if each.plant}
    rows = _photo_rows(standing_answers(ledger)) + _tally_rows(ledger.standing("observation"))
    rows = [
        {**row, **places[row["plant"]]}
        for row in rows
        if row["plant"] in places
        and (row["plant"], row["survey"]) not in out
        and (row["plant"], "") not in out
    ]
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


def _photo_rows(answers: Iterable[Answer]) -> list[Row]:
    """Return the rows that confirmed photos give."""
    by_plant: dict[tuple[str, str], list[Answer]] = defaultdict(list)
    for answer in answers:
        by_plant[answer.survey, answer.plant].append(answer)
    looked = {
        key: sorted(each, key=lambda answer: answer.photo)
        for key, each in by_plant.items()
        if any(answer.answer for answer in each)
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
        named = {one.truss for one in found} | {answer.truss for answer in each}
        trusses = sorted(truss for truss in named if truss is not None)
        for truss in trusses:
            shown = [answer for answer in each if answer.truss in {None, truss}]
            number = sum(one.truss == truss for one in found)
            rows.append(base | _row("fruit", truss, shown, number))
        if survey in with_trusses and all(one.truss is not None for one in found):
            bearing = len({one.truss for one in found})
            rows.append(base | _row("trusses", None, each, bearing))
    return rows


def _row(name: str, truss: int | None, answers: Sequence[Answer], number: int) -> Row:
    """Return a row of a photo count, missing if a photo that it needs is."""
    reasons = [answer.missing for answer in answers if answer.missing]
    if len(reasons) > _MANY:
        reasons = [f"{len(reasons)} of {len(answers)} photos are not confirmed or not countable"]
    looked = [answer for answer in answers if answer.answer]
    last = max(looked, key=lambda answer: (moment(answer.at), answer.at), default=None)
    return {
        "truss": truss,
        "measure": name,
        "value": None if reasons else float(number),
        "unit": "count",
        "by": ", ".join(sorted({answer.reviewer for answer in looked})),
        "at": last.at if last else "",
        "note": "; ".join(reasons),
    }


def _tally_rows(entries: Iterable[Entry]) -> list[Row]:
    """Return the rows that hand tallies give, the newest of each, and whole plants summed."""
    newest: dict[tuple[str, str, int | None, str], tuple[Any, Row]] = {}
    for entry in entries:
        body = entry.body
        key = (body["survey"], body["plant"], body["truss"], body["measure"])
        rank = (moment(body["at"]), body["by"])
        if key not in newest or rank > newest[key][0]:
            newest[key] = (rank, body)
    rows = [body for _, body in newest.values()]
    by_plant: dict[tuple[str, str, str], list[Row]] = defaultdict(list)
    for row in rows:
        if row["truss"] is not None and measure(row["measure"]).kind == "count":
            by_plant[row["survey"], row["plant"], row["measure"]].append(row)
    sums = [
        _sum(each)
        for (survey, plant, name), each in by_plant.items()
        if (survey, plant, None, name) not in newest
    ]
    return rows + sums


def _sum(rows: list[Row]) -> Row:
    """Return the whole plant's row from its trusses' rows."""
    rows = sorted(rows, key=lambda row: row["truss"])
    missing = [f"truss {row['truss']}: {row['note']}" for row in rows if row["value"] is None]
    last = max(rows, key=lambda row: (moment(row["at"]), row["at"]))
    return {
        **last,
        "truss": None,
        "value": None if missing else sum(row["value"] for row in rows),
        "by": ", ".join(sorted({row["by"] for row in rows if row["by"]})),
        "note": "; ".join(missing) or f"sum of {len(rows)} trusses",
    }
