"""Fruit proposed before anyone looks, so that no photo is answered from a blank page."""

from __future__ import annotations

from collections.abc import Callable

from counting.errors import CountingError
from counting.finding.propose import propose
from counting.ledger import Ledger
from counting.ledger.facts import left_out, photos, proposals
from counting.plan.trial import Trial
from counting.settings import Settings

__all__ = ["propose_first", "unproposed"]


def unproposed(ledger: Ledger) -> list[str]:
    """Return the files of the photos on which nothing was proposed yet, those left out not."""
    out, done = left_out(ledger), proposals(ledger)
    return [
        photo.file
        for photo in photos(ledger).values()
        if photo.photo not in done and not out.photo(photo.photo)
    ]


def propose_first(trial: Trial, progress: Callable[[int, int], None] | None = None) -> int:
    """Propose fruit where that was not done yet, the way it was done before.

    Returns
    -------
    int
        On how many photos.

    Raises
    ------
    CountingError
        If a photo cannot be looked at: on a sheet it would seem to bear no fruit.
    """
    with trial.ledger() as ledger:
        waiting = unproposed(ledger)
        before = list(proposals(ledger).values())
    if not waiting:
        return 0
    settings = Settings()
    if before:
        used = before[-1].made_with
        settings = Settings.with_stages(",".join(used.stages), quick=used.quick)
    done = propose(trial, settings, progress=progress)
    if done.refused:
        first = done.refused[0]
        found = f"{len(done.refused)} photos cannot be looked at, such as {first.item}"
        mend = f"{first.reason}; put the file back"
        raise CountingError(trial.directory, found, mend=mend)
    return done.new
