"""The page that lies on top of the tags: how to print them, how to take the photo."""

from __future__ import annotations

from counting.plan.card import nearer
from counting.plan.print_shop import Page
from counting.plan.trial import Plan

__all__ = ["guide_page"]

_PRINT = (
    "Print at 100 %, “actual size”; never “fit to page”. Matt paper shines less than glossy.",
    "Lay a ruler on the black bar below: it must be 100 mm long, give or take half a millimetre."
    " If it is not, print again; every size would be wrong by as much.",
    "Cut along the dashed lines. Laminate matt, or slip the card into a clear bag; keep it flat.",
    "Hang each card on its own plant, by the code, on every plant on the same side of the stem, a"
    " hand's breadth off. It stays there all season.",
)
_PHOTO = (
    "Hang the card beside the truss, as far from the camera as the fruit, facing you; never in"
    " front of fruit.",
    "Stand 0.5 to 1 m off, square to the row, the lens level with the truss; a stick of that length"
    " keeps it the same. No zoom.",
    "Take both sides of the row, one plant or one truss to a photo, its card nearest the middle."
    " The next plants' cards in view tell whose fruit is whose; so does the plan's spacing.",
    "Hold a plain matt sheet behind the plant, white, blue or black, so that the next row does not"
    " count.",
    "Shade it from the sun, or wait for cloud. Tap the card to focus. Look at the photo before you"
    " go on.",
)


def guide_page(page: Page, plan: Plan) -> None:
    """Draw the page of advice.

    Parameters
    ----------
    page : Page
        An empty page laid on its side.
    plan : Plan
        The plan; its title and smallest fruit are named.
    """
    left, room = 15.0, page.width - 30.0
    page.fitted(left, 20, plan.title, 6.0, room, bold=True)
    page.text(left, 28, "Tags: print, hang, photograph", 3.4)
    half = (room - 10) / 2
    _steps(page, left, "Print and hang", _PRINT, half)
    _steps(page, left + half + 10, "Take the photo", _PHOTO, half)
    low = page.height - 70
    _drawings(page, left, low)
    _row(page, left, low - 28, half)
    _size_note(page, plan, left + half + 10, low + 3)
    _ruler(page, left + half + 10, low + 43)


def _steps(page: Page, x: float, heading: str, steps: tuple[str, ...], room: float) -> None:
    """Write numbered advice in a column."""
    y = 41.0
    page.text(x, y, heading, 4.2, bold=True)
    y += 9
    for number, step in enumerate(steps, start=1):
        page.text(x, y, str(number), 4.2, bold=True)
        for line in page.lines(step, 3.0, room - 9):
            page.text(x + 9, y, line, 3.0)
            y += 5.6
        y += 2.4


def _drawings(page: Page, x: float, y: float) -> None:
    """Draw a truss with its card in the right place and in two wrong ones."""
    cards = (
        ("beside the truss", True, 20.0, 7.0),
        ("in front of fruit", False, 6.0, 12.0),
        ("far behind it", False, 26.0, 6.0),
    )
    for number, (words, right, card_x, card_y) in enumerate(cards):
        left = x + number * 42
        page.box(left, y, 39, 40, 255, 0.5)
        _truss(page, left + 9, y + 4)
        scale = 0.6 if words.startswith("far") else 1.0
        page.box(left + card_x, y + card_y, 13 * scale, 10 * scale, 255, 0.5)
        page.box(left + card_x + scale, y + card_y + scale, 4 * scale, 4 * scale, 0)
        page.box(left + card_x + 1.5 * scale, y + card_y + 6.4 * scale, 10 * scale, 0.6 * scale, 0)
        page.text(left + 19.5, y + 45.5, words, 2.6, bold=right, at="middle")
        _verdict(page, left + 34, y + 34.5, right=right)


def _row(page: Page, x: float, y: float, room: float) -> None:
    """Draw three plants of a row with their cards, and where one plant's part of a photo ends."""
    step = room / 3
    for plant in range(3):
        stem = x + (plant + 0.45) * step
        page.line((stem, y), (stem, y + 16), 0.9)
        for up, side in ((2.5, -1), (8.5, 1)):
            page.line((stem, y + up - 2), (stem + side * 3.2, y + up), 0.4)
            for drop in (0.0, 3.4):
                page.circle(stem + side * 3.6, y + up + 1.6 + drop, 1.6, 225, 0.4)
        page.box(stem + 5.5, y + 0.5, 6.5, 5, 255, 0.4)
        page.box(stem + 6, y + 1, 2, 2, 0)
    for border in (0.95, 1.95):
        for number in range(5):
            at = y - 1 + number * 4
            page.line((x + border * step, at), (x + border * step, at + 2), 0.5)
    words = "between the dashes: this plant's part of the photo"
    page.text(x + 1.45 * step, y + 21, words, 2.6, bold=True, at="middle")


def _truss(page: Page, x: float, y: float) -> None:
    """Draw a stem and seven fruit."""
    page.line((x - 4, y), (x - 4, y + 32), 1.0)
    page.line((x - 4, y + 2), (x + 3, y + 7), 0.6)
    page.line((x + 3, y + 7), (x + 4, y + 26), 0.6)
    for row in range(3):
        for side, shift in ((-1, 0.0), (1, 2.5)):
            page.circle(x + 3.6 + side * 3.3, y + 9.5 + row * 6.2 + shift, 2.9, 225, 0.5)
    page.circle(x + 4.2, y + 29.0, 2.9, 225, 0.5)


def _verdict(page: Page, x: float, y: float, *, right: bool) -> None:
    """Draw a tick or a cross."""
    page.circle(x, y, 3.6, 255, 0)
    if right:
        page.line((x - 2.2, y), (x - 0.6, y + 2.0), 1.0)
        page.line((x - 0.6, y + 2.0), (x + 2.4, y - 2.2), 1.0)
        return
    page.line((x - 1.9, y - 1.9), (x + 1.9, y + 1.9), 1.0)
    page.line((x - 1.9, y + 1.9), (x + 1.9, y - 1.9), 1.0)


def _size_note(page: Page, plan: Plan, x: float, y: float) -> None:
    """Say what the card's place does to sizes."""
    wrong = f"{nearer(0.1) - 1:.0%}".replace("%", " %")
    words = (
        f"Fruit from {plan.rule.smallest_fruit_mm:g} mm across count. Sizes hold at the card's own"
        f" distance: a fruit 10 % nearer to the camera (5 cm at 50 cm) is measured {wrong} too"
        " large. The nearer the card hangs to the fruit, the better the size."
    )
    room = page.width - 15 - x
    page.text(x, y, "Why as far off as the fruit?", 3.0, bold=True)
    for number, line in enumerate(page.lines(words, 2.7, room)):
        page.text(x, y + 6 + number * 5.2, line, 2.7)


def _ruler(page: Page, x: float, y: float) -> None:
    """Draw the line that is held against a ruler."""
    page.text(x, y - 4, "Ruler check: from edge to edge this bar is 100 mm long.", 2.75, bold=True)
    page.box(x, y, 100, 5, 0)
    for centimetre in range(11):
        page.line((x + 10 * centimetre, y + 5), (x + 10 * centimetre, y + 8), 0.25)
        page.text(x + 10 * centimetre, y + 11.5, str(10 * centimetre), 2.2, at="middle")
    for millimetre in range(100):
        page.line((x + millimetre, y + 5), (x + millimetre, y + 6.5), 0.1)
