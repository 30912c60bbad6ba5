"""The mark of a trial and its year on every tag: in print, and as black and white cells.

A marker only has a number from 0 to 999, so that the tags of two trials, or of two years, bear the
same numbers. The mark tells them apart. Tags printed without one go on working.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

from counting.files import sha256_bytes
from counting.plan.trial import Plan

__all__ = ["BITS", "TrialMark"]

BITS = 32
"""15 for the trial, 5 for the year, 12 to check them."""
_LETTERS = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"
"""Without 0, O, 1 and I, which a wet label makes alike."""
_CODE, _YEAR, _CHECK = 15, 5, 12
_FIRST_YEAR = 2020
_NO_YEAR = (1 << _YEAR) - 1
_POLYNOMIAL = 0x80F
"""CRC-12 of the telecommunication standards (from memory): x^12 + x^11 + x^3 + x^2 + x + 1."""
_START = 0xA5C
"""Not 0, so that white paper is no mark."""


@dataclass(frozen=True, slots=True)
class TrialMark:
    """A trial and a year.

    Attributes
    ----------
    code : int
        15 bits of a trial's id; of 100 trials two share one with a chance of 14 %, and then the
        year and the plants still differ.
    year : int or None
        2020 to 2050; it counts round after that. None where the plan does not say.
    """

    code: int
    year: int | None

    @classmethod
    def of(cls, plan: Plan) -> Self:
        """Return the mark of a trial in the year that its plan names."""
        code = int(sha256_bytes(plan.id.encode())[:8], 16) % (1 << _CODE)
        return cls(code, plan.year_of_tags)

    @classmethod
    def of_bits(cls, bits: Sequence[bool]) -> Self | None:
        """Return the mark in a row of cells, None if they hold none."""
        if len(bits) != BITS:
            return None
        word = int("".join("1" if bit else "0" for bit in bits), 2)
        content, check = word >> _CHECK, word & ((1 << _CHECK) - 1)
        if _checksum(content) != check:
            return None
        year = content % (1 << _YEAR)
        return cls(content >> _YEAR, None if year == _NO_YEAR else _FIRST_YEAR + year)

    @classmethod
    def of_text(cls, text: str) -> Self | None:
        """Return the mark that a text such as ``K3V 2026`` names, None if it names none."""
        letters, _, year = text.partition(" ")
        if len(letters) != 3 or set(letters) - set(_LETTERS) or not (year or "0").isdecimal():
            return None
        code = 0
        for letter in letters:
            code = code * len(_LETTERS) + _LETTERS.index(letter)
        return cls(code, int(year) if year else None)

    @property
    def bits(self) -> tuple[bool, ...]:
        """The cells, True is black."""
        year = _NO_YEAR if self.year is None else (self.year - _FIRST_YEAR) % _NO_YEAR
        content = (self.code << _YEAR) | year
        word = (content << _CHECK) | _checksum(content)
        return tuple(bool(word >> place & 1) for place in reversed(range(BITS)))

    def __str__(self) -> str:
        """Return the mark as it is printed."""
        letters = (self.code >> 5 * place & 31 for place in (2, 1, 0))
        name = "".join(_LETTERS[letter] for letter in letters)
        return name if self.year is None else f"{name} {self.year}"

    def foreign(self, other: TrialMark) -> bool:
        """Whether another mark is of another trial, or of another year of this one."""
        years = {self.year, other.year} - {None}
        return self.code != other.code or len(years) > 1


def _checksum(content: int) -> int:
    """Return the 12 bits that check 20."""
    register = _START
    for place in reversed(range(_CODE + _YEAR)):
        top = (register >> (_CHECK - 1) & 1) ^ (content >> place & 1)
        register = (register << 1) & ((1 << _CHECK) - 1)
        register ^= _POLYNOMIAL if top else 0
    return register
