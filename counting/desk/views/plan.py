"""The plan: asked for in a form, drawn as a map while it is filled in, then fixed."""

from __future__ import annotations

import re
import shlex
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from starlette.responses import Response

from counting.desk.asked import Asked
from counting.desk.desk import Desk
from counting.errors import CountingError
from counting.plan.form import DAYS, read_form
from counting.plan.layout import draw, layout_notes, new_id, new_seed
from counting.plan.map import map_picture
from counting.plan.needed.have_blocks import blocks_show
from counting.plan.needed.plants import Aim
from counting.plan.needed.text import typed_spread
from counting.plan.questions import USUAL
from counting.plan.start import refuse_to_spoil, start_trial
from counting.plan.trial import Plan, Trial, make_plan
from counting.records.amend import CHANGEABLE, amend, changes
from counting.typed import plain_number, share, whole_number

__all__ = [
    "amended",
    "change",
    "create",
    "draft_map",
    "draw_again",
    "map_of",
    "new",
    "plan",
    "shows",
]

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
    texts = {"title": "", "crop": "tomato"} | dict.fromkeys(DAYS, "")
    texts |= {name: _GUESS[name] for name in ("mean", "sd")}
    return _form(desk, None, texts=texts | _usual(), groups=_rows({}))


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
    return entries, faults


def create(desk: Desk, asked: Asked) -> Response:
    """Draw lots and make the trial, or show the form again with what is wrong beside each field."""
    return _drawn(desk, asked, None)


def change(desk: Desk, asked: Asked) -> Response:
    """Show the form with the plan that stands, as long as nothing was recorded under it."""
    trial = desk.trial(asked.trial)
    refuse_to_spoil(trial.directory, replace=True)
    texts = _GUESS | _usual() | _texts(trial.plan)
    return _form(desk, trial, texts=texts, groups=_rows(texts))


def draw_again(desk: Desk, asked: Asked) -> Response:
    """Draw lots anew for a changed plan, as long as nothing was recorded under the old one."""
    return _drawn(desk, asked, desk.trial(asked.trial))


def _drawn(desk: Desk, asked: Asked, trial: Trial | None) -> Response:
    entries, faults = _entries(asked, seed=new_seed())
    fault = ""
    if not faults:
        if trial:
            entries["id"] = trial.plan.id
        target = trial.directory if trial else desk.shelf.free(entries["title"])
        try:
            made = start_trial(
                target, make_plan(entries, where="the plan"), replace=trial is not None
            )
            return desk.go("t", made.directory.name, "plan")
        except CountingError as error:
            fault = str(error)
    texts = _GUESS | _usual() | dict.fromkeys(("title", "crop", *DAYS), "") | dict(asked.form)
    return _form(
        desk, trial, texts=texts, groups=_rows(asked.form), faults=faults, fault=fault, status=422
    )


def _form(
    desk: Desk,
    trial: Trial | None,
    *,
    texts: Mapping[str, str],
    groups: list[dict[str, str]],
    faults: Mapping[str, str] | None = None,
    fault: str = "",
    status: int = 200,
) -> Response:
    action, command = desk.to("new"), "counting start DIR"
    if trial:
        action = desk.to("t", trial.directory.name, "plan", "again")
        command = f"counting start {trial.directory.name} --replace"
    return desk.page(
        "new.html",
        status=status,
        texts=texts,
        groups=groups,
        faults=faults or {},
        fault=fault,
        action=action,
        again=trial is not None,
        command=command,
    )


def _texts(plan: Plan) -> dict[str, str]:
    """Return a plan's entries as they are typed."""
    texts = {
        "title": plan.title,
        "crop": plan.crop,
        "allotted_to": plan.allotted_to,
        "main_measure": plan.main_measure,
        "smallest_difference": f"{100 * plan.smallest_difference:g} %",
    }
    texts |= {name: str(getattr(plan, name) or "") for name in DAYS}
    for part in (plan.layout, plan.rule):
        for name, value in part.model_dump().items():
            if isinstance(value, bool):
                texts[name] = "yes" if value else "no"
            elif value is not None:
                texts[name] = f"{value:g}"
    ordered = sorted(plan.groups, key=lambda group: group.name != plan.control)
    for number, group in enumerate(ordered, start=1):
        texts[f"group_{number}"], texts[f"treatment_{number}"] = group.name, group.treatment
    return texts


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


