"""The benchmark's command line."""

from __future__ import annotations

import argparse
import dataclasses
import json
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

from counting import bench
from counting.bench.comparisons import comparison_growth
from counting.bench.drawn import PHONE, draw_photo
from counting.bench.large import large_trials, ledger_growth
from counting.bench.line import Line
from counting.bench.memory import memory
from counting.bench.speed import speed_up, time_over_decode

__all__ = ["main"]

_SIZES = ((640, 480), (480, 640), (800, 600), (520, 390))


def _draw_small(folder: Path) -> list[Path]:
    """Draw a dozen photos of several sizes and with few and many fruit."""
    paths = []
    for number in range(12):
        path = folder / f"small-{number}.jpg"
        size = _SIZES[number % len(_SIZES)]
        path.write_bytes(draw_photo(size, 2 + 3 * number, number))
        paths.append(path)
    return paths


def main(arguments: Sequence[str] | None = None) -> list[Line]:
    """Measure, print a table and return its lines."""
    parser = argparse.ArgumentParser(prog="python -m counting.bench", description=bench.__doc__)
    parser.add_argument("--photo", type=Path, help="a JPEG to take the times on")
    parser.add_argument("--rounds", type=int, default=15, help="photos timed one by one")
    parser.add_argument("--photos", type=int, default=40, help="photos for the speed-up")
    parser.add_argument(
        "--many", default="300,10000", help="photos for the memory: all stages, light stages"
    )
    parser.add_argument("--sizes", default="500,5000", help="photos of the large trials")
    parser.add_argument("--plants", type=int, default=10_000, help="plants compared")
    parser.add_argument("--json", type=Path, help="write the figures here")
    given = parser.parse_args(arguments)
    lines: list[Line] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        photo = given.photo
        if photo is None:
            photo = folder / "drawn.jpg"
            photo.write_bytes(draw_photo(PHONE, 18, 1))
        many = (int(given.many.split(",")[0]), int(given.many.split(",")[-1]))
        sizes = [int(part) for part in given.sizes.split(",") if part]
        parts: tuple[Callable[[], list[Line]], ...] = (
            lambda: time_over_decode(photo, given.rounds),
            lambda: speed_up(photo, given.photos),
            lambda: memory(photo, _draw_small(folder), many),
            lambda: ledger_growth(folder / "growth", given.photos),
            lambda: large_trials(folder, sizes) if sizes else [],
            lambda: comparison_growth(given.plants),
        )
        for part in parts:
            for line in part():
                sys.stdout.write(f"{line.name:<62}{line.value:>10.2f}  {line.goal}\n")
                sys.stdout.flush()
                lines.append(line)
    if given.json:
        text = json.dumps([dataclasses.asdict(line) for line in lines], indent=2)
        given.json.write_text(text + "\n", encoding="utf-8")
    return lines


if __name__ == "__main__":
    main()
