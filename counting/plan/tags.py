"""Tags to print: a PDF in exact millimetres and one picture per tag."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from counting.errors import PlanError
from counting.files import write_bytes
from counting.plan.card import (
    BAR,
    BAR_STEP_MM,
    CARD,
    CODE,
    GREY,
    GREY_LEVEL,
    MARK,
    MARK_COLUMNS,
    MARK_ROWS,
    MARKER,
    WHITE,
    Box,
)
from counting.plan.guide import guide_page
from counting.plan.map import placed
from counting.plan.mark import TrialMark
from counting.plan.print_shop import (
    BOLD,
    CAPITALS,
    PAPERS,
    PLAIN,
    Page,
    Paper,
    font_file,
    new_canvas,
)
from counting.plan.trial import Trial

__all__ = ["PIXELS_PER_MM", "tag_picture", "tagged", "tags_pdf", "write_tag_pictures"]

PIXELS_PER_MM = 20
"""Of the pictures: 508 dots per inch, a whole number of pixels to the mm."""
_HOLE = (90.0, 5.0, 2.5)
"""Where the string goes: x, y and radius, clear of the marker's white margin."""
_CARDS = (2, 2)
"""Columns and rows of cards on a sheet."""


@dataclass(frozen=True, slots=True)
class _Fill:
    """A rectangle of one grey level."""

    box: Box
    level: int


@dataclass(frozen=True, slots=True)
class _Words:
    """A line of text: its foot, the height of its capitals, the room it has, all mm."""

    x: float
    y: float
    text: str
    size: float
    room: float
    bold: bool = False
    middle: bool = False


def tagged(trial: Trial) -> pd.DataFrame:
    """Return the plants that carry a tag, in walking order.

    Raises
    ------
    PlanError
        If no plant has a tag.
    """
    plants = placed(trial.plants)
    plants = plants[plants["tag"].notna()]
    if plants.empty:
        mend = "give each plant a number from 1 in the column tag of plants.csv"
        raise PlanError(trial.directory, "no plant has a tag", mend=mend)
    return plants.reset_index(drop=True)


def tags_pdf(trial: Trial, *, paper: Paper = "a4") -> bytes:
    """Return the tags of a trial as a PDF: a page of advice, then four cards to the sheet.

    Parameters
    ----------
    trial : Trial
        The trial; one card per plant that has a tag number, in walking order.
    paper : {"a4", "letter"}
        The sheet, laid on its side.

    Raises
    ------
    PlanError
        If no plant has a tag.
    """
    plants = tagged(trial)
    stream = io.BytesIO()
    canvas = new_canvas(stream, paper, f"Tags: {trial.plan.title}")
    page = Page(canvas, *PAPERS[paper])
    guide_page(page, trial.plan)
    canvas.showPage()
    mark = TrialMark.of(trial.plan)
    columns, rows = _CARDS
    corner_x = (page.width - columns * CARD.width) / 2
    corner_y = (page.height - rows * CARD.height) / 2
    for index, plant in enumerate(plants.itertuples()):
        place = index % (columns * rows)
        if index and place == 0:
            canvas.showPage()
        x = corner_x + place % columns * CARD.width
        y = corner_y + place // columns * CARD.height
        card = _card(str(plant.code), int(str(plant.tag)), trial.plan.title, mark)
        _print_card(page, x, y, card)
    canvas.showPage()
    canvas.save()
    return stream.getvalue()


def tag_picture(code: str, tag: int, title: str = "", mark: TrialMark | None = None) -> Any:
    """Return one tag as a picture.

    Parameters
    ----------
    code : str
        The plant's code.
    tag : int
        Number of its marker, 0..999.
    title : str
        The trial's title, in small print.
    mark : TrialMark, optional
        The trial and the year.

    Returns
    -------
    PIL.Image.Image
        Grey, `PIXELS_PER_MM` px to the mm; its resolution is set when it is saved with
        ``dpi=(508, 508)``.
    """
    from PIL import Image, ImageDraw, ImageFont

    per = PIXELS_PER_MM
    image = Image.new("L", (round(CARD.width * per), round(CARD.height * per)), 255)
    pen = ImageDraw.Draw(image)
    for item in _card(code, tag, title, mark):
        if isinstance(item, _Fill):
            box = item.box
            left, top = round(box.x * per), round(box.y * per)
            right, bottom = round((box.x + box.width) * per), round((box.y + box.height) * per)
            pen.rectangle((left, top, right - 1, bottom - 1), fill=item.level)
            continue
        name = str(font_file(BOLD if item.bold else PLAIN))
        size = item.size * per / CAPITALS
        font = ImageFont.truetype(name, size)
        wide = max(font.getlength(item.text), 1.0)
        if wide > item.room * per:
            font = ImageFont.truetype(name, size * item.room * per / wide)
        anchor = "ms" if item.middle else "ls"
        pen.text((item.x * per, item.y * per), item.text, fill=0, font=font, anchor=anchor)
    x, y, radius = (value * per for value in _HOLE)
    pen.ellipse((x - radius, y - radius, x + radius, y + radius), outline=0, width=4)
    return image


