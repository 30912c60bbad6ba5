"""A trial's lessons: learnt from its reviews survey by survey, kept in the ledger, repeated."""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from counting.errors import CountingError
from counting.files import now
from counting.finding.lesson.confirmed import (
    Confirmed,
    confirmed_by,
    confirmed_photos,
    reviewed,
)
from counting.finding.lesson.fit import LEAST_PHOTOS, Taught, figures_of, helps, teach
from counting.finding.lesson.glance import glance_at_reviewed
from counting.ledger import Ledger
from counting.ledger.facts import (
    Lesson,
    Photo,
    lessons,
    photos,
    proposals,
    standing_answers,
)
from counting.plan.trial import Trial
from counting.settings import Settings

__all__ = [
    "Learnt",
    "difference",
    "due",
    "learn",
    "learn_trial",
    "lesson_for",
    "outgrown",
    "repeat_lesson",
    "settings_with",
    "with_numbers",
    "worth_learning",
]

NUMBERS = ("threshold", "slope", "offset", "fruit_spread", "look")
"""Of the settings, what a trial can have of its own."""
_ALIKE = 2e-3
"""Another machine's arithmetic moves a fitted number by less."""
_UNEVEN = 2
"""A group whose photos taught so many times as much as another's is told of."""


@dataclass(frozen=True, slots=True)
class Learnt:
    """What one survey's reviews taught.

    Attributes
    ----------
    lesson : Lesson
        As the ledger has it now.
    before, after : Settings
        As shipped, and as learnt.
    stored : bool
        Whether the ledger got it now; it stood already otherwise.
    """

    lesson: Lesson
    before: Settings
    after: Settings
    stored: bool

    def to_json(self) -> dict[str, Any]:
        """Return it as JSON values."""
        return self.lesson.told() | {"stored": self.stored, "uneven": self.uneven}

    @property
    def sentence(self) -> str:
        """What a person should know of it."""
        told = f"Learnt from {len(self.lesson.photos)} reviewed photos"
        if not self.lesson.used:
            return f"{told}: it helps nothing on photos left out, so the finder stays as shipped."
        old, new = self.lesson.gain["count_mae"]
        within = round(100 * self.lesson.gain["interval_coverage"][1])
        look = self.lesson.look
        told += "." if look == 1 else f". It looks at {100 * look:.0f} % of the usual size."
        if round(new, 1) >= round(old, 1):
            nearer = "how sure the finder is of a fruit came nearer to the truth"
            fewer = "fewer of its candidates had to be corrected"
            return (
                f"{told} On photos left out of the learning a count was off by {new:.1f} fruit,"
                f" before by {old:.1f}; but {nearer if look == 1 else fewer},"
                f" and {within} % of the counts lay in their intervals."
            )
        return (
            f"{told} On photos left out of the learning a count was off by {new:.1f} fruit"
            f" instead of {old:.1f}, and {within} % of the counts lay in their intervals."
        )

    @property
    def uneven(self) -> str:
        """What to say where one group's photos taught far more than another's; else empty."""
        told = sorted(self.lesson.groups.items(), key=lambda pair: (-pair[1], pair[0]))
        if len(told) < 2 or told[0][1] < _UNEVEN * max(told[-1][1], 1):
            return ""
        listed = ", ".join(f"{count} of {group}" for group, count in told)
        return (
            f"Learnt from photos of the groups unevenly ({listed}): review more of {told[-1][0]}."
        )


def settings_with(settings: Settings, lesson: Lesson | None, survey: str | None = None) -> Settings:
    """Return the settings with a lesson's numbers; as they are without one that helps.

    Numbers learnt with other stages are left aside.

    Parameters
    ----------
    settings : Settings
        As shipped.
    lesson : Lesson, optional
    survey : str, optional
        Of the photos in question; where the lesson is of another one it is borrowed.
    """
    if lesson is None or not lesson.used or settings.stages != lesson.stages:
        return settings
    numbers = {name: getattr(lesson, name) for name in (*NUMBERS, "weights")}
    borrowed = survey is not None and lesson.survey not in ("", survey)
    return dataclasses.replace(settings, **numbers, lesson=lesson.digest, borrowed=borrowed)


def lesson_for(standing: Mapping[str, Lesson], survey: str) -> Lesson | None:
    """Return the lesson for a survey's photos: its own, else that of the last one before it.

    Light and ripeness move from survey to survey, the cultivar, the place and the phone do not. So
    the interval under a borrowed lesson is as wide as its own and as shipped
    (`counting.finding.interval`).
    """
    earlier = [each for each in standing if each <= survey]
    return standing[max(earlier)] if earlier else None


