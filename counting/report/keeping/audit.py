"""Every number followed back: the ledger whole, the photos unchanged, the report as computed."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from math import isclose
from pathlib import Path
from typing import Any, Literal

import numpy as np

from counting.errors import CountingError, Refusal
from counting.files import inside, read_text, sha256_bytes, sha256_file
from counting.finding.in_row import Rows
from counting.finding.proposal import finder_version, repeat
from counting.finding.zone import RowTags
from counting.ledger import Ledger, verify
from counting.ledger.facts import (
    Answer,
    Lesson,
    Photo,
    Proposal,
    entries_of,
    glances,
    photos,
    plan_record,
    proposals,
    sheets,
)
from counting.photos.workers import Job, on_cores
from counting.plan.trial import PLAN_NAME, PLANTS_NAME, Trial, load_trial
from counting.records.amend import changes
from counting.report.figures import Choices, figures
from counting.report.keeping.checkpoints import Outside, hold
from counting.report.keeping.checks import Check, Fault
from counting.report.keeping.lessons import check_lessons
from counting.report.keeping.visible import differing, seen
from counting.report.report import REPORT_NAME, page_text
from counting.review.together import Looked, looked_at

__all__ = ["Audit", "Check", "Fault", "audit", "check_photos"]

_SAMPLE = 5
"""Proposals found again unless all are asked for."""
_FIGURES = re.compile(r'<script type="application/json" id="figures">(.*?)</script>', re.DOTALL)
_TOLERANCE = 1e-9
"""Relative; a number written as text and read back differs by less."""
_MOST_DIFFERENCES = 5
_DRAWN_BY = ("counting", "libraries")
"""Lines of the report that name what drew its pictures."""

Proposals = Literal["sample", "all", "none"]


@dataclass(frozen=True, slots=True)
class Audit:
    """What an audit found.

    Attributes
    ----------
    checks : tuple of Check
        In the order in which the data flows.
    """

    checks: tuple[Check, ...]

    @property
    def faults(self) -> tuple[Fault, ...]:
        """All that is wrong."""
        return tuple(fault for check in self.checks for fault in check.faults)

    def to_json(self) -> dict[str, Any]:
        """Return the audit as JSON values."""
        return {"faults": len(self.faults), "checks": [asdict(check) for check in self.checks]}


def audit(
    directory: Path,
    *,
    proposals: Proposals = "sample",
    progress: Callable[[int, int], None] | None = None,
    outside: Outside | None = None,
) -> Audit:
    """Follow every number of a trial back to where it came from; nothing is changed.

    Parameters
    ----------
    directory : Path
        The trial's folder.
    proposals : {"sample", "all", "none"}
        How many proposals are found again, with their own version and settings.
    progress : callable, optional
        Called with proposals found again and proposals to find.
    outside : Outside, optional
        Hashes and files kept elsewhere, to hold the ledger against.

    Returns
    -------
    Audit

    Raises
    ------
    PlanError
        If there is no trial in the folder.
    """
    checks = [_ledger(directory)]
    trial = load_trial(directory)
    if not (directory / "ledger.sqlite").exists():
        return Audit(tuple(checks))
    steps: tuple[Callable[[Trial, Ledger], Check], ...] = (
        lambda trial, ledger: _checkpoints(trial, ledger, outside or Outside()),
        _plan,
        check_photos,
        _confirmations,
        check_lessons,
        lambda trial, ledger: _proposals(trial, ledger, proposals, progress),
        _report,
    )
    try:
        with trial.ledger() as ledger:
            for step in steps:
                checks.append(step(trial, ledger))
    except (CountingError, KeyError, TypeError, ValueError) as error:
        # a damaged ledger can hold anything; its own check has named the entry
        found = error.found if isinstance(error, CountingError) else f"cannot be read ({error!r})"
        fault = Fault("ledger.sqlite", f"the audit could not go on: {found}")
        checks.append(Check("rest", "what follows from the ledger", (fault,)))
    return Audit(tuple(checks))


def _ledger(directory: Path) -> Check:
    found = verify(directory)
    faults = tuple(Fault("ledger.sqlite", sentence) for sentence in found.faults)
    sentence = f"{found.entries} entries: the chain of hashes, and every byte against the seal"
    return Check("ledger", sentence, faults, found.remarks)


def _checkpoints(trial: Trial, ledger: Ledger, outside: Outside) -> Check:
    """Hold the chain against what was said of it earlier, here and elsewhere."""
    found = hold(trial.directory, ledger, trial.plan.id, outside)
    faults = tuple(Fault(item, sentence) for item, sentence in found.faults)
    sentence = "; ".join(found.checked) or "none was found; keep one elsewhere"
    return Check("checkpoints", sentence, faults, found.remarks)


def _plan(trial: Trial, ledger: Ledger) -> Check:
    sentence = f"{PLAN_NAME} and {PLANTS_NAME} against the plan recorded at the start"
    record = plan_record(ledger)
    entry = ledger.get("trial", "trial")
    if record is None or entry is None:
        return Check("plan", sentence, (), ("the ledger holds no plan to hold them against",))
    faults = []
    for name, text in ((PLAN_NAME, record.plan), (PLANTS_NAME, record.plants)):
        if sha256_file(trial.directory / name) != sha256_bytes(text.encode("utf-8")):
            faults.append(Fault(name, f"changed since it was recorded at {entry.at}"))
    return Check("plan", "; changed ".join([sentence, *changes(ledger)]), tuple(faults))


def check_photos(trial: Trial, ledger: Ledger) -> Check:
    """Hold every photo's bytes against the SHA-256 it was taken in with."""
    faults = []
    # a photo that counts for several plants is one file
    files = {(photo.file, photo.sha256): photo for photo in photos(ledger).values()}
    for photo in files.values():
        file = photo.file
        try:
            path = inside(trial.directory, file)
            changed = sha256_file(path) != photo.sha256
        except FileNotFoundError:
            faults.append(Fault(file, "not there; restore it from a copy"))
            continue
        except (CountingError, OSError) as error:
            faults.append(Fault(file, f"cannot be read ({error})"))
            continue
        if changed:
            faults.append(Fault(file, "its bytes have changed since it was taken in"))
    return Check("photos", f"{len(files)} photos against their SHA-256", tuple(faults))


