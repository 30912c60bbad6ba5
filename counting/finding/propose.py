"""Candidates for every photo of a trial, on all cores or many machines, written as they come."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from counting import __version__
from counting.errors import CountingError, Refusal
from counting.finding.lesson.learn import Learnt, due, learn_trial, lesson_for, settings_with
from counting.finding.proposal import Tasks, check_weights, find_in, same
from counting.finding.uncertain import expected_error, worth_a_look
from counting.flags import Flag
from counting.ledger import Ledger
from counting.ledger.facts import (
    Lesson,
    Proposal,
    answers,
    left_out,
    lessons,
    photos,
    proposal_of,
    proposals,
)
from counting.photos.workers import Job, on_cluster, on_cores
from counting.plan.trial import Trial
from counting.settings import Settings

__all__ = ["Proposed", "propose"]

_BATCH = 32
_BATCH_S = 2.0
"""Proposals are written when so many wait, or so long after the last writing."""
_MOSTLY = 0.5
"""Share of uncertain photos above which that is said once of the whole trial; an arbitrary half."""


@dataclass(frozen=True, slots=True)
class Proposed:
    """What became of the photos.

    Attributes
    ----------
    new : int
        Photos that got candidates now.
    standing : int
        Photos left alone: their candidates were found with the same version, settings and scale.
    confirmed : int
        Photos left alone because a person has confirmed their count already.
    fruit : int
        Fruit proposed on the new photos.
    to_review, to_look_at : int
        Photos with candidates that nobody has answered yet, and those of them that are worth a
        close look most: the flagged ones of the contact sheet.
    uncertain : int
        Photos to review whose expected count is uncertain, whether they are flagged or not.
    shared : tuple of Flag
        Reasons to look that all photos to review have, so that
        they tell none of them apart.
    refused : tuple of Refusal
        Photos left out, with the reason.
    settings : Settings
        What was used for the newest survey.
    lessons : tuple of Lesson
        The lessons that the candidates of the trial's surveys rest on, by survey.
    learnt : tuple of Learnt
        What was learnt on the way, since enough had been reviewed.
    """

    new: int
    standing: int
    confirmed: int
    fruit: int
    to_review: int
    to_look_at: int
    uncertain: int
    shared: tuple[Flag, ...]
    refused: tuple[Refusal, ...]
    settings: Settings
    lessons: tuple[Lesson, ...] = ()
    learnt: tuple[Learnt, ...] = ()

    @property
    def remarks(self) -> tuple[str, ...]:
        """Sentences on the photos to review: what all share is said once, then how many stand out.

        That a count is uncertain tells photos apart only where few are.
        """
        every = f"{self.to_review} photo{'' if self.to_review == 1 else 's'} to review"
        many = self.uncertain > max(1, _MOSTLY * self.to_review)
        shared = [flag for flag in self.shared if not (many and flag == Flag.WIDE_INTERVAL)]
        said = []
        if shared:
            said.append(f"Of all {every}: {' '.join(flag.sentence for flag in shared)}")
        if many:
            said.append(
                f"The count is uncertain on {self.uncertain} of the {every}; the flagged ones are"
                " only the worst of them."
            )
        if self.to_look_at:
            verb = "is" if self.to_look_at == 1 else "are"
            said.append(
                f"{self.to_look_at} of the {every} {verb} flagged: a count that is likely to be off"
                " by most, or a fault of the photo."
            )
        return tuple(said)


def propose(
    trial: Trial,
    settings: Settings,
    *,
    workers: int | None = None,
    cluster: str | None = None,
    progress: Callable[[int, int], None] | None = None,
    as_shipped: bool = False,
) -> Proposed:
    """Find the fruit on the trial's photos and write them to the ledger.

    Stopped at any moment, it goes on where it stopped when it is called again: what is in the
    ledger with the same version, settings and scale is not done again. Photos whose count a person
    has confirmed keep the candidates they were confirmed from.

    Parameters
    ----------
    trial : Trial
        The trial; its photos are those in the ledger.
    settings : Settings
        Stages and threshold.
    workers : int, optional
        Number of processes, by default one per core.
    cluster : str, optional
        Address of a `dask.distributed` scheduler whose workers do it instead.
    progress : callable, optional
        Called with photos done and photos in all.
    as_shipped : bool
        Leave aside what the trial has taught.

    Raises
    ------
    CountingError
        If the ledger cannot be written or the cluster does not answer.
    """
    with trial.ledger() as ledger:
        learnt = () if as_shipped else _learn_what_is_due(trial, ledger, settings)
        teaching = _Teaching(settings, {} if as_shipped else lessons(ledger))
        todo = _Todo.of(trial, ledger, teaching)
        for each in teaching.used:
            check_weights(trial.directory, settings_with(settings, each))
        outcomes = (
            on_cluster(find_in, todo.jobs, cluster)
            if cluster and todo.jobs
            else on_cores(find_in, todo.jobs, workers)
        )
        tally = _Tally()
        for batch in _batches(_told(outcomes, len(todo.jobs), progress)):
            _write(ledger, batch, tally)
        flags, worth = _looked_over(trial, ledger)
    return Proposed(
        tally.new,
        todo.standing,
        todo.confirmed,
        tally.fruit,
        len(flags),
        worth,
        sum(Flag.WIDE_INTERVAL in each for each in flags),
        tuple(flag for flag in Flag if len(flags) > 1 and all(flag in each for each in flags)),
        tuple(sorted([*todo.refused, *tally.refused], key=lambda refusal: refusal.item)),
        teaching.newest,
        teaching.used,
        learnt,
    )


def _looked_over(trial: Trial, ledger: Ledger) -> tuple[list[set[str]], int]:
    """Return the reasons to look at each photo still to review, and how many are worth it most.

    As a contact sheet tells them, where guard plants and what is left out do not show.
    """
    guards = set(trial.plants["code"][trial.plants["guard"].astype(bool)])
    out, made = left_out(ledger), proposals(ledger)
    confirmed = {answer.photo for answer in answers(ledger)}
    flags, errors, still = [], [], []
    for photo in photos(ledger).values():
        proposal = made.get(photo.photo)
        hidden = out.photo(photo.photo) or out.plant(photo.plant, photo.survey)
        if proposal is None or photo.plant in guards or hidden:
            continue
        flags.append({*photo.flags, *proposal.flags})
        interval = proposal.count, proposal.count_low, proposal.count_high
        errors.append(expected_error(len(proposal.counted), *interval))
        still.append(photo.photo not in confirmed)
    worth = worth_a_look(np.array(errors, dtype=np.float64), [tuple(each) for each in flags])
    waiting = [each for each, waits in zip(flags, still, strict=True) if waits]
    return waiting, int((worth & np.array(still, dtype=np.bool_)).sum())


def _learn_what_is_due(trial: Trial, ledger: Ledger, settings: Settings) -> tuple[Learnt, ...]:
    surveys = due(ledger, settings.stages)
    if not surveys:
        return ()
    return tuple(learn_trial(trial, ledger, settings, surveys))


@dataclass(slots=True)
class _Teaching:
    """Which settings each survey's photos are looked at with."""

    shipped: Settings
    standing: dict[str, Lesson]
    _by_survey: dict[str, Settings] = field(default_factory=dict)

    def of(self, survey: str) -> Settings:
        """Return a survey's settings."""
        if survey not in self._by_survey:
            lesson = lesson_for(self.standing, survey)
            self._by_survey[survey] = settings_with(self.shipped, lesson, survey)
        return self._by_survey[survey]

    @property
    def newest(self) -> Settings:
        """The newest survey's settings."""
        return self._by_survey[max(self._by_survey)] if self._by_survey else self.shipped

    @property
    def used(self) -> tuple[Lesson, ...]:
        """The lessons in use, by survey."""
        named = {settings.lesson for settings in self._by_survey.values()}
        return tuple(each for _, each in sorted(self.standing.items()) if each.digest in named)


