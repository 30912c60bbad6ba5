"""The walk page's data and script: served by the desk, or one file for a phone without network."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from counting.measures import measure
from counting.plan.field_sheet import walking_order
from counting.plan.hand_counts import hand_counted
from counting.plan.trial import Trial
from counting.review.build import LANGUAGES, as_json, policy
from counting.review.modules import inlined

__all__ = ["OFFERED", "module", "walk_data", "walk_document", "words"]

OFFERED = ("fruit", "trusses", "height", "flowers", "leaves_removed", "disease", "picked_fruit")
"""Measures that a walk may take on every plant; without ``fruit`` only the plants that the lot fell
on are counted by hand."""
_ENTRY = "walk-page.js"
_SHARED = {"outbox.js": "work/outbox.js", "words.js": "ground/words.js"}
"""Modules of the contact sheet that the walk page uses."""


def walk_data(
    trial: Trial,
    survey: str,
    *,
    measures: tuple[str, ...] = (),
    base: str | None = None,
    tags_only: bool = False,
    by_truss: bool = False,
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
    tags_only : bool
        The walk only holds each tag against its plant; nothing is recorded.
    by_truss : bool
        The main measure is tallied truss by truss.

    Returns
    -------
    dict
        JSON values; no group is among them, so that whoever walks cannot know it.
    """
    plants = walking_order(trial.plants, there_and_back=True)
    drawn = hand_counted(trial.plants, seed=trial.plan.seed, survey=survey)
    main = trial.plan.main_measure
    wanted = dict.fromkeys(main if name == "fruit" else name for name in measures)
    named = [measure(name) for name in wanted]
    return {
        "trial": trial.plan.id,
        "title": trial.plan.title,
        "survey": survey,
        "base": base,
        "tags_only": tags_only,
        "by_truss": by_truss,
        "smallest_mm": trial.plan.rule.smallest_fruit_mm,
        "main": main,
        "plants": [
            {
                "code": str(code),
                "row": int(row),
                "place": int(position),
                "block": str(block),
                "hand": str(code) in drawn and not tags_only,
            }
            for code, row, position, block in zip(
                *(plants[name] for name in ("code", "row", "position", "block")), strict=True
            )
        ],
        "measures": [{"name": each.name, "unit": each.unit, "kind": each.kind} for each in named],
        "texts": words(),
    }


def words() -> dict[str, dict[str, Any]]:
    """Return the walk page's words by language, then by key, English first."""
    return {name: json.loads(_part(f"texts/{name}.json")) for name in LANGUAGES}


def walk_document(
    trial: Trial,
    survey: str,
    *,
    measures: tuple[str, ...] = (),
    base: str | None = None,
    **told: bool,
) -> tuple[str, str]:
    """Return the walk page as one document, and the policy it is bound by; see `walk_data`."""
    script, style = inlined(_ENTRY, module), _part("walk-page.css")
    shown = walk_data(trial, survey, measures=measures, base=base, **told)
    bound = policy(style, script, live=base is not None)
    pages = Environment(autoescape=True, undefined=StrictUndefined)
    text = pages.from_string(_part("walk-page.html")).render(
        title=trial.plan.title,
        survey=survey,
        policy=bound,
        style=Markup(style),
        script=Markup(script),
        data=Markup(as_json(shown)),
    )
    return text, bound


def module(name: str) -> str:
    """Return a page's script or style by its name; some are shared with the contact sheet."""
    if name in _SHARED:
        shared = files("counting.review").joinpath("page", *_SHARED[name].split("/"))
        return shared.read_text(encoding="utf-8")
    return _part(name)


def _part(name: str) -> str:
    return files("counting.desk").joinpath("pages", *name.split("/")).read_text(encoding="utf-8")
