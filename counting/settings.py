"""Settings of the finder, as one frozen value with a hash of itself."""

from __future__ import annotations

from dataclasses import asdict, dataclass

from counting.files import canonical_json, sha256_bytes

__all__ = ["STAGES", "Settings"]

STAGES = ("colour", "blobs", "scorer")
"""The stages a photo can pass, in the order they are merged."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What decides the candidates of a photo, apart from the photo itself.

    Attributes
    ----------
    stages : tuple of str
        Which of `STAGES` propose.
    threshold : float
        Confidence from which a candidate is proposed as a fruit, 0..1.
    """

    stages: tuple[str, ...] = STAGES
    threshold: float = 0.5

    @property
    def hash(self) -> str:
        """SHA-256 of the settings, as written beside every proposal."""
        return sha256_bytes(canonical_json(asdict(self)).encode("utf-8"))
