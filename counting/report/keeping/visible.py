"""What a reader sees of a page, piece by piece, held against the page as it is made again."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import SequenceMatcher
from html.parser import HTMLParser

__all__ = ["Seen", "differing", "seen"]

_UNSEEN = frozenset({"script", "style"})
_SPOKEN = frozenset({"aria-label", "alt", "title", "content"})
"""Attributes that are read out, or shown beside the pointer."""
_MASKED = frozenset({"written", "Python", "libraries", "counting", "ledger entries", "last entry"})
"""Lines at the end that are another time's or machine's; the last two are checkpoints, which are
looked up in the chain."""
_MOST_COMPARED = 3000
"""Pieces compared one with every other one; more would take minutes."""
_SCRIPT = re.compile(r"<script\b.*?</script>", re.DOTALL | re.IGNORECASE)
_LINE = re.compile(r"(<dt>([^<]*)</dt><dd><code>)[^<]*(</code></dd>)")


@dataclass(frozen=True, slots=True)
class Seen:
    """A page as a reader has it.

    Attributes
    ----------
    pieces : tuple of str
        Every piece of text in order, what is read out too; the lines that may differ left out.
    printed : mapping
        The lines at its end, name to value.
    markup : str
        All of the page but scripts and the lines that may differ: pictures, layout, style.
    """

    pieces: tuple[str, ...]
    printed: Mapping[str, str]
    markup: str


class _Reader(HTMLParser):
    """Gathers text that is shown, and the names and values of the lines at the end."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.pieces: list[str] = []
        self.printed: dict[str, str] = {}
        self._unseen = 0
        self._open = ""
        self._name = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._unseen += tag in _UNSEEN
        self._open = tag if tag in {"dt", "dd"} else self._open
        self.pieces += [value for name, value in attrs if name in _SPOKEN and value]

    def handle_endtag(self, tag: str) -> None:
        self._unseen -= tag in _UNSEEN and self._unseen > 0
        if tag in {"dt", "dd"}:
            self._open = ""

    def handle_data(self, data: str) -> None:
        text = " ".join(data.split())
        if not text or self._unseen:
            return
        if self._open == "dt":
            self._name = text
        if self._open == "dd":
            self.printed[self._name] = text
            if self._name in _MASKED:
                return
        self.pieces.append(text)


def seen(page: str) -> Seen:
    """Return what a reader sees of a page."""
    reader = _Reader()
    reader.feed(page)
    reader.close()
    markup = _LINE.sub(
        lambda line: f"{line[1]}{line[3]}" if line[2] in _MASKED else line[0],
        _SCRIPT.sub("", page),
    )
    return Seen(tuple(reader.pieces), reader.printed, markup)


def differing(told: Seen, made: Seen) -> Iterator[str]:
    """Yield a sentence for each place at which two pages do not show the same."""
    there, again = list(told.pieces), list(made.pieces)
    for at in (0, -1):  # what is alike at both ends is nearly all
        while there and again and there[at] == again[at]:
            del there[at], again[at]
    if max(len(there), len(again)) > _MOST_COMPARED:
        yield f"shows {len(there)} pieces of text there that are not those made again"
        return
    for what, start, end, low, high in SequenceMatcher(
        None, there, again, autojunk=False
    ).get_opcodes():
        if what != "equal":
            yield f"shows {_short(there[start:end])} there, {_short(again[low:high])} made again"


def _short(pieces: list[str]) -> str:
    text = " | ".join(pieces)
    return repr(text if len(text) <= 80 else f"{text[:77]}...") if pieces else "nothing"
