"""Settings of the finder, as one frozen value with a hash of itself."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import overload

import numpy as np
from numpy.typing import NDArray

from counting.errors import CountingError
from counting.files import canonical_json, sha256_bytes

__all__ = ["DEFAULT_THRESHOLD", "FLOOR", "OWN_FROM", "STAGES", "THRESHOLDS", "Settings", "reaches"]

STAGES = ("colour", "blobs", "scorer")
"""The stages a photo can pass, in the order they are merged."""
THRESHOLDS = {
    ("colour",): 0.37,
    ("blobs",): 0.23,
    ("scorer",): 0.51,
    ("colour", "blobs"): 0.37,
}
"""Confidence of best F1 on held-out scenes where not all stages propose, or a lower one within 0.01
of that F1, which misses less."""
DEFAULT_THRESHOLD = 0.51
"""With the scorer among the stages: of the highest mean F1 over sources held out from it."""
FLOOR = 0.05
"""Least confidence that is kept at all: below it a person would not want to see a ring."""
OWN_FROM = 0.5
"""Share from which a fruit is taken for the plant's own: more likely its than anybody else's."""


_LATER = {"lesson": "", "borrowed": False, "look": 1.0, "weights": ""}
"""Fields that came later: where they say nothing they are no part of the hash."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What decides the candidates of a photo, apart from the photo itself.

    Attributes
    ----------
    stages : tuple of str
        Which of `STAGES` propose.
    threshold : float
        Confidence from which a candidate is proposed as a fruit, 0..1.
    slope, offset : float
        A trial's own correction of the confidence, on the log-odds: ``slope * logit + offset``.
    fruit_spread : float
        A trial's own factor on the width of the interval of the expected count.
    quick : bool
        The scorer looks once at every photo, never closer.
    lesson : str
        Digest of the lesson that a trial's own numbers come from; empty as shipped.
    borrowed : bool
        Another survey taught that lesson: the interval stays at least as wide as shipped.
    look : float
        A trial's own factor on the size at which the scorer looks at a photo.
    weights : str
        SHA-256 of the file with the trial's own weights of the scorer; empty for those that ship.
    """

    stages: tuple[str, ...] = STAGES
    threshold: float = DEFAULT_THRESHOLD
    slope: float = 1.0
    offset: float = 0.0
    fruit_spread: float = 1.0
    quick: bool = False
    lesson: str = ""
    borrowed: bool = False
    look: float = 1.0
    weights: str = ""

    @classmethod
    def with_stages(cls, text: str, *, quick: bool = False) -> Settings:
        """Return the default settings of the stages named in a text such as ``colour,blobs``.

        Raises
        ------
        CountingError
            If a name is none of `STAGES`, or there is none.
        """
        named = {name.strip() for name in text.split(",") if name.strip()}
        unknown = sorted(named - set(STAGES))
        if unknown or not named:
            found = f"no stage called {', '.join(unknown)}" if unknown else "no stage named"
            where = "--stages"
            raise CountingError(where, found, f"one or more of {','.join(STAGES)}")
        stages = tuple(name for name in STAGES if name in named)
        return cls(stages, THRESHOLDS.get(stages, DEFAULT_THRESHOLD), quick=quick)

    @property
    def tuned(self) -> bool:
        """Whether the numbers are a trial's own."""
        return (self.slope, self.offset, self.fruit_spread) != (1.0, 0.0, 1.0)

    @property
    def floor(self) -> float:
        """Least confidence that is kept: `FLOOR`, or less where a lesson lowers confidences.

        What was a candidate as shipped stays one, so that a lesson loses nothing to the next.
        """
        odds = self.slope * math.log(FLOOR / (1 - FLOOR)) + self.offset
        return min(FLOOR, 1 / (1 + math.exp(-odds)))

    @property
    def hash(self) -> str:
        """SHA-256 of the settings, as written beside every proposal."""
        told = asdict(self)
        told = {name: value for name, value in told.items() if _LATER.get(name) != value}
        return sha256_bytes(canonical_json(told).encode("utf-8"))


@overload
def reaches(confidence: float, threshold: float) -> bool: ...
@overload
def reaches(confidence: NDArray[np.float64], threshold: float) -> NDArray[np.bool_]: ...
def reaches(confidence: float | NDArray[np.float64], threshold: float) -> bool | NDArray[np.bool_]:
    """Whether candidates are proposed as fruit: from the threshold on, itself among them.

    The one comparison with a threshold that there is: what is a ring on the sheet is a fruit in
    the count, in the learning and in the figures.

    Parameters
    ----------
    confidence : float or (N,) ndarray of float
        As the finder gave or recorded it, not rounded.
    threshold : float
        The proposal's own, or that of the settings.
    """
    return confidence >= threshold
