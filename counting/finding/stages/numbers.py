"""The fitted numbers that stand in JSON files beside the modules that use them."""

from __future__ import annotations

import json
from functools import lru_cache
from importlib.resources import files
from typing import Any

import numpy as np

from counting.finding.stages.profile import Linear

__all__ = ["linear", "numbers"]


@lru_cache(maxsize=8)
def numbers(name: str) -> dict[str, Any]:
    """Return the content of ``NAME.json``, read once."""
    text = files("counting.finding.stages").joinpath(f"{name}.json").read_text(encoding="utf-8")
    content: dict[str, Any] = json.loads(text)
    return content


def linear(name: str, part: str) -> Linear:
    """Return one fitted sum of ``NAME.json``."""
    found = numbers(name)[part]
    return Linear(np.array(found["weights"], dtype=np.float64), float(found["intercept"]))
