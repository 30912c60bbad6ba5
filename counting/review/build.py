"""Put the page together: one HTML file that needs nothing else and asks nothing of a network."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterable
from importlib.resources import files
from typing import Any

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from counting.review.modules import inlined

__all__ = [
    "ENTRY",
    "LANGUAGES",
    "STYLES",
    "as_json",
    "page",
    "page_policy",
    "policy",
    "read_part",
    "texts",
]

STYLES = ("paper.css", "contact.css", "photo.css", "together.css", "print.css")
LANGUAGES = ("en", "es")
"""Each has its file in ``texts``, with every key that English has."""
ENTRY = "sheet/start.js"
"""The script that starts the page; it imports all others."""


def page(
    data: dict[str, Any], photos: Iterable[bytes] = (), *, live: bool = False
) -> Iterable[str]:
    """Yield the page in pieces.

    Parameters
    ----------
    data : dict
        What the page's ``data.js`` describes.
    photos : iterable of bytes
        Review prints, JPEG, in the order of ``data["photos"]``; none for a live sheet.
    live : bool
        Whether the page may ask the server it came from.

    Yields
    ------
    str
        Pieces of one HTML document; the parts needed for the first paint come first.
    """
    style, script = _parts()
    words = texts()
    environment = Environment(autoescape=True, undefined=StrictUndefined)
    template = environment.from_string(read_part("sheet.html"))
    yield template.render(
        title=data["title"],
        policy=policy(style, script, live=live),
        style=Markup(style),
        script=Markup(script),
        en=words["en"],
        data=Markup(as_json(data | {"texts": words})),
    )
    for index, photo in enumerate(photos):
        text = base64.b64encode(photo).decode("ascii")
        yield f'<script type="text/plain" id="photo-{index}">{text}</script>\n'
    yield "</body>\n</html>\n"


def page_policy(*, live: bool = False) -> str:
    """Return the page's Content-Security-Policy, for a header."""
    return policy(*_parts(), live=live)


def texts() -> dict[str, dict[str, Any]]:
    """Return the page's words by language, then by key, English first."""
    return {name: json.loads(read_part(f"texts/{name}.json")) for name in LANGUAGES}


def _parts() -> tuple[str, str]:
    """Return the page's style and its script."""
    style = "\n".join(read_part(f"styles/{name}") for name in STYLES)
    return style, inlined(ENTRY, read_part)


def policy(style: str, script: str, *, live: bool = False) -> str:
    """Return the Content-Security-Policy: this script, this style, photos of its own, no more."""
    own = "'self'" if live else ""
    return "; ".join(
        [
            "default-src 'none'",
            f"script-src '{_digest(script)}'",
            f"style-src '{_digest(style)}'",
            f"img-src data: blob: {own}".strip(),
            f"connect-src {own or chr(39) + 'none' + chr(39)}",
            "base-uri 'none'",
            "form-action 'none'",
        ]
    )


def as_json(data: dict[str, Any]) -> str:
    """Return JSON that can stand inside a script element whatever text it carries."""
    text = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for character in "<>&\u2028\u2029":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return text


def _digest(text: str) -> str:
    value = hashlib.sha256(text.encode("utf-8")).digest()
    return f"sha256-{base64.b64encode(value).decode('ascii')}"


def read_part(name: str) -> str:
    """Return the text of one of the page's files, by its path inside ``page``."""
    return files("counting.review").joinpath("page", *name.split("/")).read_text(encoding="utf-8")
