"""Text that others wrote: shown so that nothing obeys it, compared so that alike is the same."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence

__all__ = ["few", "many", "one_line", "plain_name", "shown"]

_UNUSUAL = re.compile(r"[^\t\n\x20-\x7e]")
"""All but what is certainly harmless; each is then asked for its category."""
_OBEYED = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})
"""Unicode's categories of letters that are not seen: controls, joiners and turns of the direction
of writing, halves of a letter, ends of lines and paragraphs (Unicode Standard, table 4-4)."""
_INVISIBLE = frozenset({"Cf"})
_SPACE = re.compile(r"\s+")


def few(names: Sequence[str], most: int = 10) -> str:
    """Return names with commas between, of many only the first and how many more there are."""
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")


def many(number: int, noun: str) -> str:
    """Return a number with what it is of: 1 plant, 2 plants."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


def shown(text: str) -> str:
    r"""Return text with every letter written out that a terminal would obey and not show.

    A bell becomes ``\u0007``; line ends and tabs stay. What was JSON is the same JSON afterwards.

    Examples
    --------
    >>> shown("red \x1b[31m, turned \u202e, plain")
    'red \\u001b[31m, turned \\u202e, plain'
    """
    return _UNUSUAL.sub(_written_out, text)


def _written_out(found: re.Match[str]) -> str:
    letter = found[0]
    if unicodedata.category(letter) not in _OBEYED:
        return letter
    units = letter.encode("utf-16-be", "surrogatepass")
    return "".join(f"\\u{units[at : at + 2].hex()}" for at in range(0, len(units), 2))


def one_line(text: str) -> str:
    r"""Return text for one line of a message: as `shown`, with line ends and tabs written out."""
    return shown(text).replace("\n", "\\n").replace("\t", "\\t")


def plain_name(text: str, what: str = "a name") -> str:
    r"""Return a name, or a remark, as it is compared: composed, on one line, invisible letters out.

    Composed is Unicode's normal form C (UAX 15), so that an é is one letter however it was typed.
    Letters of two scripts that look alike stay two.

    Parameters
    ----------
    text : str
        As typed.
    what : str
        What it is, for the message.

    Raises
    ------
    ValueError
        If it holds a control character other than a line end or tab, or half a letter.

    Examples
    --------
    >>> plain_name(" e\u0301va\u200b  b. ")
    'éva b.'
    """
    seen = "".join(letter for letter in text if unicodedata.category(letter) not in _INVISIBLE)
    plain = _SPACE.sub(" ", unicodedata.normalize("NFC", seen)).strip()
    for letter in plain:
        if unicodedata.category(letter) in _OBEYED:
            message = f"{what} holds the control character {shown(letter)}; take it out"
            raise ValueError(message)
    return plain
