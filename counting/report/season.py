"""Where a trial stands in its season: what is done, what is missing, what comes next."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from counting.ledger import Ledger
from counting.ledger.facts import (
    CANNOT_TELL,
    RETAKE,
    Judged,
    left_out,
    newest_tallies,
    standing_answers,
    tallies,
)
from counting.plan.trial import Trial
from counting.text import few

__all__ = ["STEPS", "Season", "Step", "season"]

_NAMED = 8
"""Plants named in a line; further ones are numbered."""
STEPS = ("plan", "tags", "walk", "check", "answer")


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the season.

    Attributes
    ----------
    name : {"plan", "tags", "walk", "check", "answer"}
        Which one.
    done : bool
        Nothing is left to do for the survey at hand.
    state : str
        How far it is, in words.
    missing : tuple of str
        What is still missing, one sentence each.
    """

    name: str
    done: bool
    state: str
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Season:
    """The steps of a trial, and the one that comes next.

    Attributes
    ----------
    survey : str
        The last survey with photos; empty before any.
    steps : tuple of Step
        In the order of `STEPS`.
    """

    survey: str
    steps: tuple[Step, ...]

    @property
    def next(self) -> str:
        """The first step that is not done; the answer once all are."""
        return next((step.name for step in self.steps if not step.done), "answer")

    def step(self, name: str) -> Step:
        """Return one step by its name."""
        return next(step for step in self.steps if step.name == name)


def season(trial: Trial, ledger: Ledger) -> Season:
    """Say where a trial stands.

    Parameters
    ----------
    trial : Trial
    ledger : Ledger
        The trial's, open.

    Returns
    -------
    Season
        Of the last survey that has photos.
    """
    out = left_out(ledger)
    plants = [
        str(code)
        for code, guard in zip(trial.plants["code"], trial.plants["guard"], strict=True)
        if not guard and not out.plant(code, "")
    ]
    judged = standing_answers(ledger)
    if not judged and (by_hand := _by_hand(trial, ledger, plants)):
        return by_hand
    survey = max((each.photo.survey for each in judged), default="")
    counted = set(plants)
    now = [each for each in judged if each.photo.survey == survey and each.photo.plant in counted]
    walked = {each.photo.plant for each in now}
    return Season(
        survey,
        (
            _plan(trial, len(plants)),
            _tags(trial, walked),
            _walk(plants, walked, survey),
            check := _check(now),
            _answer(plants, now, check),
        ),
    )


def _by_hand(trial: Trial, ledger: Ledger, plants: list[str]) -> Season | None:
    """Return the season of a trial without photos whose plants are counted by hand."""
    measure = trial.plan.main_measure
    told = [each for each in newest_tallies(tallies(ledger)) if each.measure == measure]
    survey = max((each.survey for each in told), default="")
    counted = {each.plant for each in told if each.survey == survey and each.value is not None}
    if 2 * len(counted) < len(plants):  # a double sample beside photos that are still to come
        return None
    lacking = [code for code in plants if code not in counted]
    missing = (f"Without a count: {few(lacking, _NAMED)}.",) if lacking else ()
    state = f"{len(plants) - len(lacking)} of {len(plants)} plants counted"
    walk = Step("walk", done=not lacking, state=f"by hand on {survey}", missing=missing)
    check = Step("check", done=True, state="nothing to check: counted by hand")
    answer = Step("answer", done=not lacking, state=state)
    tags = Step("tags", done=True, state="not needed: counted by hand")
    return Season(survey, (_plan(trial, len(plants)), tags, walk, check, answer))


def _plan(trial: Trial, plants: int) -> Step:
    layout = trial.plan.layout
    groups = " and ".join(group.name for group in trial.plan.groups)
    blocks = f" in {layout.blocks} blocks" if layout.blocks > 1 else ""
    return Step("plan", done=True, state=f"{plants} plants{blocks}: {groups}")


def _tags(trial: Trial, walked: set[str]) -> Step:
    made = (trial.directory / "tags.pdf").is_file()
    state = "hung and photographed" if walked else "made, to be hung" if made else "not made yet"
    return Step("tags", done=made or bool(walked), state=state)


def _walk(plants: list[str], walked: set[str], survey: str) -> Step:
    missing = [code for code in plants if code not in walked]
    if not survey:
        return Step("walk", done=False, state="no photos yet")
    told = (f"Without a photo: {few(missing, _NAMED)}.",) if missing else ()
    state = f"{len(walked)} of {len(plants)} plants photographed on {survey}"
    return Step("walk", done=not missing, state=state, missing=told)


def _check(now: list[Judged]) -> Step:
    if not now:
        return Step("check", done=False, state="nothing to check yet")
    said = Counter(each.word for each in now)
    missing = []
    for word, text in (
        ("", "Not checked yet"),
        (RETAKE, "To photograph again"),
        (CANNOT_TELL, "Cannot be counted; photograph again, or leave out with the reason"),
    ):
        plants = list(dict.fromkeys(each.photo.plant for each in now if each.word == word))
        if plants:
            missing.append(f"{text}: {few(plants, _NAMED)}.")
    checked = len(now) - said[""]
    state = f"{checked} of {len(now)} photos checked"
    return Step("check", done=not said[""], state=state, missing=tuple(missing))


def _answer(plants: list[str], now: list[Judged], check: Step) -> Step:
    by_plant: dict[str, list[Judged]] = {}
    for one in now:
        by_plant.setdefault(one.photo.plant, []).append(one)
    counted = sum(not any(one.missing for one in each) for each in by_plant.values())
    state = f"{counted} of {len(plants)} plants counted" if now else "no counts yet"
    return Step("answer", done=bool(now) and check.done and counted == len(plants), state=state)
