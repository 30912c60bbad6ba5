"""A sample of the plants for review, drawn by lot with known chances."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence

import numpy as np

from counting.review.frames import Frame

__all__ = ["draw_sample"]

_UNSURE = 1.5
"""How many times the asked share is drawn of the half of the plants that the finder is less sure
of; the other half gets the rest. Chosen: with 2 the sure half would go unlooked at."""
_FEWEST = 2
"""Of each group and block, so that its spread is known."""


def draw_sample(
    listed: Sequence[Frame], blocks: Mapping[str, str], share: float, seed: int
) -> dict[str, float]:
    """Draw plants for review, within each survey, group and block.

    Of the half of which the finder is less sure more are drawn; the photos of one plant stay
    together. The chances are the number drawn over the number there, of each half.

    Parameters
    ----------
    listed : sequence of Frame
        All photos that may be drawn.
    blocks : mapping
        Plant to its block.
    share : float
        Of the plants, 0..1.
    seed : int
        Draws the lots.

    Returns
    -------
    dict of str to float
        Each photo of the plants drawn, with its plant's chance.
    """
    sets: dict[tuple[str, str], list[Frame]] = defaultdict(list)
    for frame in sorted(listed, key=lambda frame: frame.photo):
        sets[frame.survey, frame.plant].append(frame)
    cells: dict[tuple[str, str, str], list[tuple[str, str]]] = defaultdict(list)
    for (survey, plant), photos in sorted(sets.items()):
        cells[survey, photos[0].group, blocks.get(plant, "")].append((survey, plant))
    rng = np.random.default_rng(seed)
    drawn: dict[str, float] = {}
    for _, plants in sorted(cells.items()):
        ranked = sorted(plants, key=lambda key: (-_unsure(sets[key]), key))
        half = math.ceil(len(ranked) / 2)
        unsure = min(1.0, _UNSURE * share)
        for part, each in ((ranked[:half], unsure), (ranked[half:], 2 * share - unsure)):
            if not part:
                continue
            wanted = max(_FEWEST, round(each * len(part)))
            n = min(wanted, len(part))
            for place in sorted(rng.permutation(len(part))[:n].tolist()):
                drawn |= {frame.photo: n / len(part) for frame in sets[part[place]]}
    return drawn


def _unsure(photos: Sequence[Frame]) -> float:
    """Variance of a plant's count as the finder's own chances give it."""
    chances = [each.confidence for frame in photos for each in frame.candidates]
    return sum(p * (1 - p) for p in chances)
