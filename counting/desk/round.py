"""The walk page's data and script: served by the desk, or one file for a phone without network."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any

from counting.measures import MEASURES
from counting.plan.field_sheet import walking_order
from counting.plan.hand_counts import hand_counted
from counting.plan.trial import Trial
from counting.review.build import LANGUAGES
from counting.review.modules import inlined

__all__ = ["OFFERED", "round_data", "round_script", "round_style", "words"]

OFFERED = ("trusses", "height", "flowers", "leaves_removed", "disease", "picked_fruit")
"""Measures that a walk may take beside the photo; the main measure by hand is drawn by lot."""
_ENTRY = "round.js"
_SHARED = {"outbox.js": "work/outbox.js"}
"""Modules of the contact sheet that the walk page uses."""


def round_data(
    trial: Trial, survey: str, *, measures: tuple[str, ...] = (), base: str | None = None
) -> dict[str, Any]:
    """Return what the walk page shows.

    Parameters
    ----------
    trial : Trial
    survey : str
        Date of the walk, year-month-day.
    measures : tuple of str
        What is recorded on every plant beside the photo.
    base : str, optional
        Path of the walk's addresses on the desk; None for a page without network.

    Returns
    -------
    dict
        JSON values; no group is among them, so that whoever walks cannot know it.
    """
    plants = walking_order(trial.plants, there_and_back=True)
    drawn = hand_counted(trial.plants, seed=trial.plan.seed, survey=survey)
    named = [MEASURES[name] for name in measures if name in MEASURES]
    return {
        "trial": trial.plan.id,
        "title": trial.plan.title,
        "survey": survey,
        "base": base,
        "smallest_mm": trial.plan.rule.smallest_fruit_mm,
        "main": trial.plan.main_measure,
        "plants": [
            {
                "code": str(row.code),
                "row": int(row.row),
                "place": int(row.position),
                "block": str(row.block),
                "hand": str(row.code) in drawn,
            }
            for row in plants.itertuples()
        ],
        "measures": [
            {"name": each.name, "unit": each.unit, "kind": each.kind} for each in named
        ],
        "texts": words(),
    }


def words() -> dict[str, dict[str, Any]]:
    """Return the walk page's words by language, then by key, English first."""
    return {name: json.loads(_part(f"texts/{name}.json")) for name in LANGUAGES}


def round_script() -> str:
    """Return the page's script with all that it imports."""
    return inlined(_ENTRY, _module)


def round_style() -> str:
    """Return the page's style."""
    return _part("round.css")


def _module(name: str) -> str:
    if name in _SHARED:
        shared = files("counting.review").joinpath("page", *_SHARED[name].split("/"))
        return shared.read_text(encoding="utf-8")
    return _part(name)


def _part(name: str) -> str:
    return files("counting.desk").joinpath("pages", *name.split("/")).read_text(encoding="utf-8")