def _confirmations(trial: Trial, ledger: Ledger) -> Check:
    """Hold every answer against its photo, its proposal and its own marks."""
    taken = photos(ledger)
    proposed = {entry.hash: entry.key for entry in ledger.entries("proposal")}
    asked = {each.sheet: set(each.likely) for each in sheets(ledger).values()}
    faults = []
    number = together = 0
    for entry, answer in entries_of(ledger, Answer):
        number += 1
        together += not answer.alone
        item = f"entry {entry.seq}, {answer.reviewer} on {_file(taken, answer.photo)}"
        if answer.photo not in taken:
            faults.append(Fault(item, "confirms a photo that was never taken in"))
        if proposed.get(answer.proposal) != answer.photo:
            faults.append(Fault(item, "begins from candidates that the ledger does not hold"))
        counted = len(answer.fruit)
        if answer.counted and answer.marks and counted != answer.count:
            text = f"says {answer.count} fruit, but {counted} of its marks count"
            faults.append(Fault(item, text))
        if not answer.alone and answer.photo not in asked.get(answer.sheet, ()):
            text = "confirmed several at a time, though its sheet did not call it likely right"
            faults.append(Fault(item, text))
    sentence = f"{number} confirmed counts against photo, candidates and marks"
    if together:
        looked = Looked.of(looked_at(ledger).values())
        sentence += (
            f"; {together} of them several at a time, where of {looked.photos} likely photos "
            f"looked at one by one {looked.right} needed no change"
        )
    return Check("confirmations", sentence, tuple(faults))


@dataclass(frozen=True, slots=True)
class _Repeat:
    """A proposal to find again."""

    photo: Photo
    proposal: Proposal
    row: RowTags
    directory: Path


def _proposals(
    trial: Trial,
    ledger: Ledger,
    which: Proposals,
    progress: Callable[[int, int], None] | None,
) -> Check:
    """Find candidates again and compare."""
    taken = photos(ledger)
    halves = {half for _, lesson in entries_of(ledger, Lesson) for half in lesson.halves}
    made = [*proposals(ledger).values(), *glances(ledger).values()]
    made = [each for each in made if each.made_with.weights not in halves]  # they were not kept
    standing = [each for each in made if each.photo in taken]
    same_version = [each for each in standing if each.version == finder_version()]
    chosen = _chosen(same_version, which)
    rows = Rows.of(trial)
    jobs = [
        Job(
            proposal.photo,
            trial.directory / taken[proposal.photo].file,
            extra=_Repeat(
                taken[proposal.photo],
                proposal,
                rows.of_photo(taken[proposal.photo]),
                trial.directory,
            ),
        )
        for proposal in chosen
    ]
    faults = []
    for done, (job, outcome) in enumerate(on_cores(_again, jobs, None), start=1):
        file = taken[job.key].file
        if isinstance(outcome, Refusal):
            faults.append(Fault(file, f"could not be looked at again: {outcome.reason}"))
        elif outcome:
            faults.append(Fault(file, f"other candidates than recorded: {outcome}"))
        if progress:
            progress(done, len(jobs))
    sentence = f"{len(chosen)} of {len(standing)} proposals found again and compared"
    other = Counter(each.version for each in standing if each.version != finder_version())
    remarks = tuple(
        f"{number} proposals were made by version {version}; install that one to find them again"
        for version, number in sorted(other.items())
    )
    return Check("proposals", sentence, tuple(faults), remarks)


