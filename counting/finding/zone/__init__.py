"""Whose fruit is it? The part of a photo that is its plant's, and a share for each candidate."""

from counting.finding.zone.ground import on_ground
from counting.finding.zone.pairs import View, same_fruit
from counting.finding.zone.plane import TagSeen
from counting.finding.zone.views import likely_pairs
from counting.finding.zone.whose import (
    MIDDLE,
    NO_TAGS,
    Fruit,
    RowTags,
    Whose,
    Zone,
    whose,
    zone_json,
)

__all__ = [
    "MIDDLE",
    "NO_TAGS",
    "RowTags",
    "Fruit",
    "TagSeen",
    "View",
    "Whose",
    "Zone",
    "likely_pairs",
    "on_ground",
    "same_fruit",
    "whose",
    "zone_json",
]