@dataclass(slots=True)
class _Todo:
    """Which photos want candidates."""

    jobs: list[Job] = field(default_factory=list)
    refused: list[Refusal] = field(default_factory=list)
    standing: int = 0
    confirmed: int = 0

    @classmethod
    def of(cls, trial: Trial, ledger: Ledger, teaching: _Teaching) -> _Todo:
        todo = cls()
        confirmed = {answer.photo for answer in answers(ledger)}
        out, taken = left_out(ledger), photos(ledger).values()
        tasks = Tasks.of(trial, taken)
        for photo in taken:
            if out.photo(photo.photo):
                continue
            proposal = proposal_of(ledger, photo.photo)
            if proposal and photo.photo in confirmed:
                todo.confirmed += 1
                continue
            try:
                job = tasks.job(photo, teaching.of(photo.survey))
            except CountingError as error:
                todo.refused.append(Refusal(photo.file, str(error)))
                continue
            if proposal and same(proposal, job.extra):
                todo.standing += 1
            else:
                todo.jobs.append(job)
        return todo


@dataclass(slots=True)
class _Tally:
    """Running totals."""

    new: int = 0
    fruit: int = 0
    refused: list[Refusal] = field(default_factory=list)


Outcome = tuple[Job, Any]


def _told(
    outcomes: Iterable[Outcome], total: int, progress: Callable[[int, int], None] | None
) -> Iterator[Outcome]:
    """Pass outcomes on, telling how far they are."""
    for done, outcome in enumerate(outcomes, start=1):
        yield outcome
        if progress:
            progress(done, total)


def _batches(outcomes: Iterable[Outcome]) -> Iterator[list[Outcome]]:
    """Gather outcomes until there are `_BATCH`, or `_BATCH_S` have passed."""
    batch: list[Outcome] = []
    since = time.monotonic()
    for outcome in outcomes:
        batch.append(outcome)
        if len(batch) >= _BATCH or time.monotonic() - since >= _BATCH_S:
            yield batch
            batch, since = [], time.monotonic()
    if batch:
        yield batch


def _write(ledger: Ledger, batch: list[Outcome], tally: _Tally) -> None:
    """Write a batch in one transaction."""
    made: list[Proposal] = []
    for job, outcome in batch:
        if isinstance(outcome, Refusal):
            tally.refused.append(outcome)
            continue
        standing = proposal_of(ledger, job.key)
        if standing and same(standing, job.extra):  # another process was faster
            continue
        made.append(outcome)
    tally.new += ledger.add(made, by=f"counting {__version__}")
    tally.fruit += sum(proposal.proposed for proposal in made)