def write_tag_pictures(trial: Trial, directory: Path, *, replace: bool = False) -> int:
    """Write one PNG per tag, named by the plant's code; return how many.

    Raises
    ------
    CountingError
        If no plant has a tag, or a file exists and `replace` is false.
    """
    for plant in tagged(trial).itertuples():
        stream = io.BytesIO()
        code = str(plant.code)
        mark = TrialMark.of(trial.plan)
        picture = tag_picture(code, int(str(plant.tag)), trial.plan.title, mark)
        picture.save(stream, format="PNG", dpi=(PIXELS_PER_MM * 25.4,) * 2)
        write_bytes(directory / f"{code}.png", stream.getvalue(), replace=replace)
    return len(tagged(trial))


def _print_card(page: Page, x: float, y: float, items: list[_Fill | _Words]) -> None:
    """Draw one card with its top left corner at x, y of the page."""
    page.canvas.setDash(2, 3)
    page.box(x, y, CARD.width, CARD.height, None, 0.15)
    page.canvas.setDash()
    for item in items:
        if isinstance(item, _Fill):
            box = item.box
            page.box(x + box.x, y + box.y, box.width, box.height, item.level)
            continue
        size = min(item.size, item.size * item.room / page.wide(item.text, item.size, item.bold))
        at = "middle" if item.middle else "left"
        page.text(x + item.x, y + item.y, item.text, size, bold=item.bold, at=at)
    hole_x, hole_y, radius = _HOLE
    page.circle(x + hole_x, y + hole_y, radius, None, 0.2)


def _card(code: str, tag: int, title: str, mark: TrialMark | None) -> list[_Fill | _Words]:
    """Return all that is on a card, from the back to the front."""
    middle = CODE.x + CODE.width / 2
    words = [
        _Words(middle, 36.0, code, 21.0, CODE.width, bold=True, middle=True),
        _Words(middle, 47.0, title, 2.6, CODE.width, middle=True),
        _Words(BAR.x, 60.0, "0", 2.6, 10.0),
        _Words(BAR.x + BAR.width - 15, 60.0, "100 mm", 2.6, 20.0),
        _Words(10.0, 84.5, "Beside the truss, as far off as the fruit,", 2.5, 66.0),
        _Words(10.0, 89.0, "never in front of fruit. Keep it flat and dry.", 2.5, 66.0),
        _Words(10.0, 94.5, f"tag {tag}" + (f" of trial {mark}" if mark else ""), 2.5, 66.0),
    ]
    return [*_marker(tag), *_bar(), *_mark(mark), *_patches(), *words]


def _mark(mark: TrialMark | None) -> list[_Fill]:
    """Return the cells of the trial's mark."""
    if mark is None:
        return []
    wide, high = MARK.width / MARK_COLUMNS, MARK.height / MARK_ROWS
    return [
        _Fill(
            Box(
                MARK.x + place % MARK_COLUMNS * wide,
                MARK.y + place // MARK_COLUMNS * high,
                wide,
                high,
            ),
            0,
        )
        for place, black in enumerate(mark.bits)
        if black
    ]


def _marker(tag: int) -> list[_Fill]:
    """Return the marker: black with white modules, joined along each line."""
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    white = np.asarray(cv2.aruco.generateImageMarker(dictionary, tag, 7)) > 0
    step = MARKER.width / 7
    fills = [_Fill(MARKER, 0)]
    for row, column in np.argwhere(white):
        box = Box(MARKER.x + column * step, MARKER.y + row * step, step, step)
        fills.append(_Fill(box, 255))
    return fills


def _bar() -> list[_Fill]:
    """Return the scale bar: a frame of 100 mm, every other step of it black."""
    inner = Box(BAR.x, BAR.y + 0.3, BAR.width, BAR.height - 0.6)
    fills = [_Fill(BAR, 0), _Fill(inner, 255)]
    steps = int(BAR.width / BAR_STEP_MM)
    for step in range(0, steps, 2):
        fills.append(_Fill(Box(BAR.x + step * BAR_STEP_MM, BAR.y, BAR_STEP_MM, BAR.height), 0))
    end = Box(BAR.x + BAR.width - 0.3, BAR.y, 0.3, BAR.height)
    return [*fills, _Fill(end, 0)]


def _patches() -> list[_Fill]:
    """Return the grey patch and the white one, which has a thin line round it."""
    line = 0.35
    round_white = Box(
        WHITE.x - line, WHITE.y - line, WHITE.width + 2 * line, WHITE.height + 2 * line
    )
    return [_Fill(GREY, GREY_LEVEL), _Fill(round_white, 0), _Fill(WHITE, 255)]
