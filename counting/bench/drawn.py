"""Photos and trials drawn for the benchmark."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np

from counting.files import sha256_bytes
from counting.finding.proposal import Task, find_in
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
    task = Task(settings or Settings(), None, 10.0, None)
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
    facts: list[tuple[Any, str, dict[str, Any]]] = []
    shots = [(survey, str(code)) for survey in _SURVEYS for code in trial.plants["code"]]
    for number, (survey, code) in enumerate(shots[:photos]):
        data = _unlike(patterns[number % len(patterns)], number)
        path = directory / "photos" / survey / code / "path.jpg"
        path.parent.mkdir(parents=True)
        path.write_bytes(data)
        body = {
            "photo": sha256_bytes(data),
            "file": path.relative_to(directory).as_posix(),
            "width": SMALL[0],
            "height": SMALL[1],
            "taken_at": f"{survey}T09:00:00+00:00",
            "clock": "utc",
            "survey": survey,
            "plant": code,
            "truss": None,
            "side": "path",
            "bound_by": "folder",
            "flags": [],
            "quality": {},
            "tag": None,
        }
        facts.append(("photo", str(body["photo"]), body))
    with trial.ledger() as ledger:
        ledger.append_many(facts, by="bench")
    return trial


def propose_and_confirm(trial: Trial) -> None:
    """Write proposals and answers for all photos, the proposals of a dozen patterns over again."""
    with trial.ledger() as ledger:
        photos = [entry.body for entry in ledger.standing("photo")]
        bodies = [find_in(job_of(trial.directory / photo["file"])) for photo in photos[:12]]
        proposals: list[tuple[Any, str, dict[str, Any]]] = [
            ("proposal", photo["photo"], bodies[number % 12] | {"photo": photo["photo"]})
            for number, photo in enumerate(photos)
        ]
        ledger.append_many(proposals, by="bench")
        standing = list(ledger.standing("proposal"))
        answers: list[tuple[Any, str, dict[str, Any]]] = [
            ("confirmation", f"{entry.key}|drawn", _answer(entry.body, entry.hash))
            for entry in standing
        ]
        ledger.append_many(answers, by="bench")


def _answer(proposal: dict[str, Any], digest: str) -> dict[str, Any]:
    threshold = proposal["settings_text"]["threshold"]
    marks = [
        {
            "mark": row["candidate"],
            "candidate": row["candidate"],
            **{name: row[name] for name in ("x", "y", "width", "height")},
            "state": "confirmed",
            "truss": row["truss"],
            "twin": "",
            "small": False,
        }
        for row in proposal["candidates"]
        if row["confidence"] >= threshold
    ]
    return {
        "photo": proposal["photo"],
        "proposal": digest,
        "sheet": "bench",
        "reviewer": "drawn",
        "at": f"{_SURVEYS[-1]}T18:00:00+00:00",
        "answer": "counted",
        "count": len(marks),
        "seconds": 4.0,
        "clicks": 0,
        "marks": marks,
    }
