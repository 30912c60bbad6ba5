"""Small trials and drawn photos for the tests, with known truth.

`make_trial` writes a folder with plan and plants; `draw_photo` one photo with fruit of known
number; `add_photo` and `confirm` write the ledger's entries as the rooms themselves would.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image, ImageDraw

from counting.files import sha256_bytes
from counting.ledger import Ledger, entry_hash
from counting.ledger.facts import Candidate, Proposal
from counting.plan.trial import Trial, load_trial

SURVEY = "2026-07-01"
_TAGS = 1000
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


@dataclass(frozen=True, slots=True)
class Beds:
    """How many blocks, plots and plants a made trial has."""

    blocks: int = 2
    plots_per_group: int = 1
    plants_per_plot: int = 2
    guards_per_plot: int = 0


def make_trial(
    directory: Path,
    beds: Beds = Beds(),
    *,
    groups: tuple[str, ...] = ("own-rooted", "grafted"),
    allotted_to: str = "plot",
    rule: str = "",
) -> Trial:
    """Write an invented trial: plots A1, A2 (block A), B1 ...; plants A1-1, A1-2 ...

    The first group is the control; plots take the groups in turn. `rule` is TOML text for the
    table ``[rule]``. Tags are 0, 1, 2 ... in the order of the rows, as far as there are tags.
    """
    directory.mkdir(parents=True, exist_ok=True)
    lines = [
        "version = 1",
        'id = "k3v9x2m7q4"',
        'title = "An invented trial"',
        'crop = "tomato"',
        f"control = {json.dumps(groups[0])}",
        f'allotted_to = "{allotted_to}"',
        "seed = 20260601",
        *(f"[[groups]]\nname = {json.dumps(name)}" for name in groups),
        f"[rule]\n{rule}" if rule else "",
        "[layout]",
        f"blocks = {beds.blocks}",
        f"plots_per_group = {beds.plots_per_group}",
        f"plants_per_plot = {beds.plants_per_plot}",
        f"guards_per_plot = {beds.guards_per_plot}",
    ]
    (directory / "trial.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    rows = ["code,group,block,plot,row,position,guard,tag", *_plants(beds, groups)]
    (directory / "plants.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return load_trial(directory)


def _plants(beds: Beds, groups: tuple[str, ...]) -> list[str]:
    rows: list[str] = []
    for block in range(beds.blocks):
        letter = _LETTERS[block] if beds.blocks <= len(_LETTERS) else f"K{block + 1}."
        for plot in range(len(groups) * beds.plots_per_group):
            # turned by one from block to block, so that no group always comes first
            group = groups[(plot + block) % len(groups)]
            for position in range(beds.plants_per_plot + beds.guards_per_plot):
                name = f"{letter}{plot + 1}"
                guard = str(position >= beds.plants_per_plot).lower()
                rows.append(
                    f"{name}-{position + 1},{group},{letter},{name},{block + 1},"
                    f"{position + 1},{guard},{len(rows) if len(rows) < _TAGS else ''}"
                )
    return rows


def drawn(fruit: int = 5, *, seed: int = 0, size: tuple[int, int] = (320, 240)) -> Image.Image:
    """Return a picture of `fruit` red and green discs on a grid over textured leaf green."""
    rng = np.random.default_rng(seed)
    width, height = size
    noise = rng.normal(0, 14, (height, width, 1)) + np.array([60.0, 95.0, 45.0])
    image = Image.fromarray(noise.clip(0, 255).astype(np.uint8))
    draw = ImageDraw.Draw(image)
    columns = max(1, width // 60)
    for number in range(fruit):
        x = 30 + 60 * (number % columns) + int(rng.integers(-4, 5))
        y = 30 + 60 * (number // columns) + int(rng.integers(-4, 5))
        radius = int(rng.integers(12, 20))
        colour = (200, 40, 30) if number % 2 == 0 else (150, 190, 90)
        draw.ellipse((x - radius, y - radius, x + radius, y + radius), fill=colour)
    return image


def draw_photo(path: Path, fruit: int = 5, *, seed: int = 0, **save: Any) -> Path:
    """Write a drawn photo; the ending of `path` decides the format."""
    path.parent.mkdir(parents=True, exist_ok=True)
    drawn(fruit, seed=seed).save(path, **save)
    return path


def add_photo(trial: Trial, plant: str, **body: Any) -> str:
    """Put a photo's entry into the ledger (no file is made) and return its SHA-256.

    Further keywords (survey, truss, side, flags ...) go into the entry's body.
    """
    survey = body.get("survey", SURVEY)
    side = body.get("side", "path")
    truss = body.get("truss")
    photo = body.get("photo") or sha256_bytes(f"{survey}|{plant}|{truss}|{side}".encode())
    fact = {
        "photo": photo,
        "file": f"photos/{survey}/{plant}/{side}.jpg",
        "width": 320,
        "height": 240,
        "taken_at": f"{survey}T09:00:00+00:00",
        "survey": survey,
        "plant": plant,
        "truss": truss,
        "side": side,
        "bound_by": "folder",
        "flags": [],
        "quality": {},
        "tag": None,
        **body,
    }
    with trial.ledger() as ledger:
        ledger.append("photo", photo, fact, by="test")
    return photo


def marks(counted: int, *, removed: int = 0, small: int = 0, truss: int | None = None) -> list[Any]:
    """Return marks as a contact sheet saves them: confirmed, then removed, then small ones."""
    states = ["confirmed"] * counted + ["removed"] * removed + ["confirmed"] * small
    return [
        {
            "mark": number,
            "candidate": number,
            "x": 10.0 + number,
            "y": 10.0,
            "width": 8.0,
            "height": 8.0,
            "state": state,
            "truss": truss,
            "twin": "",
            "small": number >= counted + removed,
        }
        for number, state in enumerate(states)
    ]


def confirm(
    trial: Trial,
    photo: str,
    count: int,
    *,
    reviewer: str = "first reviewer",
    at: str = "2026-07-01T18:00:00+00:00",
    **body: Any,
) -> None:
    """Put a reviewer's answer for a photo into the ledger; keywords overwrite its body."""
    fact = {
        "photo": photo,
        "proposal": entry_hash("", at="", by="", kind="proposal", key=photo, body=""),
        "sheet": "s1",
        "reviewer": reviewer,
        "at": at,
        "answer": "counted",
        "count": count,
        "seconds": 4.0,
        "clicks": 1,
        "marks": marks(count),
        **body,
    }
    with trial.ledger() as ledger:
        ledger.append("confirmation", f"{photo}|{reviewer}", fact, by=reviewer)


def confirm_rings(ledger: Ledger, photo: str, made: Proposal, rings: Iterable[Candidate]) -> None:
    """Put an answer into the ledger that takes these candidates for fruit, and no others."""
    taken = [
        {
            "mark": number,
            "candidate": each.candidate,
            **{name: each.to_body()[name] for name in ("x", "y", "width", "height")},
            "state": "confirmed",
            "truss": None,
            "twin": "",
            "small": False,
        }
        for number, each in enumerate(rings)
    ]
    answer = {
        "photo": photo,
        "proposal": made.entry,
        "reviewer": "r",
        "at": "2026-07-01T18:00:00+00:00",
        "answer": "counted",
        "count": len(taken),
        "marks": taken,
    }
    ledger.append("confirmation", f"{photo}|r", answer, by="r")
