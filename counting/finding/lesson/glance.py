"""Reviewed photos looked at once more, at the sizes that a lesson tries."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from counting import __version__
from counting.errors import Refusal
from counting.finding.lesson.confirmed import reviewed
from counting.finding.lesson.fit import LOOKS
from counting.finding.proposal import Tasks, find_in
from counting.ledger import Ledger
from counting.ledger.facts import Glance, glances, photos
from counting.photos.workers import on_cores
from counting.plan.trial import Trial
from counting.settings import Settings

__all__ = ["glance_at_reviewed"]


def glance_at_reviewed(
    trial: Trial, ledger: Ledger, settings: Settings, surveys: Collection[str]
) -> int:
    """Find the candidates of reviewed photos at each size of the look, and keep them.

    What the ledger has already is not done again, and a photo that cannot be read is passed over:
    then that size teaches nothing.

    Parameters
    ----------
    trial : Trial
        The trial.
    ledger : Ledger
        Its ledger.
    settings : Settings
        As shipped.
    surveys : collection of str
        Of which surveys.

    Returns
    -------
    int
        How many glances were written.
    """
    if "scorer" not in settings.stages:
        return 0
    taken, seen = photos(ledger), glances(ledger)
    tasks = Tasks.of(trial, taken.values())
    jobs = []
    for each in reviewed(ledger, settings.stages):
        photo, made_with = taken.get(each.answer.photo), each.proposal.made_with
        if photo is None or photo.survey not in surveys:
            continue
        had = {made_with.look} if made_with.weights == settings.weights else set()
        for look in sorted({settings.look, *LOOKS} - had):
            if (photo.photo, look, settings.weights) not in seen:
                jobs.append(tasks.job(photo, replace(settings, look=look)))
    written = 0
    for _, seen in on_cores(find_in, jobs, None):
        if not isinstance(seen, Refusal):
            written += ledger.add([Glance(seen)], by=f"counting {__version__}")
    return written
