"""Photos and trials drawn for the benchmark."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from counting.files import sha256_bytes
from counting.finding.proposal import Task, find_in
from counting.ledger.facts import COUNTED, Answer, Mark, Photo, Proposal, photos, proposals
from counting.photos.workers import Job
from counting.plan.start import start_trial
from counting.plan.trial import Group, Layout, Plan, Trial
from counting.settings import Settings

__all__ = ["PHONE", "SMALL", "draw_photo", "job_of", "photographed", "propose_and_confirm"]

PHONE = (4032, 3024)
SMALL = (640, 480)
_SURVEYS = [f"2026-07-{day:02}" for day in range(1, 31, 3)]
"""Each plant is photographed at all of them: a trial has under 1,000 tags."""


def draw_photo(size: tuple[int, int], fruit: int, seed: int) -> bytes:
    """Return a JPEG of drawn fruit among drawn leaves, with as much detail as a photo has.

    Parameters
    ----------
    size : (width, height)
        In px.
    fruit : int
        How many round fruit.
    seed : int
        Decides everything else.
    """
    rng = np.random.default_rng(seed)
    width, height = size
    scale = width / 640
    rgb = np.full((height, width, 3), (52, 78, 44), dtype=np.uint8)
    for _ in range(160):
        centre = (int(rng.integers(width)), int(rng.integers(height)))
        axes = (int(rng.uniform(20, 70) * scale), int(rng.uniform(8, 26) * scale))
        green = (int(rng.integers(30, 90)), int(rng.integers(70, 150)), int(rng.integers(20, 70)))
        cv2.ellipse(rgb, centre, axes, float(rng.uniform(0, 180)), 0, 360, green, -1, cv2.LINE_AA)
    for number in range(fruit):
        centre = (int(rng.integers(width)), int(rng.integers(height)))
        colour = (196, 44, 30) if number % 2 else (150, 186, 92)
        cv2.circle(rgb, centre, int(rng.uniform(10, 24) * scale), colour, -1, cv2.LINE_AA)
    coarse = rng.normal(0, 6, (height // 2 + 1, width // 2 + 1)).astype(np.float32)
    grain = cv2.resize(coarse, (width, height))
    noisy = np.clip(rgb + grain[..., None], 0, 255).astype(np.uint8)
    _, data = cv2.imencode(".jpg", noisy[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 88])
    return data.tobytes()


def _unlike(data: bytes, number: int) -> bytes:
    """Return a JPEG with a comment of its own, so that the same picture is another photo."""
    text = f"drawn photo {number}".encode()
    return data[:2] + b"\xff\xfe" + (len(text) + 2).to_bytes(2, "big") + text + data[2:]


def job_of(photo: Path, settings: Settings | None = None) -> Job:
    """Return the job of finding the fruit in one photo."""
    task = Task(settings or Settings(), None, 10.0, None, "tomato")
    return Job(sha256_bytes(photo.read_bytes()), photo, extra=task)


def _plan(plants: int) -> Plan:
    """Return an invented plan with at least so many plants."""
    layout = Layout(blocks=4, plots_per_group=1, plants_per_plot=-(-plants // 8))
    groups = (Group(name="own-rooted"), Group(name="grafted"))
    return Plan(id="benchtrial", title="Drawn", control="own-rooted", groups=groups, layout=layout)


def photographed(directory: Path, photos: int) -> Trial:
    """Return a trial with drawn photos of ten surveys, entered as intake would."""
    trial = start_trial(directory, _plan(-(-photos // len(_SURVEYS))))
    patterns = [draw_photo(SMALL, 4 + number, number) for number in range(12)]
    taken: list[Photo] = []
    shots = [(survey, str(code)) for survey in _SURVEYS for code in trial.plants["code"]]
    for number, (survey, code) in enumerate(shots[:photos]):
        data = _unlike(patterns[number % len(patterns)], number)
        path = directory / "photos" / survey / code / "path.jpg"
        path.parent.mkdir(parents=True)
        path.write_bytes(data)
        taken.append(
            Photo(
                photo=sha256_bytes(data),
                file=path.relative_to(directory).as_posix(),
                width=SMALL[0],
                height=SMALL[1],
                survey=survey,
                plant=code,
                side="path",
                taken_at=f"{survey}T09:00:00+00:00",
                clock="offset",
                bound_by="folder",
            )
        )
    with trial.ledger() as ledger:
        ledger.add(taken, by="bench")
    return trial


def propose_and_confirm(trial: Trial) -> None:
    """Write proposals and answers for all photos, the proposals of a dozen patterns over again."""
    with trial.ledger() as ledger:
        taken = list(photos(ledger).values())
        patterns = [find_in(job_of(trial.directory / photo.file)) for photo in taken[:12]]
        ledger.add(
            (
                replace(patterns[number % 12], photo=photo.photo)
                for number, photo in enumerate(taken)
            ),
            by="bench",
        )
        ledger.add(map(_answer, proposals(ledger).values()), by="bench")


def _answer(proposal: Proposal) -> Answer:
    marks = tuple(
        Mark(each.candidate, each.candidate, *each.box, "confirmed", each.truss)
        for each in proposal.shown
    )
    return Answer(
        photo=proposal.photo,
        reviewer="drawn",
        proposal=proposal.entry,
        at=f"{_SURVEYS[-1]}T18:00:00+00:00",
        answer=COUNTED,
        count=len(marks),
        marks=marks,
        sheet="bench",
        seconds=4.0,
    )
