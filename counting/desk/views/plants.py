"""The plants of a trial, and all that is known of one of them."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import quote

import cv2
from starlette.responses import Response

from counting.desk.asked import Asked
from counting.desk.beds import beds
from counting.desk.desk import Desk
from counting.errors import CountingError
from counting.files import inside
from counting.ledger.facts import Judged, left_out, standing_answers
from counting.photos.image import load_image
from counting.photos.places.moving import Place, move
from counting.records.exclusions import leave_out, take_back
from counting.records.rename import rename
from counting.report.history import history

__all__ = ["leave", "moved", "plant", "plants", "renamed", "ringed"]

_SIDE = 1400
_INK = (255, 210, 90)
_OUT = (150, 150, 150)


@dataclass(frozen=True, slots=True)
class _Shown:
    """One photo on a plant's page."""

    photo: str
    survey: str
    side: str
    words: str


def plants(desk: Desk, asked: Asked) -> Response:
    """Show the beds, each plant a link to its page."""
    trial = desk.trial(asked.trial)
    with trial.ledger() as ledger:
        out = [each for each in left_out(ledger).exclusions if each.plant]
    return desk.trial_page(
        "plants.html",
        trial,
        here="plants",
        beds=beds(trial),
        out=out,
        command=f"counting audit {trial.directory.name} --plant CODE",
    )


def plant(desk: Desk, asked: Asked, *, fault: str = "", said: tuple[str, ...] = ()) -> Response:
    """Show all that is known of a plant: photos with rings, values, who did what when."""
    trial = desk.trial(asked.trial)
    code = asked.path["plant"]
    steps, values = history(trial, code)
    with trial.ledger() as ledger:
        judged = [each for each in standing_answers(ledger) if each.photo.plant == code]
        out = [each for each in left_out(ledger).exclusions if each.plant == code]
    shown = [
        _Shown(each.photo.photo, each.photo.survey, each.photo.side, _words(each))
        for each in judged
    ]
    return desk.trial_page(
        "plant.html",
        trial,
        here="plants",
        status=422 if fault else 200,
        code=code,
        photos=sorted(shown, key=lambda each: (each.survey, each.side)),
        values=values,
        history=steps,
        out=out,
        codes=[str(each) for each in trial.counted["code"]],
        fault=fault,
        said=said,
        command=f"counting audit {trial.directory.name} --plant {code}",
    )


def _words(judged: Judged) -> str:
    if judged.answer and judged.counted:
        return f"{judged.answer.count} fruit, by {judged.answer.reviewer}"
    return judged.word or "not checked yet"


def ringed(desk: Desk, asked: Asked) -> Response:
    """Return a photo with the marks that stand for it."""
    trial = desk.trial(asked.trial)
    with trial.ledger() as ledger:
        wanted = asked.path["photo"]
        found = [each for each in standing_answers(ledger) if each.photo.photo == wanted]
    if not found:
        return Response("no such photo", 404)
    image = load_image(inside(trial.directory, found[0].photo.file), long_side=_SIDE)
    drawn = image.rgb.copy()
    for mark in found[0].answer.marks if found[0].answer else ():
        centre = (round(mark.x / image.scale), round(mark.y / image.scale))
        axes = (
            max(3, round(mark.width / image.scale / 2)),
            max(3, round(mark.height / image.scale / 2)),
        )
        colour = _INK if mark.counts else _OUT
        cv2.ellipse(drawn, centre, axes, 0, 0, 360, (0, 0, 0), 4, cv2.LINE_AA)
        cv2.ellipse(drawn, centre, axes, 0, 0, 360, colour, 2, cv2.LINE_AA)
    _, data = cv2.imencode(".jpg", cv2.cvtColor(drawn, cv2.COLOR_RGB2BGR))
    return Response(data.tobytes(), media_type="image/jpeg")


def leave(desk: Desk, asked: Asked) -> Response:
    """Leave a plant out, with the reason, or count it again."""
    trial = desk.trial(asked.trial)
    code, form = asked.path["plant"], asked.form
    by, survey = form.get("by", "").strip() or "desk", form.get("survey", "")
    try:
        if form.get("back"):
            take_back(trial, code, by=by, survey=survey)
            said = f"{code} counts again."
        else:
            leave_out(trial, code, form.get("reason", "").strip(), by=by, survey=survey)
            said = f"{code} is left out; its counts stay in the ledger and the report names it."
    except CountingError as error:
        return plant(desk, asked, fault=str(error))
    return plant(desk, asked, said=(said,))


def moved(desk: Desk, asked: Asked) -> Response:
    """Put a photo at its right plant, with the reason; the ledger keeps both."""
    trial = desk.trial(asked.trial)
    form = asked.form
    target = Place(form.get("to", ""), form.get("side", "").strip(), form.get("survey", ""))
    by, reason = form.get("by", "").strip() or "desk", form.get("reason", "").strip()
    try:
        done = move(trial, [form.get("photo", "")], target, reason=reason, by=by)
    except CountingError as error:
        return plant(desk, asked, fault=str(error))
    return plant(desk, asked, said=tuple(each.sentence for each in done))


def renamed(desk: Desk, asked: Asked) -> Response:
    """Give a plant another code, in the plan and for all that is known of it."""
    trial = desk.trial(asked.trial)
    old, new = asked.path["plant"], asked.form.get("code", "").strip()
    try:
        rename(trial, old, new, by=asked.form.get("by", "").strip())
    except CountingError as error:
        return plant(desk, asked, fault=str(error))
    return desk.go("t", asked.trial, "plant", quote(new, safe=""))
