"""The description that travels with the exported tables, so that they can be read alone."""

from __future__ import annotations

from typing import Any

import pandas as pd

from counting import __version__
from counting.files import now, sha256_bytes
from counting.ledger import Checkpoint
from counting.plan.trial import Trial
from counting.tables import (
    ANSWERS,
    CANDIDATES,
    EVENTS,
    EXCLUSIONS,
    MARKS,
    OBSERVATIONS,
    PHOTOS,
    PLANTS,
    Schema,
)

__all__ = ["KEYS", "SCHEMAS", "WORDS", "package"]

SCHEMAS: dict[str, Schema] = {
    "plants": PLANTS,
    "observations": OBSERVATIONS,
    "photos": PHOTOS,
    "candidates": CANDIDATES,
    "marks": MARKS,
    "answers": ANSWERS,
    "exclusions": EXCLUSIONS,
    "diary": EVENTS,
}
"""Every table that is exported."""
KEYS: dict[str, tuple[str, ...]] = {
    "plants": ("code",),
    "photos": ("photo",),
    "candidates": ("photo", "candidate"),
    "marks": ("photo", "reviewer", "mark"),
    "answers": ("photo", "reviewer"),
    "diary": ("event",),
}
"""The columns that name a row; observations and exclusions may lack parts of theirs."""
_FOREIGN: dict[str, tuple[str, str, str]] = {
    "observations": ("plant", "plants", "code"),
    "photos": ("plant", "plants", "code"),
    "candidates": ("photo", "photos", "photo"),
    "marks": ("photo", "photos", "photo"),
    "answers": ("photo", "photos", "photo"),
}
_FIELD_TYPES = {
    "str": "string",
    "Int64": "integer",
    "float64": "number",
    "boolean": "boolean",
    "object": "string",  # several people's names, written with commas
}
"""Data frame dtypes in the words of Table Schema (specs.frictionlessdata.io)."""

WORDS: dict[str, tuple[str, str]] = {
    "code": ("the plant's code", ""),
    "group": ("the treatment's group", ""),
    "block": ("the block", ""),
    "plot": ("the plot", ""),
    "row": ("the row the plant stands in", ""),
    "position": ("its place in the row", ""),
    "guard": ("a guard plant, never counted", ""),
    "tag": ("the number of the plant's tag", ""),
    "survey": ("the dated round; empty: all of them", "date"),
    "plant": ("the plant's code; empty: a photo", ""),
    "truss": ("the truss's number; empty: the whole plant", ""),
    "measure": ("what was recorded", ""),
    "value": ("the value; empty: missing, with the reason in the note", "see the column unit"),
    "unit": ("the value's unit", ""),
    "source": ("photo or tally: where the value comes from", ""),
    "by": ("who counted or wrote it", ""),
    "at": ("when, ISO 8601 with offset", "time"),
    "note": ("what was noted", ""),
    "photo": ("SHA-256 of the photo's file; of a view of a plant beside, its own id", ""),
    "file": ("path inside the trial's folder", ""),
    "view_of": ("SHA-256 of the file of a view of a plant beside; else empty", ""),
    "width": ("width of the upright photo, or of the box in it", "px"),
    "height": ("height of the upright photo, or of the box in it", "px"),
    "taken_at": ("when it was taken; empty where the photo does not say", "time"),
    "side": ("the side of the row it was taken from", ""),
    "bound_by": ("what tied it to its plant: tag, manifest, folder, beside or a person", ""),
    "mm_per_px": ("scale by the tag", "mm/px"),
    "flags": ("what to look at, words separated by semicolons", ""),
    "candidate": ("the candidate's number in its photo; empty: a person added it", ""),
    "x": ("centre of the box from the left", "px"),
    "y": ("centre of the box from the top", "px"),
    "diameter_px": ("diameter", "px"),
    "diameter_mm": ("diameter by the tag's scale", "mm"),
    "colour": ("green, turning, or the crop's ripe colour", ""),
    "red_share": ("share of the visible surface that is of its ripe colour, 0 to 1", "1"),
    "confidence": ("chance that it is a fruit to count, 0 to 1", "1"),
    "stages": ("the stages that proposed it", ""),
    "whose": ("whose fruit: this plant, neighbour, behind, fallen or unknown", ""),
    "neighbour": ("code of the neighbour whose fruit it is, where its tag is in view", ""),
    "own_share": ("chance that it is this plant's, if it is a fruit, 0 to 1", "1"),
    "reviewer": ("who looked at the photo", ""),
    "mark": ("the mark's number in its photo", ""),
    "state": ("confirmed, added, removed, elsewhere or unsure", ""),
    "twin": ("PHOTO:MARK of the same fruit in another photo of the plant", ""),
    "small": ("under the smallest size: shown, not counted", ""),
    "answer": ("counted, cannot tell or retake", ""),
    "count": ("fruit that count", "fruit"),
    "seconds": ("how long the photo was open", "s"),
    "clicks": ("clicks and keys", ""),
    "sheet": ("the contact sheet it was answered on", ""),
    "looked": ("together: confirmed with others on one screen; empty: opened by itself", ""),
    "reason": ("why it is left out", ""),
    "event": ("the event's id", ""),
    "kind": ("what was done", ""),
    "scope": ("group, block, plot or plant; empty: the whole trial", ""),
    "product": ("the product as written on its label", ""),
    "product_parts": ("parts of the product in the dilution", "1"),
    "water_parts": ("parts of water in it", "1"),
    "ml_per_litre": ("product in a litre of the mixture", "ml/l"),
    "amount_litre": ("mixture put out", "l"),
    "weather": ("the weather", ""),
    "low_c": ("lowest temperature of the day", "Cel"),
    "high_c": ("highest temperature of the day", "Cel"),
}
"""Every column: what it holds, and its unit where it has one."""


