"""The words people put above a column, and what each of them is in a tally."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping

from counting.crops import crop_of
from counting.measures import MEASURES, measure
from counting.plan.trial import Trial

__all__ = ["IGNORED", "Vocabulary", "plain"]

IGNORED = "ignore"
"""What a column is called that is to be passed over."""
_ROLES: Mapping[str, str] = {
    "survey": "survey; date; day; survey date; date of survey; date of count; counted on",
    "plant": "plant; plants; plant code; plant id; plant no; plant nr; plant number; code",
    "truss": "truss; truss no; truss number; cluster no",
    "measure": "measure; what; variable",
    "value": "value",
    "unit": "unit; units",
    "source": "source",
    "by": "by; counter; counted by; who; observer; recorder",
    "at": "at; time; hour; from to",
    "note": "note; notes; remark; remarks; comment; comments; note why missing; why missing;"
    " reason",
    "weather": "weather",
    "group": "group; treatment",
    "block": "block; rep; replicate",
    "plot": "plot",
    "row": "row; bed",
    "position": "position; pos; place",
}
_MEASURES: Mapping[str, str] = {
    "fruit": "fruits; number of fruit; number of fruits; no of fruit; no of fruits;"
    " fruit count; fruit number; fruit in all; fruits in all; hanging fruit; fruit hanging;"
    " fruit per plant",
    "small_fruit": "small fruits; fruit small",
    "damaged_fruit": "damaged fruits; fruit damaged; damaged",
    "picked_fruit": "fruit picked; fruits picked; picked fruits; picked; harvested",
    "green_fruit": "green fruits; green; fruit green; unripe fruit; unripe",
    "turning_fruit": "turning fruits; turning; fruit turning; breaker; breakers",
    "ripe_fruit": "ripe fruits; ripe; fruit ripe; red fruit; red fruits",
    "picked_weight": "weight; weight picked; harvest weight; weight of fruit picked; yield;"
    " fruit weight",
    "marketable_fruit": "marketable fruits; marketable; fruit marketable; saleable fruit",
    "marketable_weight": "weight marketable; marketable yield; saleable weight",
    "picked_damaged": "damaged picked; picked damaged fruit; damaged among picked",
    "damaged_weight": "weight damaged; weight of damaged fruit",
    "fallen_fruit": "fruit fallen; fruits fallen; fallen fruits; fallen; dropped fruit",
    "trusses": "number of trusses; no of trusses; trusses set; truss count",
    "flowers": "open flowers; flower; number of flowers; flowers open",
    "aborted_flowers": "flowers aborted; aborted; dropped flowers",
    "leaves_removed": "leaves off; leaves taken off; removed leaves",
    "height": "ht; plant height; height of plant; stem height; height of the plant",
    "disease": "diseased; disease severity; severity; diseased leaf area; leaf area diseased",
    "vigour": "vigor",
}
_UNIT = re.compile(r"(?P<name>.*?[^\s(])(?:\s+|\s*\(\s*)(?P<unit>mm|cm|m|kg|g|%|percent)\s*\)?")
_PERCENT_FIRST = re.compile(r"(?:%|percent)\s*(?P<name>.+)")
_OF_TRUSS = re.compile(r"(?:(?P<name>.+?)\s+)?(?:on\s+)?truss\s*(?:no\s*)?(?P<truss>[1-9]\d{0,2})")
_SEPARATORS = re.compile(r"[\s_.:;,#/–—-]+")
_NEAR = 0.75


def plain(heading: str) -> str:
    """Return a heading in lower case with single spaces for whatever stands between its words."""
    return _SEPARATORS.sub(" ", heading.replace("\n", " ").lower()).strip()


class Vocabulary:
    """What a heading means in one trial.

    A meaning is a column of a tally: ``plant``, ``survey`` ..., a measure with its unit
    (``height cm``), a measure of one truss (``fruit truss 2``), or ``ignore``.

    Parameters
    ----------
    trial : Trial
        Its main measure and the words of its crop are known beside the usual ones.
    """

    def __init__(self, trial: Trial) -> None:
        self._main = trial.plan.main_measure
        self._kinds = {**MEASURES, self._main: measure(self._main)}
        self._meaning = {IGNORED: IGNORED}
        for table in (_ROLES, _MEASURES):
            for meaning, words in table.items():
                self._meaning |= dict.fromkeys(map(str.strip, words.split(";")), meaning)
        crop = crop_of(trial.plan.crop)
        self._meaning |= dict.fromkeys((crop.fruits, f"number of {crop.fruits}"), "fruit")
        self._meaning |= {plain(name): name for name in self._kinds}

    def means(self, heading: str) -> str:
        """Return a heading's meaning, empty where it is not known."""
        text = plain(heading)
        if text in self._meaning:
            return self._meaning[text]
        of_truss = _OF_TRUSS.fullmatch(text)
        if of_truss:
            name = self._meaning.get(of_truss["name"] or "fruit", "")
            return f"{name} truss {of_truss['truss']}" if name in self._kinds else ""
        with_unit = _UNIT.fullmatch(text)
        first = _PERCENT_FIRST.fullmatch(text)
        if with_unit or first:
            name = self._meaning.get((with_unit or first)["name"], "")  # type: ignore[index]
            unit = with_unit["unit"].replace("percent", "%") if with_unit else "%"
            if name in self._kinds and self._fits(name, unit):
                return f"{name} {unit}"
        return ""

    def _fits(self, name: str, unit: str) -> bool:
        kind = self._kinds[name].kind
        return kind == {"%": "percent", "g": "weight", "kg": "weight"}.get(unit, "length")

    def near(self, heading: str) -> str:
        """Return the meaning that a heading is most like, empty if none is near."""
        close = difflib.get_close_matches(plain(heading), self._meaning, n=1, cutoff=_NEAR)
        return self._meaning[close[0]] if close else ""

    def is_measure(self, meaning: str) -> bool:
        """Whether a meaning is a measure, be it in a unit or of one truss."""
        return meaning.partition(" ")[0] in self._kinds

    def is_length(self, meaning: str) -> bool:
        """Whether a meaning is a length in mm."""
        known = self._kinds.get(meaning.partition(" ")[0])
        return known is not None and known.unit == "mm"

    @property
    def choices(self) -> list[str]:
        """The meanings that a person may choose from."""
        units = {"mm": " mm", "g": " g", "percent": " %"}
        return [*_ROLES, *(n + units.get(m.unit, "") for n, m in self._kinds.items()), IGNORED]
