"""How the time of a comparison grows with the plants."""

from __future__ import annotations

import numpy as np
import pandas as pd

from counting.analysis.compare import compare
from counting.analysis.question import Question
from counting.bench.line import Line, cpu_seconds

__all__ = ["comparison_growth"]

_GROUPS = 5
_ROUNDS = 3
"""The quickest of so many counts: other work on the machine must not decide."""


def comparison_growth(plants: int) -> list[Line]:
    """Time of comparing five groups of so many plants in eight blocks over that of a tenth.

    Parameters
    ----------
    plants : int
        Of the larger table; a multiple of 400.
    """
    few, many = _seconds(plants // 10), _seconds(plants)
    return [
        Line(f"comparison of {plants} plants in 5 groups, s", many),
        Line("comparison: growth of the time over growth of the trial", many / few / 10, "under 1"),
    ]


def _seconds(plants: int) -> float:
    counts = np.random.default_rng(1).negative_binomial(3, 0.1, plants)
    each = plants // _GROUPS
    table = pd.DataFrame(
        {
            "value": counts,
            "group": np.repeat(list("abcde"), each),
            "block": (np.arange(plants) % 8).astype(str),
        }
    )
    question = Question("reading", kind="count", above=20)
    compare(table.iloc[::8], question)  # the libraries are loaded
    return min(cpu_seconds(lambda: compare(table, question)) for _ in range(_ROUNDS))
