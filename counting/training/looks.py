"""What a network saw in photos it had not learnt from, kept for the fitting of the numbers."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from counting.finding.stages.scorer import Boxes

__all__ = ["Looks", "read_looks", "write_looks"]

Looks = tuple[Boxes, Boxes]
"""Both looks at a photo, in px of the photo."""


def write_looks(path: Path, looks: Mapping[str, Looks]) -> None:
    """Write the looks at photos by name (set and file name) as one NumPy archive."""
    names = [f"{name}|{number}" for name in looks for number in (0, 1)]
    each = [np.column_stack(look) for both in looks.values() for look in both]
    np.savez_compressed(
        path,
        names=np.array(names),
        lengths=np.array([len(rows) for rows in each]),
        rows=np.concatenate(each).astype(np.float32),
    )


def read_looks(path: Path) -> dict[str, Looks]:
    """Return the looks that `write_looks` wrote."""
    with np.load(path) as stored:
        lengths, rows = stored["lengths"], stored["rows"].astype(np.float64)
        names = [str(name) for name in stored["names"]]
    parts = dict(zip(names, np.split(rows, np.cumsum(lengths)[:-1]), strict=True))
    photos = dict.fromkeys(name.rpartition("|")[0] for name in names)
    return {photo: (_look(parts[f"{photo}|0"]), _look(parts[f"{photo}|1"])) for photo in photos}


def _look(rows: np.ndarray) -> Boxes:
    return rows[:, :4], rows[:, 4]
