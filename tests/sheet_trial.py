"""A small trial with drawn photos and candidates of known place, for the tests of the review."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image, ImageDraw

from counting.files import sha256_file
from counting.plan.trial import Trial, load_trial

__all__ = ["Drawn", "draw_trial"]

PLAN = """version = 1
id = "k3v9x2m7q4"
title = {title}
control = "own-rooted"
seed = 20260601
[[groups]]
name = "own-rooted"
[[groups]]
name = "grafted"
"""


@dataclass(frozen=True)
class Drawn:
    """What is drawn: how many plants, sides and fruit, and how they are called."""

    plants: int = 4
    sides: tuple[str, ...] = ("a", "b")
    fruit: int = 6
    size: tuple[int, int] = (800, 600)
    title: str = "Grafted against own-rooted, invented"
    code: str = "P"
    flagged: tuple[int, ...] = (2,)
    trusses: bool = False
    faint: int = 1
    leaf: tuple[int, int, int] = (46, 88, 40)
    ripe: tuple[int, int, int] = (196, 52, 30)


def draw_trial(directory: Path, drawn: Drawn | None = None) -> Trial:
    """Make the trial's folder with photos taken in and candidates proposed."""
    drawn = drawn or Drawn()
    directory.mkdir(parents=True, exist_ok=True)
    quoted = '"' + "".join(f"\\u{ord(c):04X}" if c in '"\\' else c for c in drawn.title) + '"'
    (directory / "trial.toml").write_text(PLAN.format(title=quoted), encoding="utf-8")
    lines = ["code,group,block,plot,row,position,guard,tag"]
    codes = [f"{drawn.code}{number}" for number in range(1, drawn.plants + 1)]
    for number, code in enumerate(codes):
        group = ("own-rooted", "grafted")[number % 2]
        lines.append(f'"{code.replace(chr(34), chr(34) * 2)}",{group},1,A{number},,,false,')
    (directory / "plants.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    trial = load_trial(directory)
    facts: list[Any] = []
    number = 0
    for code in codes:
        for side in drawn.sides:
            facts += _photo(directory, drawn, code, side, number)
            number += 1
    with trial.ledger() as ledger:
        ledger.append_many(facts, by="test")
    return trial


def _photo(directory: Path, drawn: Drawn, code: str, side: str, number: int) -> list[Any]:
    """Draw one photo with its candidates; return its facts for the ledger."""
    rng = np.random.default_rng(number)
    width, height = drawn.size
    picture = Image.fromarray(
        np.clip(rng.normal(drawn.leaf, 14, (height // 8, width // 8, 3)), 0, 255).astype(np.uint8)
    ).resize(drawn.size)
    pen = ImageDraw.Draw(picture)
    rows = []
    for fruit in range(drawn.fruit + drawn.faint):
        column, line = fruit % 3, fruit // 3
        x = width * (column + 0.5) / 3 + float(rng.uniform(-20, 20))
        y = height * (line + 0.5) / 3 + float(rng.uniform(-15, 15))
        radius = width / 22
        pen.ellipse((x - radius, y - radius, x + radius, y + radius), fill=drawn.ripe)
        rows.append(
            {
                "candidate": fruit,
                "x": x,
                "y": y,
                "width": 2 * radius,
                "height": 2 * radius,
                "diameter_px": 2 * radius,
                "diameter_mm": None,
                "colour": "red",
                "red_share": 1.0,
                "confidence": 0.9 if fruit < drawn.fruit else 0.2,
                "stages": "colour",
                "truss": fruit // 3 + 1 if drawn.trusses else None,
                "flags": [],
            }
        )
    name = f"photos/2026-07-01/{number:04d}.jpg"
    path = directory / name
    path.parent.mkdir(parents=True, exist_ok=True)
    picture.save(path, "JPEG", quality=85)
    photo = sha256_file(path)
    body = {
        "photo": photo,
        "file": name,
        "width": width,
        "height": height,
        "taken_at": "",
        "survey": "2026-07-01",
        "plant": code,
        "truss": None,
        "side": side,
        "bound_by": "folder",
        "flags": ["blurred"] if number in drawn.flagged else [],
        "quality": {},
        "tag": None,
    }
    proposal = {
        "photo": photo,
        "version": "test",
        "settings": "0" * 64,
        "settings_text": {"threshold": 0.5},
        "stages": ["colour"],
        "width": width,
        "height": height,
        "candidates": rows,
        "count": float(drawn.fruit),
        "count_low": float(drawn.fruit),
        "count_high": float(drawn.fruit + drawn.faint),
        "flags": [],
        "seconds": 0.1,
    }
    return [("photo", photo, body), ("proposal", photo, proposal)]
