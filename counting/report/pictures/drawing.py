"""What all pictures of the page share: colours with shapes, letters, the way to SVG text."""

from __future__ import annotations

import html
import io
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
from matplotlib.figure import Figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["INK", "colour_of", "drawing", "shape_of", "svg"]

# Okabe & Ito's palette for colour-blind readers (jfly.uni-koeln.de/color), with a shape each, so
# that no plot depends on colour alone
_COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9")
_SHAPES = ("o", "s", "^", "D", "v", "P")
INK = "#2b2a27"
_STYLE: dict[Any, Any] = {
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.spines.right": False,
    "axes.spines.top": False,
    "font.family": "sans-serif",
    "font.size": 10,
    "svg.fonttype": "none",
    "svg.hashsalt": "counting",
    "text.color": INK,
    "text.parse_math": False,  # a group's name may hold a dollar sign
    "xtick.color": INK,
    "ytick.color": INK,
}


def colour_of(place: int) -> str:
    """Return the colour of the group at a place of the order."""
    return _COLOURS[place % len(_COLOURS)]


def shape_of(place: int) -> str:
    """Return the mark of the group at a place of the order."""
    return _SHAPES[place % len(_SHAPES)]


@contextmanager
def drawing(width: float, height: float) -> Iterator[tuple[Figure, Axes]]:
    """Give a figure of a size in inches to draw in, in the page's style."""
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(width, height), layout="constrained")
        yield figure, figure.subplots()


def svg(
    figure: Figure,
    title: str,
    *,
    widths: tuple[int, int] | None = None,
    links: Mapping[str, str] | None = None,
    by_key: bool = True,
) -> str:
    """Return a figure as an inline element with a title for screen readers.

    Parameters
    ----------
    figure : Figure
    title : str
        What it shows.
    widths : (int, int), optional
        px on the screen between which it may shrink and grow, cut tight; a figure with none is as
        wide as its place on the page.
    links : mapping, optional
        Address in the page to what opens there, of the marks that were drawn with one.
    by_key : bool
        Whether the links are for the keyboard and the ear too; not where another picture has them.
    """
    stream = io.StringIO()
    cut: dict[str, Any] = {"bbox_inches": "tight", "pad_inches": 0.03} if widths else {}
    figure.savefig(
        stream, format="svg", transparent=True, metadata={"Date": None, "Creator": None}, **cut
    )
    text = stream.getvalue()
    # the style that comes with a figure speaks of every element, so of the whole page around it
    body = re.sub(r"<style.*?</style>", "", text[text.index("<svg") :], flags=re.DOTALL)
    body = re.sub(r"<metadata>.*?</metadata>", "", body, flags=re.DOTALL)
    named = html.escape(title)
    wide = f'style="min-width: {widths[0]}px; max-width: {widths[1]}px" ' if widths else ""
    role = 'role="group" class="linked"' if links else 'role="img"'
    start = f'<svg {role} aria-label="{named}" {wide}stroke-linejoin="round" stroke-linecap="butt" '
    if links:
        body = _LINK.sub(lambda link: _link(link[1], links, by_key=by_key), body)
    # versions of the library order the attributes differently
    body = re.sub(
        r'<svg ([^>]*?)width="[\d.]+pt" height="[\d.]+pt" ',
        lambda tag: f"{start}{tag[1]}",
        body,
        count=1,
    )
    # a function, since the name may hold what a pattern's replacement would read as a group
    return re.sub(r"(<svg[^>]*>)", lambda tag: f"{tag[1]}<title>{named}</title>", body, count=1)


_LINK = re.compile(r'<a xlink:href="(#[^"]*)"[^>]*>')


def _link(address: str, links: Mapping[str, str], *, by_key: bool) -> str:
    """Return the start of a link that can be read aloud."""
    named = html.escape(links.get(address, address))
    reach = "" if by_key else ' tabindex="-1" aria-hidden="true"'
    return f'<a href="{address}" aria-label="{named}"{reach}>'