def plan(desk: Desk, asked: Asked, *, fault: str = "", said: tuple[str, ...] = ()) -> Response:
    """Show the plan as it stands, with its map."""
    trial = desk.trial(asked.trial)
    with trial.ledger() as ledger:
        changed = changes(ledger)
    return desk.trial_page(
        "plan.html",
        trial,
        here="plan",
        status=422 if fault else 200,
        fault=fault,
        said=said,
        changed=changed,
        texts=_texts(trial.plan) | (dict(asked.form) if fault else {}),
        refused=bool(fault),
        notes=layout_notes(trial.plan),
        open=_open(trial),
        rule=_rule(trial.plan),
        command=_command(trial),
    )


def amended(desk: Desk, asked: Asked) -> Response:
    """Change what may still change of a plan under which counts stand, with the reason."""
    trial = desk.trial(asked.trial)
    texts = {name: asked.form[name] for name in CHANGEABLE if name in asked.form}
    by = asked.form.get("by", "").strip() or "desk"
    try:
        amend(trial, texts, reason=asked.form.get("reason", ""), by=by)
    except CountingError as error:
        return plan(desk, asked, fault=str(error))
    said = "Changed. The ledger keeps the plan as it was, and why; the audit names it."
    return plan(desk, asked, said=(said,))


def _open(trial: Trial) -> bool:
    """Whether nothing was recorded under the plan yet."""
    try:
        refuse_to_spoil(trial.directory, replace=True)
    except CountingError:
        return False
    return True


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


_OPTIONS = {"smallest_fruit_mm": "smallest-mm", "spacing_mm": "spacing"}
"""Options of the command that are not called as the plan's entry is."""
_SWITCHES = {"count_damaged": "damaged", "count_fallen": "fallen", "add_picked": "picked"}
_UNSAFE = re.compile(r'["$`!\\]')
"""What a shell reads even between double quotes."""
_BARE = re.compile(r"[\w.\-]+", re.ASCII)


def _command(trial: Trial) -> str:
    """Return the command that makes the same plan, with all that is not as usual."""
    plan, name = trial.plan, trial.directory.name
    words = ["counting start", name, "--title", _quoted(plan.title)]
    for group in plan.groups:
        named = f"{group.name}={group.treatment}" if group.treatment else group.name
        words += ["--group", _quoted(named)]
    words += ["--control", _quoted(plan.control)]
    layout = plan.layout.model_dump(exclude_none=True)
    spacing = layout.pop("spacing_mm", 0.0)
    entries: dict[str, Any] = {"allotted_to": plan.allotted_to, "main_measure": plan.main_measure}
    entries |= {"smallest_difference": plan.smallest_difference, "spacing_mm": spacing}
    entries |= plan.rule.model_dump()
    unusual = {key: value for key, value in entries.items() if value != USUAL[key]}
    unusual |= {"crop": plan.crop} if plan.crop != "tomato" else {}
    unusual |= {day: getattr(plan, day) for day in DAYS if getattr(plan, day)}
    # how many of each depends on what gets its treatment by lot: all of them are said
    for key, value in [*layout.items(), *unusual.items()]:
        if key in _SWITCHES:
            words.append(f"--{'' if value else 'no-'}{_SWITCHES[key]}")
        else:
            text = f"{value:g}" if isinstance(value, float) else str(value)
            words += [f"--{_OPTIONS.get(key, key.replace('_', '-'))}", _quoted(text)]
    words += [f"--seed {plan.seed}; counting amend {name} --deciding-survey DATE --reason", '"..."']
    return " ".join(words)


def _quoted(text: str) -> str:
    if _UNSAFE.search(text):
        return shlex.quote(text)
    return text if _BARE.fullmatch(text) else f'"{text}"'
