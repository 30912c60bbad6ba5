"""Fruit over a season: picked so far and hanging, and growth between surveys."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any

import pandas as pd

from counting.tables import Schema, frame

__all__ = ["GROWTH", "fruit_by_stage", "growth", "totals"]

GROWTH: Schema = {
    "plant": "str",
    "measure": "str",
    "source": "str",
    "since": "str",  # the survey before
    "survey": "str",
    "days": "Int64",  # between the two
    "change": "float64",
    "per_week": "float64",
    "group": "str",
    "block": "str",
    "plot": "str",
}
"""How a plant changed from one survey to the next."""


_STAGES = ("green_fruit", "turning_fruit", "ripe_fruit")


def fruit_by_stage(rows: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Return rows of `fruit` where a plant's fruit were tallied by stage of ripeness only.

    Parameters
    ----------
    rows : iterable of mapping
        Columns of `counting.tables.OBSERVATIONS`.

    Returns
    -------
    list of dict
        A row for each plant and survey with all three stages and no fruit tallied in all.
    """
    told: dict[tuple[str, str], dict[str, Mapping[str, Any]]] = defaultdict(dict)
    for row in rows:
        if row["truss"] is None and row["source"] == "tally":
            told[row["survey"], row["plant"]][row["measure"]] = row
    found = []
    for named in told.values():
        parts = [named[name] for name in _STAGES if name in named]
        if len(parts) < len(_STAGES) or "fruit" in named:
            continue
        values = [part["value"] for part in parts]
        lacking = [
            f"{part['measure'].replace('_', ' ')}: {part['note']}"
            for part in parts
            if part["value"] is None
        ]
        last = max(parts, key=lambda part: str(part["at"]))
        value = None if lacking else sum(values)
        note = "; ".join(lacking) or "green, turning and ripe fruit together"
        found.append({**last, "measure": "fruit", "value": value, "note": note})
    return found


def totals(rows: Iterable[Mapping[str, Any]], *, fallen: bool) -> list[dict[str, Any]]:
    """Return rows of `fruit_total`: fruit hanging, and all picked up to that survey.

    Parameters
    ----------
    rows : iterable of mapping
        Columns of `counting.tables.OBSERVATIONS`, one row per plant, survey, truss, measure and
        source.
    fallen : bool
        Whether fallen fruit counts too.

    Returns
    -------
    list of dict
        One row for every whole-plant row of `fruit` of the plots in which picking (or falling) was
        recorded; missing, with the reason, where a plant lacks a record that others of its plot
        have: "nothing picked" is written as 0.
    """
    wanted = {"picked_fruit", "fallen_fruit"} if fallen else {"picked_fruit"}
    taken: dict[tuple[str, str], dict[str, float | None]] = defaultdict(dict)
    dates: dict[tuple[str, str], set[str]] = defaultdict(set)
    hanging = []
    for row in rows:
        if row["truss"] is not None:
            continue
        if row["measure"] in wanted:
            taken[row["plant"], row["measure"]][row["survey"]] = row["value"]
            dates[row["plot"], row["measure"]].add(row["survey"])
        elif row["measure"] == "fruit":
            hanging.append(row)
    found = []
    for row in hanging:
        value, reasons = row["value"], [row["note"]] if row["value"] is None else []
        recorded = False
        for name in sorted(wanted):
            for day in sorted(dates[row["plot"], name]):
                recorded = True
                if day > row["survey"]:
                    continue
                part = taken[row["plant"], name].get(day)
                if part is None:
                    reasons.append(f"{name.replace('_', ' ')} not recorded on {day}")
                elif value is not None:
                    value += part
        if recorded:
            note = "; ".join(reasons)
            total = None if reasons else value
            found.append({**row, "measure": "fruit_total", "value": total, "note": note})
    return found


def growth(table: pd.DataFrame, measure: str) -> pd.DataFrame:
    """Return how much each plant changed between its successive surveys.

    Parameters
    ----------
    table : DataFrame
        Columns `counting.tables.OBSERVATIONS`; rows of whole plants are used, missing values
        passed over.
    measure : str
        The measure, such as height.

    Returns
    -------
    DataFrame
        Columns `GROWTH`; one row per plant and source from its second survey on.
    """
    chosen = table[(table["measure"] == measure) & table["truss"].isna() & table["value"].notna()]
    rows = []
    for (plant, source), each in chosen.groupby(["plant", "source"], sort=False):
        seen = each.sort_values("survey").to_dict("records")
        for before, after in zip(seen, seen[1:], strict=False):
            days = (date.fromisoformat(after["survey"]) - date.fromisoformat(before["survey"])).days
            change = after["value"] - before["value"]
            rows.append(
                {
                    **{name: after[name] for name in ("measure", "group", "block", "plot")},
                    "plant": plant,
                    "source": source,
                    "since": before["survey"],
                    "survey": after["survey"],
                    "days": days,
                    "change": change,
                    "per_week": change / days * 7,
                }
            )
    return frame(rows, GROWTH)
