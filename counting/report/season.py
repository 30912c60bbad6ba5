"""Where a trial stands in its season: what is done, what is missing, what comes next."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from counting.ledger import Ledger
from counting.plan.trial import Trial
from counting.records.confirmed import Answer, standing_answers
from counting.records.exclusions import exclusions

__all__ = ["STEPS", "Season", "Step", "season"]

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
    out = {each.plant for each in exclusions(ledger) if each.plant and not each.survey}
    plants = [
        str(code)
        for code, guard in zip(trial.plants["code"], trial.plants["guard"], strict=True)
        if not guard and code not in out
    ]
    answers = standing_answers(ledger)
    survey = max((answer.survey for answer in answers), default="")
    now = [answer for answer in answers if answer.survey == survey and answer.plant in set(plants)]
    walked = {answer.plant for answer in now}
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
    told = (f"Without a photo: {_some(missing)}.",) if missing else ()
    state = f"{len(walked)} of {len(plants)} plants photographed on {survey}"
    return Step("walk", done=not missing, state=state, missing=told)


def _check(now: list[Answer]) -> Step:
    if not now:
        return Step("check", done=False, state="nothing to check yet")
    said = Counter(answer.answer for answer in now)
    missing = []
    for word, text in (
        ("", "Not checked yet"),
        ("retake", "To photograph again"),
        ("cannot tell", "Cannot be counted; photograph again, or leave out with the reason"),
    ):
        plants = list(dict.fromkeys(answer.plant for answer in now if answer.answer == word))
        if plants:
            missing.append(f"{text}: {_some(plants)}.")
    checked = len(now) - said[""]
    state = f"{checked} of {len(now)} photos checked"
    return Step("check", done=not said[""], state=state, missing=tuple(missing))


def _answer(plants: list[str], now: list[Answer], check: Step) -> Step:
    by_plant: dict[str, list[Answer]] = {}
    for answer in now:
        by_plant.setdefault(answer.plant, []).append(answer)
    counted = sum(not any(answer.missing for answer in each) for each in by_plant.values())
    state = f"{counted} of {len(plants)} plants counted" if now else "no counts yet"
    return Step("answer", done=bool(now) and check.done and counted == len(plants), state=state)


def _some(codes: list[str], most: int = 8) -> str:
    """Name codes, the first few where they are many."""
    more = len(codes) - most
    return ", ".join(codes[:most]) + (f" and {more} more" if more > 0 else "")
