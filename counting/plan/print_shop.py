"""What printed pages share: papers, letters that hold any European name, millimetres."""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Literal

__all__ = ["BOLD", "CAPITALS", "PAPERS", "PLAIN", "Page", "Paper", "font_file", "new_canvas"]

Paper = Literal["a4", "letter"]

PAPERS: dict[str, tuple[float, float]] = {"a4": (297.0, 210.0), "letter": (279.4, 215.9)}
"""Width and height of the sheet laid on its side, mm: ISO 216 and ANSI/ASME Y14.1."""
PLAIN, BOLD = "DejaVuSans", "DejaVuSans-Bold"
CAPITALS = 0.729
"""Height of the capitals of DejaVu Sans over the font's size."""
_MM = 72 / 25.4
"""PDF points to the mm."""


@cache
def font_file(name: str) -> Path:
    """Return the file of a font; it comes with matplotlib and is free to embed."""
    import matplotlib as mpl

    return Path(mpl.get_data_path()) / "fonts" / "ttf" / f"{name}.ttf"


def new_canvas(stream: io.BytesIO, paper: Paper, title: str) -> Any:
    """Open a PDF on a sheet laid on its side, the fonts embedded, the same bytes every time."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont
    from reportlab.pdfgen.canvas import Canvas

    for name in (PLAIN, BOLD):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, font_file(name)))
    width, height = PAPERS[paper]
    canvas = Canvas(stream, pagesize=(width * _MM, height * _MM), invariant=1)
    canvas.setTitle(title)
    # a printer that reads this leaves the size alone
    canvas.setViewerPreference("PrintScaling", "None")
    return canvas


@dataclass(frozen=True, slots=True)
class Page:
    """A page in mm from its top left corner, x right, y down.

    Attributes
    ----------
    canvas : reportlab canvas
        What is drawn on.
    width, height : float
        Size of the sheet, mm.
    """

    canvas: Any
    width: float
    height: float

    def box(
        self, x: float, y: float, width: float, height: float, level: int | None, line: float = 0
    ) -> None:
        """Draw a rectangle: its grey level 0..255 (None is hollow) and its line, mm."""
        if level is not None:
            self.canvas.setFillColorRGB(*[level / 255] * 3)
        self.canvas.setLineWidth(line * _MM)
        self.canvas.setStrokeColorRGB(0, 0, 0)
        y = self.height - y - height
        place = [value * _MM for value in (x, y, width, height)]
        self.canvas.rect(*place, stroke=int(line > 0), fill=int(level is not None))

    def line(self, start: tuple[float, float], stop: tuple[float, float], line: float) -> None:
        """Draw a line, its width in mm."""
        self.canvas.setLineWidth(line * _MM)
        self.canvas.setStrokeColorRGB(0, 0, 0)
        (x, y), (u, v) = start, stop
        self.canvas.line(x * _MM, (self.height - y) * _MM, u * _MM, (self.height - v) * _MM)

    def circle(self, x: float, y: float, radius: float, level: int | None, line: float) -> None:
        """Draw a circle, as `box` does a rectangle."""
        if level is not None:
            self.canvas.setFillColorRGB(*[level / 255] * 3)
        self.canvas.setLineWidth(line * _MM)
        self.canvas.setStrokeColorRGB(0, 0, 0)
        place = (x * _MM, (self.height - y) * _MM, radius * _MM)
        self.canvas.circle(*place, stroke=int(line > 0), fill=int(level is not None))

    def text(
        self, x: float, y: float, words: str, size: float, *, bold: bool = False, at: str = "left"
    ) -> None:
        """Write a line of text whose foot stands at y; `size` is the height of its letters, mm."""
        self.canvas.setFillColorRGB(0, 0, 0)
        self.canvas.setFont(BOLD if bold else PLAIN, _points(size))
        put = {
            "left": self.canvas.drawString,
            "middle": self.canvas.drawCentredString,
            "right": self.canvas.drawRightString,
        }[at]
        put(x * _MM, (self.height - y) * _MM, words)

    def fitted(
        self, x: float, y: float, words: str, size: float, room: float, *, bold: bool = False
    ) -> None:
        """Write a line of text, smaller if need be, so that it fits into so many mm."""
        self.text(x, y, words, min(size, size * room / self.wide(words, size, bold)), bold=bold)

    def wide(self, words: str, size: float, bold: bool = False) -> float:
        """Return how long a line of text is, mm; never nought."""
        from reportlab.pdfbase.pdfmetrics import stringWidth

        name = BOLD if bold else PLAIN
        return max(float(stringWidth(words, name, _points(size))) / _MM, 0.1)

    def lines(self, words: str, size: float, room: float) -> list[str]:
        """Break text into lines that fit into so many mm."""
        lines = [""]
        for word in words.split():
            longer = f"{lines[-1]} {word}".strip()
            if lines[-1] and self.wide(longer, size) > room:
                lines.append(word)
            else:
                lines[-1] = longer
        return lines


def _points(height_mm: float) -> float:
    """Return the font size whose capitals are so high."""
    return height_mm * _MM / CAPITALS
