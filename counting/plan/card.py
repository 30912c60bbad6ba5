"""The tag's card: what is where on it, in mm from its top left corner, x right, y down.

Every fruit is measured against this card, so whoever prints, draws or reads one takes the
figures from here.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "BAR",
    "BAR_STEP_MM",
    "CARD",
    "CODE",
    "GREY",
    "GREY_LEVEL",
    "MARK",
    "MARKER",
    "MARK_COLUMNS",
    "MARK_ROWS",
    "MOST_TAGS",
    "WHITE",
    "Box",
    "nearer",
]

MOST_TAGS = 1000
"""Distinct markers of the dictionary DICT_5X5_1000 of OpenCV; ids 0 to 999."""


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle on the card, in mm."""

    x: float
    y: float
    width: float
    height: float

    @property
    def corners(self) -> tuple[tuple[float, float], ...]:
        """Top left, top right, bottom right, bottom left."""
        right, bottom = self.x + self.width, self.y + self.height
        return ((self.x, self.y), (right, self.y), (right, bottom), (self.x, bottom))


CARD = Box(0, 0, 130, 100)
MARKER = Box(10, 10, 40, 40)
"""The black square's outer edge."""
CODE = Box(56, 10, 68, 40)
"""Room for the plant's code in large print."""
BAR = Box(15, 62, 100, 4)
"""The scale bar, in steps of `BAR_STEP_MM`."""
BAR_STEP_MM = 10.0
MARK = Box(10, 71, 64, 8)
"""The cells of the trial's mark (`counting.plan.mark`), two rows; white on tags without one."""
MARK_ROWS, MARK_COLUMNS = 2, 16
GREY = Box(80, 72, 20, 20)
WHITE = Box(104, 72, 20, 20)
GREY_LEVEL = 118
"""sRGB value of the grey patch: close to 18 % reflectance, the photographers' mid grey."""


def nearer(share: float) -> float:
    """Return how many times too large a fruit is measured that is nearer than the tag.

    A fruit at (1 - `share`) of the tag's distance looks 1 / (1 - `share`) times its size: 10 %
    nearer (4 cm at 40 cm) is measured 11 % too large, 10 % farther 9 % too small. It follows
    from the pinhole camera.

    Parameters
    ----------
    share : float
        How much nearer, as a share of the tag's distance; negative is farther. Under 1.

    Raises
    ------
    ValueError
        If the fruit would be at or behind the camera.
    """
    if share >= 1:
        message = f"a fruit {share:.0%} nearer than the tag would be behind the camera"
        raise ValueError(message)
    return 1 / (1 - share)
