"""What a dilution means in ml per litre: ``1 : 100`` and ``1 in 100`` are two things."""

from __future__ import annotations

import re
from dataclasses import dataclass

__all__ = ["Dilution", "dilution_of", "read_dilution"]

_WRITTEN = re.compile(
    r"(?P<first>\d+(?:[.,]\d+)?)\s*(?P<sign>:|\+|to|in)\s*(?P<second>\d+(?:[.,]\d+)?)",
    re.ASCII | re.IGNORECASE,
)
_MOST = 1e6
"""Parts beyond this are a slip of the keyboard."""


@dataclass(frozen=True, slots=True)
class Dilution:
    """Parts of product and of water.

    Attributes
    ----------
    product_parts, water_parts : float
        Both above 0.
    words : str
        As the person wrote it.
    """

    product_parts: float
    water_parts: float
    words: str

    @property
    def ml_per_litre(self) -> float:
        """Product in a litre of the ready mix, ml."""
        return 1000 * self.product_parts / (self.product_parts + self.water_parts)

    @property
    def ml_to_a_litre_of_water(self) -> float:
        """Product added to each litre of water, ml."""
        return 1000 * self.product_parts / self.water_parts

    @property
    def sentence(self) -> str:
        """Both readings, so that a slip shows."""
        whole = self.product_parts + self.water_parts
        parts = f"{self.product_parts:g}"
        colon, of_all = f"{parts} : {self.water_parts:g}", f"{parts} in {whole:g}"
        dose = (
            f"{self.ml_per_litre:.2f} ml per litre of mix, "
            f"or {self.ml_to_a_litre_of_water:.2f} ml to each litre of water"
        )
        if " in " in self.words.lower():
            other = 1000 * self.product_parts / (self.product_parts + whole)
            swapped = f"{parts} : {whole:g}"
            text = f"{of_all} ({colon}): {dose}."
        else:
            other = self.ml_to_a_litre_of_water
            swapped = f"{parts} in {self.water_parts:g}"
            text = f"{colon} ({of_all}): {dose}."
        if other < 1000:
            text += f" {swapped} would be {other:.2f} ml per litre of mix."
        return text

    @property
    def upside_down(self) -> bool:
        """Whether there is more product than water, as when the parts are swapped."""
        return self.product_parts > self.water_parts


def dilution_of(product_parts: float, water_parts: float, words: str = "") -> Dilution:
    """Return a checked dilution.

    Raises
    ------
    ValueError
        If a part is not above 0, or far beyond any use.
    """
    for part in (product_parts, water_parts):
        if not 0 < part <= _MOST:
            message = (
                f"a dilution of {product_parts:g} : {water_parts:g} has a part that cannot be; "
                "both must be above 0 (leave the dilution out if it was used as bought)"
            )
            raise ValueError(message)
    return Dilution(product_parts, water_parts, words or f"{product_parts:g} : {water_parts:g}")


def read_dilution(text: str) -> Dilution:
    """Return what ``1 : 100`` (1 part and 100 parts) or ``1 in 100`` (1 of 100 parts) means.

    Raises
    ------
    ValueError
        If it is written otherwise, or a part is not above 0.
    """
    written = _WRITTEN.fullmatch(text.strip())
    if not written:
        message = f"{text!r} is not a dilution; write 1 : 100 (and) or 1 in 100 (of the mix)"
        raise ValueError(message)
    first, second = (float(written[part].replace(",", ".")) for part in ("first", "second"))
    water = second - first if written["sign"].lower() == "in" else second
    return dilution_of(first, water, " ".join(text.split()))
