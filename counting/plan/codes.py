"""Plant codes as people write them: any capitals, any mark between the parts."""

from __future__ import annotations

import difflib
import re
from collections import defaultdict
from collections.abc import Iterable

from counting.errors import PlanError
from counting.plan.trial import Trial

__all__ = ["CodeBook", "plant_called"]

_MARKS = re.compile(r"[\s/\\_.,:–—-]+")
_ZEROS = re.compile(r"(?<!\d)0+(?=\d)")
_SURE = 0.5
"""How alike a name must be to be offered; chosen so that a slip of one sign in three is."""


class CodeBook:
    """Finds the plan's name for what a person wrote.

    Parameters
    ----------
    codes : iterable of str
        Names as the plan has them.
    """

    def __init__(self, codes: Iterable[str]) -> None:
        self._codes = list(dict.fromkeys(map(str, codes)))
        self._exact = {code.casefold(): code for code in self._codes}
        self._loose: dict[str, set[str]] = defaultdict(set)
        self._bare: dict[str, set[str]] = defaultdict(set)
        for code in self._codes:
            self._loose[_loose(code)].add(code)
            self._bare[_bare(code)].add(code)

    def find(self, text: str) -> str:
        """Return the plan's name for `text`, empty if there is none or more than one fits.

        ``A2/1``, ``a2 1``, ``A2-01`` and ``A21`` are all A2-1, unless two plants fit.
        """
        plain = text.strip().casefold()
        if plain in self._exact:
            return self._exact[plain]
        for known, key in ((self._loose, _loose(text)), (self._bare, _bare(text))):
            fits = known.get(key, set())
            if key and len(fits) == 1:
                return next(iter(fits))
        return ""

    def meant(self, text: str) -> str:
        """Return the plan's name most like `text`, empty if none is near."""
        near = difflib.get_close_matches(_loose(text), list(self._loose), n=1, cutoff=_SURE)
        return min(self._loose[near[0]]) if near and text.strip() else ""

    def unknown(self, text: str) -> str:
        """Return what to say of a name that was not found."""
        if not text.strip():
            return "plant (none) is not in the plan; write its code"
        near = self.meant(text)
        ask = f"; did you mean {near}?" if near else "; the plan is in plants.csv"
        return f"plant {text!r} is not in the plan{ask}"


def plant_called(trial: Trial, text: str, *, where: str) -> str:
    """Return the code of the plant that a person named.

    Raises
    ------
    PlanError
        If the plan has none such.
    """
    book = CodeBook(trial.plants["code"])
    code = book.find(text)
    if not code:
        raise PlanError(where, book.unknown(text))
    return code


def _loose(text: str) -> str:
    return _ZEROS.sub("", _MARKS.sub("-", text.strip().casefold()).strip("-"))


def _bare(text: str) -> str:
    return _MARKS.sub("", text.strip().casefold())
