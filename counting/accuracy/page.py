"""The page that shows how well fruit is found: figures, calibration, the worst photos."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd
from jinja2 import Environment, PackageLoader, StrictUndefined

from counting.accuracy.labels import Labelled
from counting.accuracy.learnt import Learnt
from counting.accuracy.marked import Marked
from counting.accuracy.score import Accuracy, calibration
from counting.finding.matching import FREE
from counting.finding.proposal import finder_version
from counting.photos.image import load_image
from counting.settings import Settings

__all__ = ["accuracy_page"]

_WORST = 12
_SHOWN_SIDE = 1000
_JPEG_QUALITY = 80
_PLOT = 300
"""Side of a plot's square in px of its own drawing."""


@dataclass(frozen=True, slots=True)
class _Shown:
    """A photo with its marks, in px of the picture on the page."""

    name: str
    row: dict[str, Any]
    picture: str
    width: int
    height: int
    hits: list[dict[str, float]]
    misses: list[dict[str, float]]
    alarms: list[dict[str, float]]


def accuracy_page(
    figures: Accuracy,
    marked: Sequence[Marked],
    labelled: Labelled,
    settings: Settings,
    learnt: Learnt | None = None,
    sources: Mapping[str, Mapping[str, Any]] | None = None,
) -> str:
    """Return the page as one HTML document that needs nothing else.

    Parameters
    ----------
    figures : Accuracy
        From `counting.accuracy.score.score`.
    marked : sequence of Marked
        The photos it was computed from.
    labelled : Labelled
        Where they lie and who published them.
    settings : Settings
        How the candidates were found.
    learnt : Learnt, optional
        What a lesson brings.
    sources : mapping of str to mapping, optional
        The figures of each source, from `counting.accuracy.sources.by_source`; shown where there
        are several.
    """
    table, error = calibration(marked)
    environment = Environment(
        loader=PackageLoader("counting.accuracy", "."), autoescape=True, undefined=StrictUndefined
    )
    environment.filters["share"] = _share
    environment.filters["number"] = _number
    environment.filters["percent"] = _percent
    return environment.get_template("page.html").render(
        figures=figures,
        source=labelled.source,
        settings=settings,
        sources=sources or {},
        learnt=learnt,
        version=finder_version(),
        today=date.today().isoformat(),
        worst=_worst(figures, marked, labelled),
        photos=sorted(figures.by_photo, key=lambda row: (-row["corrections"], row["photo"])),
        calibration=_calibration_points(table),
        calibration_error=error,
        counts=_count_points(figures.by_photo),
        most=_most(figures.by_photo),
        side=_PLOT,
    )


def _share(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f}"


def _percent(value: float | None, sign: str = "") -> str:
    return "-" if value is None else f"{value:{sign}.0%}"


def _number(value: float | None, decimals: int = 1) -> str:
    return "-" if value is None else f"{value:.{decimals}f}"


def _worst(figures: Accuracy, marked: Sequence[Marked], labelled: Labelled) -> list[_Shown]:
    """Return the photos with most corrections, none without any."""
    by_name = {photo.photo: photo for photo in marked}
    files = dict(zip(labelled.photos["photo"], labelled.photos["file"], strict=True))
    sizes = dict(zip(labelled.photos["photo"], labelled.photos["width"], strict=True))
    ranked = sorted(figures.by_photo, key=lambda row: (-row["corrections"], row["photo"]))
    return [
        _shown(by_name[row["photo"]], row, Path(files[row["photo"]]), sizes[row["photo"]], figures)
        for row in ranked[:_WORST]
        if row["corrections"]
    ]


def _shown(
    photo: Marked, row: dict[str, Any], path: Path, label_width: float, figures: Accuracy
) -> _Shown:
    """Draw one photo: which candidates hit by centre, which labels were missed."""
    rgb = load_image(path, long_side=_SHOWN_SIDE).rgb
    shrink = min(1.0, _SHOWN_SIDE / max(rgb.shape[:2]))
    size = (round(rgb.shape[1] * shrink), round(rgb.shape[0] * shrink))
    small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    wanted = photo.proposed(figures.threshold)
    hit = photo.by_centre != FREE
    scale = size[0] / label_width
    missed = ~np.isin(np.arange(len(photo.labels)), photo.by_centre[wanted])
    return _Shown(
        photo.photo,
        row,
        _data_address(small),
        *size,
        hits=_boxes(photo.candidates[wanted & hit], scale),
        misses=_boxes(photo.labels[missed], scale),
        alarms=_boxes(photo.candidates[wanted & ~hit], scale),
    )


def _boxes(table: pd.DataFrame, scale: float) -> list[dict[str, float]]:
    """Return centres and half sizes in px of the page, with the confidence where there is one."""
    rows = []
    for row in table.to_dict("records"):
        box = {
            "x": round(row["x"] * scale, 1),
            "y": round(row["y"] * scale, 1),
            "rx": round(row["width"] * scale / 2, 1),
            "ry": round(row["height"] * scale / 2, 1),
        }
        rows.append(box | {"confidence": row.get("confidence", 1.0)})
    return rows


def _data_address(rgb: np.ndarray[Any, Any]) -> str:
    bgr = cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR)
    _, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY])
    return "data:image/jpeg;base64," + base64.b64encode(data.tobytes()).decode("ascii")


def _calibration_points(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the points of the calibration curve, sized by their number of candidates."""
    most = max(table["candidates"].max(), 1) if len(table) else 1
    return [
        {
            "x": row["confidence"] * _PLOT,
            "y": _PLOT - row["share"] * _PLOT,
            "r": 3 + 7 * (row["candidates"] / most) ** 0.5,
            "candidates": row["candidates"],
            "low": row["low"],
            "high": row["high"],
            "share": row["share"],
        }
        for row in table.to_dict("records")
    ]


def _most(rows: Sequence[dict[str, Any]]) -> int:
    """Return the upper end of the counts' plot: a round number above every count."""
    most = max((max(row["labelled"], row["proposed"]) for row in rows), default=0)
    step = next(step for step in (5, 10, 20, 50, 100, 200, 500, 10**6) if most <= 5 * step)
    return max(step * -(-most // step), step)


def _count_points(rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    most = _most(rows)
    return [
        {
            "x": row["labelled"] / most * _PLOT,
            "y": _PLOT - row["proposed"] / most * _PLOT,
            "low": _PLOT - min(row["expected_low"] / most, 1) * _PLOT,
            "high": _PLOT - min(row["expected_high"] / most, 1) * _PLOT,
            "photo": row["photo"],
            "labelled": row["labelled"],
            "proposed": row["proposed"],
        }
        for row in rows
    ]
