"""The plan: asked for in a form, drawn as a map while it is filled in, then fixed."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from starlette.responses import Response

from counting.desk.asked import Asked
from counting.desk.desk import Desk
from counting.errors import CountingError
from counting.plan.layout import draw, layout_notes, new_id, new_seed
from counting.plan.map import map_picture
from counting.plan.needed.have_blocks import blocks_show
from counting.plan.needed.plants import Aim
from counting.plan.needed.text import typed_spread
from counting.plan.questions import USUAL, read_form
from counting.plan.start import start_trial
from counting.plan.trial import Plan, Trial, make_plan
from counting.typed import plain_number, share, whole_number

__all__ = ["create", "draft_map", "map_of", "new", "plan", "shows"]

_GROUPS = 4
"""Rows for groups in the form: more than four are seldom compared in a small trial."""
_DRAFT = {"title": "The beds", "group_1": "first group", "group_2": "second group"}
"""What a map drawn before names are given calls things."""
_GUESS = {
    "blocks": "4",
    "plants_per_plot": "3",
    "smallest_difference": "20 %",
    "mean": "15",
    "sd": "6",
}
"""Where nobody counted yet: plants of a row usually differ by 40 % or so (common practice)."""
_LIKENESS = 0.1
"""Share of the variance that plants of one plot have in common (common practice)."""


def new(desk: Desk, _: Asked) -> Response:
    """Show the empty form."""
    texts = {"title": "", "crop": "tomato", "first_treatment": ""}
    texts |= {name: _GUESS[name] for name in ("mean", "sd")}
    return desk.page("new.html", texts=texts | _usual(), faults={}, groups=_rows({}), fault="")


def _usual() -> dict[str, str]:
    """Return the usual answers as they are typed."""
    words = {True: "yes", False: "no"}
    texts = {
        name: words[value]
        if isinstance(value, bool)
        else f"{value:g}"
        if isinstance(value, float)
        else str(value)
        for name, value in USUAL.items()
    }
    return texts | {"smallest_difference": "20 %", "spacing_mm": "unknown"}


def _rows(form: Any) -> list[dict[str, str]]:
    return [
        {
            "name": form.get(f"group_{number}", ""),
            "treatment": form.get(f"treatment_{number}", ""),
            "number": str(number),
        }
        for number in range(1, _GROUPS + 1)
    ]


def _entries(asked: Asked, *, seed: int) -> tuple[dict[str, Any], dict[str, str]]:
    """Return the entries of the plan that a form means, and a fault for each wrong field."""
    form = asked.form
    named = [row for row in _rows(form) if row["name"].strip()]
    groups = [f"{row['name'].strip()}={row['treatment'].strip()}" for row in named]
    control = named[0]["name"].strip() if named else ""
    entries, faults = read_form({**form, "groups": groups, "control": control})
    entries |= {"id": new_id(), "seed": seed, "crop": form.get("crop", "").strip() or "tomato"}
    entries["first_treatment"] = form.get("first_treatment") or None
    return entries, faults


def create(desk: Desk, asked: Asked) -> Response:
    """Draw lots and make the trial, or show the form again with what is wrong beside each field."""
    entries, faults = _entries(asked, seed=new_seed())
    fault = ""
    if not faults:
        try:
            made = start_trial(
                desk.shelf.free(entries["title"]), make_plan(entries, where="the plan")
            )
            return desk.go("t", made.directory.name, "plan")
        except CountingError as error:
            fault = str(error)
    texts = _GUESS | _usual() | {"title": "", "crop": "", "first_treatment": ""} | dict(asked.form)
    groups = _rows(asked.form)
    return desk.page("new.html", status=422, texts=texts, faults=faults, groups=groups, fault=fault)


def draft_map(_: Desk, asked: Asked) -> Response:
    """Draw the beds of a plan that is still being filled in, with lots as they might fall."""
    entries, faults = _entries(Asked(form=_DRAFT | _filled(asked.query)), seed=0)
    if faults:
        return Response(status_code=204)
    try:
        plan = make_plan(entries, where="the plan")
        picture = map_picture(Trial(Path(), plan, draw(plan)), form="svg", blind=True)
    except CountingError:
        return Response(status_code=204)
    return Response(picture, media_type="image/svg+xml")


def _filled(texts: Mapping[str, str]) -> dict[str, str]:
    return {name: text for name, text in texts.items() if text.strip()}


def shows(_: Desk, asked: Asked) -> dict[str, Any]:
    """Say what so many blocks can show; nothing while the form cannot be read."""
    form = _GUESS | _filled(asked.query)
    if form.get("allotted_to", "plot") != "plot":
        return {"sentence": ""}
    try:
        blocks = whole_number(form["blocks"], 2, 1000)
        plants = whole_number(form["plants_per_plot"], 1, 1000)
        mean, sd = plain_number(form["mean"]), plain_number(form["sd"])
        spread = typed_spread("count", mean=mean, sd=sd, k=None, likeness=_LIKENESS)
        aim = Aim(share(form["smallest_difference"]))
        return {"sentence": blocks_show(spread, aim, blocks, plants).sentence}
    except (ValueError, CountingError):
        return {"sentence": ""}


def plan(desk: Desk, asked: Asked) -> Response:
    """Show the plan as it stands, with its map."""
    trial = desk.trial(asked.trial)
    return desk.trial_page(
        "plan.html",
        trial,
        here="plan",
        notes=layout_notes(trial.plan),
        rule=_rule(trial.plan),
        command=_command(trial),
    )


def map_of(desk: Desk, asked: Asked) -> Response:
    """Return the map of the beds as a picture."""
    blind = asked.query.get("groups") is None
    picture = map_picture(desk.trial(asked.trial), form="svg", blind=blind)
    return Response(picture, media_type="image/svg+xml")


def _rule(plan: Plan) -> list[str]:
    rule = plan.rule
    return [
        f"Fruit count from {rule.smallest_fruit_mm:g} mm.",
        f"Damaged fruit {'count' if rule.count_damaged else 'do not count'}.",
        f"Fallen fruit {'count' if rule.count_fallen else 'do not count'}.",
        "Picked fruit are added to those hanging."
        if rule.add_picked
        else "Picked fruit are not added.",
    ]


def _command(trial: Trial) -> str:
    plan = trial.plan
    groups = " ".join(f'--group "{group.name}"' for group in plan.groups)
    layout = plan.layout
    return (
        f'counting start DIR --title "{plan.title}" {groups} --control "{plan.control}" '
        f"--blocks {layout.blocks} --plants-per-plot {layout.plants_per_plot} --seed {plan.seed}"
    )
