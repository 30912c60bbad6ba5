"""What the rooms say to a terminal, said as a page says it: the mend is a field, not an option."""

from __future__ import annotations

import re

__all__ = ["spoken"]

_SAID: tuple[tuple[str, str], ...] = (
    (r" One survey\? Take them in again with --survey \S+ --replace\.", ""),
    (
        r"Is (\S+) meant\? Take them in again with --survey from-camera --replace\. ",
        r"Is \1 meant? Move them to it, under the map of the page Walk. ",
    ),
    (r"\d+ days: \d+ surveys\? Take them in again with --survey from-camera --replace\. ", ""),
    (r"say which: counting move PHOTO --side NAME", "say which on the plant's page"),
    (r"Name it: counting move DIR \S+ --side \S+", "Name it on the plant's page."),
    (
        r"If so: counting move DIR --swap .*",
        "If so, hang them right, and move the photos on the plants' pages.",
    ),
    (r"pass --replace to move it to .*", "if that is wrong, move it on that plant's page"),
    (
        r"say which side each of the two shows \(--side here, .*",
        "give the side of this one here, and the side of the other on its plant's page",
    ),
    (
        r"first take counts in: counting confirm, or counting tally",
        "check photos, or type tallies in",
    ),
    (r"take it in there, or print this trial's own tags: counting tags", "it belongs there"),
    (r"say --survey 2026-07-01( for it)?", "give the date of the survey"),
    (r"its plant is not known: no tag was read, .*", "no tag was read in it: choose its plant"),
    (r"its plant is not known: .* survey/plant", "nothing tells its plant: choose it"),
    (r"its list or folder says survey", "it was taken for survey"),
    (r"the command says (\S+); leave one of them out", r"you say \1; leave the date empty"),
    (r"take photos in first: counting take-in \S+ PHOTO\.\.\.", "bring photos in first"),
    (r"see them again with --all", "there is nothing left to check"),
    (r"say where the photo belongs: --to PLANT.*", "say where it belongs"),
    (r" in the plan \(deciding_survey\)", " on the page Plan"),
    (r"say why with --note", "say why"),
    (r"\blow_c and high_c go together: the", "give both, the"),
    (r"\blow_c\b", "coldest"),
    (r"\bhigh_c\b", "warmest"),
    (r"^(--\w+|counting [\w-]+): ", ""),
)
"""What the command line is told, and what a page says in its place."""
_RULES = tuple((re.compile(pattern), told) for pattern, told in _SAID)


def spoken(text: str) -> str:
    """Return a message as a page says it.

    Parameters
    ----------
    text : str
        A sentence of a room, which may name a command or an option as the mend.
    """
    for pattern, told in _RULES:
        text = pattern.sub(told, text)
    return text