def package(
    trial: Trial,
    tables: dict[str, pd.DataFrame],
    contents: dict[str, bytes],
    checkpoint: Checkpoint,
) -> dict[str, Any]:
    """Describe the tables by the Data Package standard (specs.frictionlessdata.io).

    Parameters
    ----------
    trial : Trial
    tables : dict of str to DataFrame
    contents : dict of str to bytes
        The files' contents by name.
    checkpoint : Checkpoint
        Of the ledger that the tables came from.
    """
    return {
        "name": f"trial-{trial.plan.id}",
        "title": trial.plan.title,
        "created": now(),
        "version": __version__,
        "profile": "tabular-data-package",
        "trial": _trial(trial),  # properties of our own, as the standard allows
        "checkpoint": checkpoint.to_json(),
        "resources": [
            {
                "name": name,
                "path": f"{name}.csv",
                "profile": "tabular-data-resource",
                "format": "csv",
                "encoding": "utf-8",
                "bytes": len(contents[f"{name}.csv"]),
                "hash": f"sha256:{sha256_bytes(contents[f'{name}.csv'])}",
                "schema": _schema(name),
            }
            for name in tables
        ],
    }


def _schema(name: str) -> dict[str, Any]:
    fields = []
    for column, dtype in SCHEMAS[name].items():
        words, unit = WORDS[column]
        field = {"name": column, "type": _FIELD_TYPES[dtype], "description": words}
        fields.append({**field, "unit": unit} if unit else field)
    schema: dict[str, Any] = {"fields": fields, "missingValues": [""]}
    if name in KEYS:
        schema["primaryKey"] = list(KEYS[name])
    if name in _FOREIGN:
        column, other, key = _FOREIGN[name]
        reference = {"resource": other, "fields": key}
        schema["foreignKeys"] = [{"fields": column, "reference": reference}]
    return schema


def _trial(trial: Trial) -> dict[str, Any]:
    """What a reader must know of the trial to analyse it again."""
    plan = trial.plan
    said: dict[str, Any] = plan.model_dump(
        mode="json", exclude={"version", "title", "groups", "layout", "seed"}, exclude_none=True
    )
    return {
        **said,
        "treatments": {group.name: group.treatment for group in plan.groups},
        "doses": {group.name: group.dose for group in plan.groups if group.dose is not None},
        "seed_of_the_lots": plan.seed,
        "sides": "The fruit of a plant's photos are added up; a fruit that two of them show is "
        "linked by its marks' twin and counted once.",
    }
