"""How fast and how heavy the work on many photos is: ``python -m counting.bench``.

All figures of a run come from the same machine in the same minutes, and the ones that matter are
ratios, so that they can be held against those of another machine. Photos are drawn, 12 megapixels
for the times and small ones for the large trials, unless ``--photo`` names one.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import multiprocessing
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from counting.files import sha256_bytes
from counting.finding.candidates import LONG_SIDE_READ, find
from counting.finding.proposal import Task, find_in
from counting.finding.propose import propose
from counting.photos.image import load_image
from counting.photos.workers import Job, cores, on_cores
from counting.plan.start import start_trial
from counting.plan.trial import Group, Layout, Plan, Trial
from counting.report.report import make_report
from counting.review.sheet import SheetOptions, make_sheets
from counting.settings import Settings

__all__ = ["Line", "main"]

_PHONE = (4032, 3024)
_SMALL = (640, 480)
_SURVEY = "2026-07-01"
_PER_FILE = 100


@dataclass(frozen=True, slots=True)
class Line:
    """One figure.

    Attributes
    ----------
    name : str
        What was measured, with its unit.
    value : float
        The figure.
    goal : str
        What it should be.
    """

    name: str
    value: float
    goal: str = ""


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


def _cpu_seconds(work: Callable[[], object]) -> float:
    """Return the processor time, which other programs on the machine do not change."""
    start = time.process_time()
    work()
    return time.process_time() - start


def _seconds(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def time_over_decode(photo: Path, rounds: int) -> list[Line]:
    """Time of one photo on one thread over the bare decode of the same file, turn by turn."""
    threads = cv2.getNumThreads()
    cv2.setNumThreads(1)
    image = load_image(photo, long_side=LONG_SIDE_READ)
    settings = Settings()
    job = Job(sha256_bytes(photo.read_bytes()), photo, extra=Task(settings, None, 10.0, None))
    find_in(job)
    bare, whole, alone = [], [], []
    for _ in range(rounds):
        bare.append(_cpu_seconds(lambda: cv2.imread(str(photo), cv2.IMREAD_REDUCED_COLOR_4)))
        whole.append(_cpu_seconds(lambda: find_in(job)))
        alone.append(_cpu_seconds(lambda: find(image, settings)))
    cv2.setNumThreads(threads)
    decode = statistics.median(bare)
    return [
        Line("bare decode at a quarter, one thread, ms of processor time", 1000 * decode),
        Line("finding alone, ms of processor time", 1000 * statistics.median(alone)),
        Line("propose, one photo, ms of processor time", 1000 * statistics.median(whole)),
        Line("propose over bare decode", statistics.median(whole) / decode, "at most 3"),
    ]


def speed_up(photo: Path, photos: int) -> list[Line]:
    """Photos per second with two workers over those with one, and what starting them costs."""
    speeds, starts = {}, {}
    digest = sha256_bytes(photo.read_bytes())
    jobs = [Job(digest, photo, extra=Task(Settings(), None, 10.0, None)) for _ in range(photos)]
    for workers in (1, 2):
        begun = time.perf_counter()
        ready = [time.perf_counter() for _ in on_cores(find_in, jobs, workers)]
        # the first results carry the start of the processes
        steady = ready[2 * workers :]
        speeds[workers] = (len(steady) - 1) / (steady[-1] - steady[0])
        starts[workers] = ready[0] - begun
    return [
        Line("photos a second, 1 worker", speeds[1]),
        Line("photos a second, 2 workers", speeds[2]),
        Line("speed-up with 2 workers", speeds[2] / speeds[1], "1.8"),
        Line("until the first result with 2 workers, s", starts[2]),
    ]


def _rss_mib() -> float:
    """Return the memory this process has in use."""
    try:
        text = Path("/proc/self/statm").read_text(encoding="ascii")
    except OSError:  # only Linux has it; elsewhere the highest so far must do
        import resource

        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        return peak / (1 << 20 if sys.platform == "darwin" else 1 << 10)
    return int(text.split()[1]) * os.sysconf("SC_PAGE_SIZE") / (1 << 20)


def _work_and_weigh(photo: Path, photos: int, told: Any) -> None:
    """Propose the same photo again and again in a process of its own, telling its memory."""
    cv2.setNumThreads(1)
    task = Task(Settings(), None, 10.0, None)
    job = Job(sha256_bytes(photo.read_bytes()), photo, extra=task)
    weights = []
    for number in range(photos):
        find_in(job)
        if number % 10 == 9:
            weights.append(_rss_mib())
    told.send(weights)


def memory(photo: Path, photos: int) -> list[Line]:
    """Memory of one worker over many photos."""
    context = multiprocessing.get_context("spawn")
    mine, theirs = context.Pipe(duplex=False)
    worker = context.Process(target=_work_and_weigh, args=(photo, photos, theirs))
    worker.start()
    weights = mine.recv()
    worker.join()
    third = max(len(weights) // 3, 1)
    early, late = statistics.median(weights[:third]), statistics.median(weights[-third:])
    return [
        Line(f"worker's memory after {photos} photos, MiB", weights[-1], "under 400"),
        Line("last third over first third of them", late / early, "flat: 1.00"),
    ]


def _plan(plants: int) -> Plan:
    """Return an invented plan with at least so many plants."""
    layout = Layout(blocks=4, plots_per_group=1, plants_per_plot=-(-plants // 8))
    groups = (Group(name="own-rooted"), Group(name="grafted"))
    return Plan(id="benchtrial", title="Drawn", control="own-rooted", groups=groups, layout=layout)


def _photographed(directory: Path, photos: int) -> Trial:
    """Return a trial with drawn photos, entered as intake would."""
    trial = start_trial(directory, _plan(photos))
    patterns = [draw_photo(_SMALL, 4 + number, number) for number in range(12)]
    facts: list[tuple[Any, str, dict[str, Any]]] = []
    for number, code in enumerate(trial.plants["code"][:photos]):
        data = _unlike(patterns[number % len(patterns)], number)
        path = directory / "photos" / _SURVEY / str(code) / "path.jpg"
        path.parent.mkdir(parents=True)
        path.write_bytes(data)
        body = {
            "photo": sha256_bytes(data),
            "file": path.relative_to(directory).as_posix(),
            "width": _SMALL[0],
            "height": _SMALL[1],
            "taken_at": f"{_SURVEY}T09:00:00+00:00",
            "clock": "utc",
            "survey": _SURVEY,
            "plant": str(code),
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


def ledger_growth(directory: Path, photos: int) -> list[Line]:
    """How much the ledger grows for each photo proposed."""
    trial = _photographed(directory, photos)
    before = _ledger_bytes(trial)
    took = _seconds(lambda: propose(trial, Settings()))
    again = _seconds(lambda: propose(trial, Settings()))
    grown = (_ledger_bytes(trial) - before) / photos
    with trial.ledger() as ledger:
        rows = [len(entry.body["candidates"]) for entry in ledger.standing("proposal")]
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
    trial = _photographed(directory, photos)
    _propose_and_confirm(trial)
    options = SheetOptions(per_file=_PER_FILE)
    sheets = _seconds(lambda: make_sheets(trial, options))
    report = _seconds(lambda: make_report(trial, replace=True))
    return [
        Line(f"sheets of {photos} photos, s", sheets),
        Line(f"report of {photos} photos, s", report),
    ]


def _propose_and_confirm(trial: Trial) -> None:
    """Write proposals and answers for all photos, the proposals of a dozen patterns over again."""
    with trial.ledger() as ledger:
        photos = [entry.body for entry in ledger.standing("photo")]
        bodies = [
            find_in(
                Job(
                    photo["photo"],
                    trial.directory / photo["file"],
                    extra=Task(Settings(), None, 10.0, None),
                )
            )
            for photo in photos[:12]
        ]
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
        "at": f"{_SURVEY}T18:00:00+00:00",
        "answer": "counted",
        "count": len(marks),
        "seconds": 4.0,
        "clicks": 0,
        "marks": marks,
    }


def _large(folder: Path, sizes: Sequence[int]) -> list[Line]:
    """Sheet and report at each size, and how the times grow."""
    lines: list[Line] = []
    for size in sizes:
        lines += sheet_and_report(folder / f"of-{size}", size)
    for place, word in enumerate(("sheets", "report")):
        times = [line.value for line in lines[place::2]]
        if len(sizes) > 1 and times[0]:
            growth = (times[-1] / times[0]) / (sizes[-1] / sizes[0])
            lines.append(
                Line(f"{word}: growth of the time over growth of the trial", growth, "at most 1")
            )
    return lines


def main(arguments: Sequence[str] | None = None) -> list[Line]:
    """Measure, print a table and return its lines."""
    parser = argparse.ArgumentParser(prog="python -m counting.bench", description=__doc__)
    parser.add_argument("--photo", type=Path, help="a JPEG to take the times on")
    parser.add_argument("--rounds", type=int, default=15, help="photos timed one by one")
    parser.add_argument("--photos", type=int, default=40, help="photos for the speed-up")
    parser.add_argument("--many", type=int, default=300, help="photos for the memory")
    parser.add_argument("--sizes", default="500,5000", help="photos of the large trials")
    parser.add_argument("--json", type=Path, help="write the figures here")
    given = parser.parse_args(arguments)
    lines: list[Line] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        photo = given.photo
        if photo is None:
            photo = folder / "drawn.jpg"
            photo.write_bytes(draw_photo(_PHONE, 18, 1))
        sizes = [int(part) for part in given.sizes.split(",") if part]
        parts: tuple[Callable[[], list[Line]], ...] = (
            lambda: time_over_decode(photo, given.rounds),
            lambda: speed_up(photo, given.photos),
            lambda: memory(photo, given.many),
            lambda: ledger_growth(folder / "growth", given.photos),
            lambda: _large(folder, sizes) if sizes else [],
        )
        for part in parts:
            for line in part():
                sys.stdout.write(f"{line.name:<60}{line.value:>10.2f}  {line.goal}\n")
                sys.stdout.flush()
                lines.append(line)
    if given.json:
        text = json.dumps([dataclasses.asdict(line) for line in lines], indent=2)
        given.json.write_text(text + "\n", encoding="utf-8")
    return lines


if __name__ == "__main__":
    main()
