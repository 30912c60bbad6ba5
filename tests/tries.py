"""How much of a long test runs in the suite, and how all of it runs.

Fuzz, kills and simulations show a rule by their number. What they show is measured once with all
of it; the suite runs a share, to see that it still holds. ``WHOLE=1`` in the environment runs all.
"""

from __future__ import annotations

import os

__all__ = ["tries"]

WHOLE = bool(os.environ.get("WHOLE"))


def tries(suite: int, whole: int) -> int:
    """Return how often to try: `suite` with the others, `whole` by hand."""
    return whole if WHOLE else suite