def due(ledger: Ledger, stages: Sequence[str]) -> list[str]:
    """Return the surveys with enough new reviews to learn from: at 5, 10, 20, 40 ... photos.

    A thorough lesson stands until it is asked for anew: what is learnt at once would put the
    weights that ship in its place.
    """
    standing = lessons(ledger)
    thorough = {name for name, each in standing.items() if each.weights and each.used}
    return [
        survey
        for survey, confirmed in _by_survey(ledger, stages).items()
        if survey not in thorough
        and _step(len(confirmed)) > _step(_learnt_from(standing.get(survey), stages))
    ]


def outgrown(ledger: Ledger, stages: Sequence[str]) -> dict[str, int]:
    """Return the surveys whose thorough lesson rests on few of the photos reviewed by now.

    Few: where a lesson at once would have been due again. With the number reviewed.
    """
    told = _reviewed_by_survey(ledger, stages)
    return {
        survey: told[survey]
        for survey, each in lessons(ledger).items()
        if each.weights and each.used and _step(told[survey]) > _step(len(each.photos))
    }


def worth_learning(ledger: Ledger, stages: Sequence[str] | None = None) -> bool:
    """Whether a lesson is due, and photos wait for an answer that it would help to find.

    Parameters
    ----------
    ledger : Ledger
    stages : sequence of str, optional
        Whose candidates were reviewed; by default those of the newest proposal.
    """
    made = list(proposals(ledger).values())
    waiting = any(not each.answer for each in standing_answers(ledger))
    return bool(made) and waiting and bool(due(ledger, stages or made[-1].stages))


def _learnt_from(lesson: Lesson | None, stages: Sequence[str]) -> int:
    return len(lesson.photos) if lesson and lesson.stages == tuple(stages) else 0


