"""Where a trial stands in its season: what is done, what is missing, what comes next."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from counting.ledger import Ledger
from counting.ledger.facts import (
    CANNOT_TELL,
    RENAMED,
    RETAKE,
    Judged,
    Tally,
    left_out,
    newest_tallies,
    standing_answers,
    tallies,
)
from counting.plan.trial import Trial
from counting.records.tapped import TAKEN_BACK
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
        The last survey with photos, or with most plants tallied by hand; empty before any.
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
        Of the last survey that has photos, or in which most plants were tallied by hand.
    """
    out, judged = left_out(ledger), standing_answers(ledger)
    told = _told(trial, ledger)
    survey = _at_hand(trial, judged, told)
    plants = [str(code) for code in trial.counted["code"] if not out.plant(str(code), survey)]
    counted = set(plants)
    now = [each for each in judged if each.photo.survey == survey and each.photo.plant in counted]
    hand = {each.plant: each for each in told if each.survey == survey and each.plant in counted}
    if _most_by_hand(plants, now, hand):
        return _by_hand(trial, survey, plants, now, hand)
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


def _told(trial: Trial, ledger: Ledger) -> list[Tally]:
    """Return what was tallied of the main measure: a value, or why there is none."""
    measure = trial.plan.main_measure
    told = [each for each in newest_tallies(tallies(ledger)) if each.measure == measure]
    return [each for each in told if each.value is not None or _reason(each)]


def _reason(tally: Tally) -> bool:
    note = tally.note
    return bool(note) and note != TAKEN_BACK and not note.startswith(RENAMED)


def _at_hand(trial: Trial, judged: list[Judged], told: list[Tally]) -> str:
    """Return the last survey with photos, or in which most plants were tallied by hand."""
    plants = {str(code) for code in trial.counted["code"]}
    by_survey: dict[str, set[str]] = {}
    for each in told:
        by_survey.setdefault(each.survey, set()).add(each.plant)
    # a few hand counts alone are a double sample beside photos that are still to come
    by_hand = [day for day, found in by_survey.items() if 2 * len(found & plants) >= len(plants)]
    return max([each.photo.survey for each in judged] + by_hand, default="")


def _most_by_hand(plants: list[str], now: list[Judged], hand: Mapping[str, Tally]) -> bool:
    """Whether the answer rests on the tallies: it takes the source with most plants."""
    return 2 * len(hand) >= max(len(plants), 1) and len(hand) > _counted(now)


def _by_hand(
    trial: Trial, survey: str, plants: list[str], now: list[Judged], hand: Mapping[str, Tally]
) -> Season:
    """Return the season of a survey that is counted by hand; its photos stand beside."""
    lacking = [code for code in plants if code not in hand]
    counted = sum(each.value is not None for each in hand.values())
    gone = len(hand) - counted
    missing = (f"Without a count: {few(lacking, _NAMED)}.",) if lacking else ()
    state = f"{counted} of {len(plants)} plants counted"
    state += f", {gone} missing with the reason" if gone else ""
    checked = f"nothing to check: counted by hand on {survey}"
    if now:
        checked = f"{_check(now).state}; counted by hand"
    tags = _tags(trial, {each.photo.plant for each in now})
    if not tags.done:
        tags = Step("tags", done=True, state="not needed: counted by hand")
    return Season(
        survey,
        (
            _plan(trial, len(plants)),
            tags,
            Step("walk", done=not lacking, state=f"by hand on {survey}", missing=missing),
            Step("check", done=True, state=checked),
            Step("answer", done=not lacking, state=state),
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
    counted = _counted(now)
    state = f"{counted} of {len(plants)} plants counted" if now else "no counts yet"
    return Step("answer", done=bool(now) and check.done and counted == len(plants), state=state)


def _counted(now: list[Judged]) -> int:
    """Return of how many plants all photos are counted."""
    by_plant: dict[str, list[Judged]] = {}
    for one in now:
        by_plant.setdefault(one.photo.plant, []).append(one)
    return sum(not any(one.missing for one in each) for each in by_plant.values())
