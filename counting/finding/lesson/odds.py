"""Log-odds of candidates as shipped, and the chances that a trial's own numbers make of them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from counting.settings import Settings

__all__ = ["as_shipped", "chance", "log_odds"]

Floats = NDArray[np.float64]


def log_odds(probability: Floats) -> Floats:
    """Return log-odds, held within what 0.0001 and 0.9999 give: as far as confidences are kept."""
    return np.asarray(logit(np.clip(probability, 1e-4, 1 - 1e-4)))


def as_shipped(confidence: Floats, made_with: Settings) -> Floats:
    """Return the log-odds (N,) before any lesson of candidates that were found with settings."""
    return (log_odds(confidence) - made_with.offset) / made_with.slope


def chance(odds: Floats, settings: Settings) -> Floats:
    """Return what settings make of log-odds (N,) as shipped: the chances that each is a fruit."""
    return np.asarray(expit(settings.slope * odds + settings.offset))