def _step(photos: int) -> int:
    """Return how often `LEAST_PHOTOS` was reached and doubled; 0 below it."""
    return (photos // LEAST_PHOTOS).bit_length()


def learn(
    ledger: Ledger,
    settings: Settings,
    where: str,
    *,
    groups: Mapping[str, str] | None = None,
    surveys: Collection[str] | None = None,
    write: bool = True,
) -> list[Learnt]:
    """Learn from the reviewed photos of each survey and record the lesson, also one of no help.

    Parameters
    ----------
    ledger : Ledger
        The trial's.
    settings : Settings
        Stages, and the numbers as shipped.
    where : str
        Names the trial in messages.
    groups : mapping of str to str, optional
        Plant to group, to tell whose photos taught.
    surveys : sequence of str, optional
        Only these; by default every survey with enough reviewed photos.
    write : bool
        Record the lessons.

    Raises
    ------
    CountingError
        If no survey has as many as `LEAST_PHOTOS` confirmed photos.
    """
    every = _by_survey(ledger, settings.stages)
    chosen = every if surveys is None else {name: every.get(name, []) for name in surveys}
    enough = {name: found for name, found in chosen.items() if len(found) >= LEAST_PHOTOS}
    if not enough:
        most = max(map(len, chosen.values()), default=0)
        found = f"{most} photos of one survey confirmed from candidates of these stages"
        mend = "confirm more photos, then learn"
        raise CountingError(where, found, f"at least {LEAST_PHOTOS}", mend)
    taken = photos(ledger)
    learnt = [
        _learn_one(ledger, survey, enough[survey], settings, _groups(enough[survey], taken, groups))
        for survey in sorted(enough)
    ]
    for each in learnt:
        if write and each.stored:
            ledger.add([each.lesson], by=", ".join(each.lesson.reviewers))
    return learnt if write else [dataclasses.replace(each, stored=False) for each in learnt]


def learn_trial(
    trial: Trial,
    ledger: Ledger,
    settings: Settings,
    surveys: Collection[str] | None = None,
    *,
    write: bool = True,
) -> list[Learnt]:
    """Learn from a trial's reviews as `learn` does; its plan tells the groups.

    First the reviewed photos are looked at once more, at the other sizes that a lesson tries.
    """
    enough = {
        survey
        for survey, number in _reviewed_by_survey(ledger, settings.stages).items()
        if number >= LEAST_PHOTOS and (surveys is None or survey in surveys)
    }
    glance_at_reviewed(trial, ledger, settings, enough)
    groups = dict(zip(trial.plants["code"], trial.plants["group"], strict=True))
    where = str(trial.directory)
    return learn(ledger, settings, where, groups=groups, surveys=surveys, write=write)


def _reviewed_by_survey(ledger: Ledger, stages: Sequence[str]) -> Counter[str]:
    """Count reviewed photos, whichever weights they were reviewed with."""
    taken = photos(ledger)
    return Counter(
        taken[each.answer.photo].survey if each.answer.photo in taken else ""
        for each in reviewed(ledger, stages)
    )


def _by_survey(ledger: Ledger, stages: Sequence[str]) -> dict[str, list[Confirmed]]:
    taken = photos(ledger)
    found: dict[str, list[Confirmed]] = {}
    for each in confirmed_photos(ledger, stages):
        survey = taken[each.photo].survey if each.photo in taken else ""
        found.setdefault(survey, []).append(each)
    return dict(sorted(found.items()))


def _groups(
    confirmed: Sequence[Confirmed], taken: Mapping[str, Photo], groups: Mapping[str, str] | None
) -> dict[str, int]:
    if not groups:
        return {}
    known = [groups.get(taken[each.photo].plant, "") for each in confirmed if each.photo in taken]
    counts = Counter(name for name in known if name)
    return {name: counts[name] for name in sorted(set(groups.values()))}


def _learn_one(
    ledger: Ledger,
    survey: str,
    confirmed: Sequence[Confirmed],
    settings: Settings,
    groups: Mapping[str, int],
) -> Learnt:
    taught = teach(confirmed, settings)
    made = _lesson(taught, confirmed, survey, groups, now())
    standing = lessons(ledger).get(survey)
    if standing and dataclasses.replace(made, at=standing.at) == standing:
        return Learnt(standing, taught.before, taught.after, stored=False)
    return Learnt(made, taught.before, taught.after, stored=True)


def _lesson(
    taught: Taught,
    confirmed: Sequence[Confirmed],
    survey: str,
    groups: Mapping[str, int],
    at: str,
) -> Lesson:
    return Lesson(
        **{name: getattr(taught.after, name) for name in NUMBERS},
        stages=taught.after.stages,
        photos=tuple(photo.photo for photo in confirmed),
        reviewers=tuple(sorted({photo.reviewer for photo in confirmed})),
        at=at,
        gain=taught.gain,
        survey=survey,
        used=taught.used,
        answers=tuple(photo.answer for photo in confirmed),
        groups=groups,
        shipped=taught.before.threshold,
        looks=taught.looks,
    )


def with_numbers(lesson: Lesson, settings: Settings) -> Lesson:
    """Return a lesson with the numbers of settings."""
    return dataclasses.replace(lesson, **{name: getattr(settings, name) for name in NUMBERS})


def difference(told: Lesson, again: Lesson) -> str:
    """Say where a lesson learnt again differs from the one that was recorded; empty if nowhere."""
    for name in (*NUMBERS, "shipped"):
        one, other = getattr(told, name), getattr(again, name)
        if one is None or other is None or abs(one - other) > _ALIKE:
            return f"{name} is {one} there, {other} learnt again"
    for name in ("photos", "reviewers", "used"):
        one, other = getattr(told, name), getattr(again, name)
        if one != other:
            return f"{name} differ" if isinstance(one, tuple) else f"{name} is {one} there"
    return ""


def repeat_lesson(ledger: Ledger, lesson: Lesson) -> Lesson | None:
    """Learn again what a lesson says, from the very answers it names, to compare the two.

    None for one of an older version, which does not name its answers.
    """
    if not lesson.answers:
        return None
    confirmed = confirmed_by(ledger, lesson.answers, lesson.stages, lesson.weights)
    if len(confirmed) < LEAST_PHOTOS:
        return dataclasses.replace(lesson, photos=tuple(photo.photo for photo in confirmed))
    settings = Settings.with_stages(",".join(lesson.stages))
    settings = dataclasses.replace(settings, threshold=lesson.shipped or settings.threshold)
    taught = teach(confirmed, settings, lesson.looks)
    made = _lesson(taught, confirmed, lesson.survey, lesson.groups, lesson.at)
    if not lesson.weights:
        return made
    at_once = {name: pair[0] for name, pair in lesson.thorough.items()}
    numbers = taught.after if taught.used else taught.before
    return dataclasses.replace(with_numbers(made, numbers), used=helps(at_once, figures_of(taught)))
