"""Reasons for a person to look: one definition for code, sheet, report and documentation."""

from __future__ import annotations

from enum import StrEnum

__all__ = ["Flag"]


class Flag(StrEnum):
    """A reason why a photo or a candidate needs a look.

    The value is the word stored in files; `sentence` is what a person reads.
    """

    sentence: str

    def __new__(cls, word: str, sentence: str) -> Flag:
        """Make a flag whose value is the word, with its sentence beside it."""
        flag = str.__new__(cls, word)
        flag._value_ = word
        flag.sentence = sentence
        return flag

    # photos
    DAMAGED = (
        "damaged",
        "The file is damaged: part of the picture is lost, and the fruit in it. Copy it again.",
    )
    BLURRED = "blurred", "The photo is blurred; small fruit may be lost."
    TOO_DARK = "too dark", "Much of the photo is too dark to show fruit."
    TOO_BRIGHT = "too bright", "Much of the photo is burnt out."
    NO_TAG = "no tag", "No tag was read; sizes in mm are not known."
    MANY_TAGS = (
        "several tags",
        "Several tags are in the photo; the one nearest the middle was taken.",
    )
    TAG_DISAGREES = "tag disagrees", "The tag names another plant than the file or folder does."
    TURNED = (
        "turned",
        "By its tag the photo lies on its side or head: whose fruit are in it is a guess."
        " Count by eye, or photograph it again upright.",
    )
    NO_TIME = "no time", "The photo carries no time of its own."
    NOTHING_FOUND = "nothing found", "No fruit was proposed; check that there is none."
    WIDE_INTERVAL = "uncertain count", "The expected count is uncertain."
    STAGES_DISAGREE = "stages disagree", "The ways of finding fruit disagree; check each ring."
    CROWDED = "crowded", "Fruit touch or hide one another; look closely."
    NEIGHBOURS = (
        "neighbours",
        "Neighbours may be in view: no tag and spacing say which fruit are this plant's.",
    )
    TAG_HIDDEN = (
        "tag hidden",
        "The plant's tag was not read: the bright part, the middle, is a guess. Move its borders.",
    )
    BESIDE = (
        "taken of another",
        "The photo was taken of a plant beside: this one's part is bright. Count only there.",
    )
    # last, since a whole trial may share it and it then hides the better reasons
    TOO_SMALL = "few pixels", "The photo has too few pixels for the smallest fruit to count."
    # candidates
    AT_EDGE = "at the edge", "The fruit is cut by the edge of the photo."
    TOO_SMALL_TO_COUNT = "too small", "Smaller than the counting rule asks; shown but not counted."
    NEAR_LIMIT = "near the limit", "So near the size limit that it may fall on either side."
    SIZE_RELATIVE = "size relative", "No scale: the size was judged against the other fruit."