def _chosen(made: Sequence[Proposal], which: Proposals) -> list[Proposal]:
    """Choose proposals: all, none, or a few at random, the same few for the same ledger."""
    if which == "all" or (which == "sample" and len(made) <= _SAMPLE):
        return list(made)
    if which == "none":
        return []
    rng = np.random.default_rng(int(made[-1].entry[:15], 16))
    picked = rng.choice(len(made), _SAMPLE, replace=False)
    return [made[index] for index in sorted(picked)]


def _again(job: Job) -> str:
    """Find a photo's candidates again; return the first difference, empty if there is none."""
    asked: _Repeat = job.extra
    found = repeat(job.path, asked.photo, asked.proposal, asked.row, asked.directory)
    told, again = (replace(each, seconds=None).to_body() for each in (asked.proposal, found))
    return next(_differences(told, again), "")


def _report(trial: Trial, ledger: Ledger) -> Check:
    """Compute the report's numbers anew and hold them against those in the page."""
    sentence = f"all that {REPORT_NAME} shows and carries, made again from the ledger"
    path = trial.directory / REPORT_NAME
    if not path.exists():
        return Check("report", sentence, (), ("no report has been made yet",))
    embedded = _FIGURES.search(read_text(path))
    try:
        told = json.loads(embedded[1]) if embedded else None
        choices = Choices(**told["choices"]) if told else Choices()
    except (ValueError, TypeError, KeyError, RecursionError):
        told = None
    if told is None:
        fault = Fault(REPORT_NAME, "carries no numbers that can be read; make it again")
        return Check("report", sentence, (fault,))
    numbers = figures(trial, ledger, choices)
    computed = json.loads(json.dumps(numbers.to_json()))
    page = seen(read_text(path))
    again = seen(page_text(trial, choices, numbers=numbers))
    differences = [*_differences(told, computed), *differing(page, again)]
    faults = [Fault(REPORT_NAME, text) for text in differences[:_MOST_DIFFERENCES]]
    if differences:
        text = (
            f"{len(differences)} numbers do not follow from the ledger as it stands; if facts came "
            f"in since, make it again: counting report {trial.directory} --replace"
        )
        faults.insert(0, Fault(REPORT_NAME, text))
    remarks: tuple[str, ...] = ()
    if not differences and page.markup != again.markup:
        # nobody reads a picture's every point off, but a moved one misleads all the same
        if all(page.printed.get(name) == again.printed.get(name) for name in _DRAWN_BY):
            text = "its pictures or its layout are not as they are drawn from the same numbers"
            faults.append(Fault(REPORT_NAME, text))
        else:
            by = page.printed.get("libraries", "unknown versions")
            remarks = (f"its pictures: they were drawn by other versions ({by})",)
    return Check("report", sentence, tuple(faults), remarks)


def _differences(told: Any, computed: Any, place: str = "") -> Iterator[str]:
    """Yield a sentence for each place at which two JSON values differ."""
    if isinstance(told, Mapping) and isinstance(computed, Mapping):
        for name in sorted({*told, *computed}):
            inner = f"{place}.{name}" if place else str(name)
            yield from _differences(told.get(name), computed.get(name), inner)
    elif isinstance(told, list) and isinstance(computed, list) and len(told) == len(computed):
        for number, (one, other) in enumerate(zip(told, computed, strict=True)):
            yield from _differences(one, other, f"{place}[{number}]")
    elif _number(told) and _number(computed):
        if not isclose(told, computed, rel_tol=_TOLERANCE, abs_tol=_TOLERANCE):
            yield f"{place} is {told:g} there, {computed:g} computed again"
    elif told != computed:
        yield f"{place} is {_short(told)} there, {_short(computed)} computed again"


def _number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _short(value: Any) -> str:
    if isinstance(value, list):
        return f"a list of {len(value)}"
    text = str(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _file(taken: Mapping[str, Photo], photo: str) -> str:
    return taken[photo].file if photo in taken else f"photo {photo[:12]}"
