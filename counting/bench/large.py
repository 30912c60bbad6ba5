"""Growth of the ledger, and sheets and report of large trials."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from counting.bench.drawn import photographed, propose_and_confirm
from counting.bench.line import Line, seconds
from counting.finding.propose import propose
from counting.ledger.facts import proposals
from counting.photos.workers import cores
from counting.plan.trial import Trial
from counting.report.report import make_report
from counting.review.sheet import SheetOptions, make_sheets
from counting.settings import Settings

__all__ = ["large_trials", "ledger_growth"]

_PER_FILE = 100


def ledger_growth(directory: Path, photos: int) -> list[Line]:
    """How much the ledger grows for each photo proposed."""
    trial = photographed(directory, photos)
    before = _ledger_bytes(trial)
    took = seconds(lambda: propose(trial, Settings()))
    again = seconds(lambda: propose(trial, Settings()))
    grown = (_ledger_bytes(trial) - before) / photos
    with trial.ledger() as ledger:
        rows = [len(proposal.candidates) for proposal in proposals(ledger).values()]
    return [
        Line("ledger growth a photo, KiB", grown / 1024),
        Line("candidates a photo there", float(np.mean(rows))),
        Line(f"propose, {photos} small photos, {cores()} cores, s", took),
        Line("the same again, nothing to do, s", again),
    ]


def _ledger_bytes(trial: Trial) -> int:
    with trial.ledger() as ledger:
        path = ledger.path
    return sum(part.stat().st_size for part in path.parent.glob(f"{path.name}*"))


def sheet_and_report(directory: Path, photos: int) -> list[Line]:
    """Time of the sheets (100 photos a file) and the report of a trial of many photos."""
    trial = photographed(directory, photos)
    propose_and_confirm(trial)
    options = SheetOptions(per_file=_PER_FILE)
    sheets = seconds(lambda: make_sheets(trial, options))
    report = seconds(lambda: make_report(trial, replace=True))
    return [
        Line(f"sheets of {photos} photos, s", sheets),
        Line(f"report of {photos} photos, s", report),
    ]


def large_trials(folder: Path, sizes: Sequence[int]) -> list[Line]:
    """Sheet and report at each size, and how the times grow."""
    measured: list[Line] = []
    for size in sizes:
        measured += sheet_and_report(folder / f"of-{size}", size)
    if len(sizes) < 2:
        return measured
    growths = []
    for place, word in enumerate(("sheets", "report")):
        times = [line.value for line in measured[place::2]]
        growth = (times[-1] / times[0]) / (sizes[-1] / sizes[0])
        name = f"{word}: growth of the time over growth of the trial"
        growths.append(Line(name, growth, "at most 1"))
    return measured + growths
