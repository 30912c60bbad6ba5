"""Numbers and names as they are said."""

from __future__ import annotations

import re

__all__ = ["and_list", "number", "p_text", "percent", "plants_of"]

_WORD = re.compile(r"(?=.*[aeiouy])[a-z]{3}")
"""Three small letters that can be spoken, as low and dry, are a word and no code."""


def and_list(items: list[str]) -> str:
    """Join as in speech: a, b and c."""
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}"


def number(value: float, digits: int = 3) -> str:
    """Write a number to so many significant digits, without an exponent."""
    if value == 0:
        return "0"
    text = f"{value:.{digits}g}"
    if "e" not in text:
        return text
    return f"{value:.0f}" if abs(value) >= 1 else f"{value:.6f}".rstrip("0").rstrip(".") or "0"


def p_text(p: float | None) -> str:
    """Write a p value as journals do; a missing one as a dash."""
    if p is None:
        return "-"
    if p < 0.001:
        return "< 0.001"
    return f"{p:.3f}" if p < 0.1 else f"{p:.2f}"


def percent(share: float) -> str:
    """Write a share as percent without its sign: whole, or with one digit under 1 %."""
    size = abs(share) * 100
    return f"{size:.1f} %" if 0 < size < 0.95 else f"{size:.0f} %"


def plants_of(group: str) -> str:
    """Return a group's plants in words: grafted plants, low plants, plants of group A."""
    if re.search(r"(plants|vines|rows|plots)$", group):
        return group
    if re.fullmatch(r"[^\W\d_][^\W\d_ -]*([ -][^\W\d_]+)*", group) and (
        len(group) > 3 or _WORD.fullmatch(group)
    ):
        return f"{group} plants"
    return f"plants of group {group}"
