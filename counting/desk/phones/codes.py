"""A link as a QR code for a phone's camera."""

from __future__ import annotations

import io

import qrcode
from markupsafe import Markup
from qrcode.image.svg import SvgPathImage

__all__ = ["code_of"]


def code_of(link: str) -> Markup:
    """Return a link as a QR code, drawn as SVG."""
    code = qrcode.QRCode(border=1, image_factory=SvgPathImage)
    code.add_data(link)
    stream = io.BytesIO()
    code.make_image().save(stream)
    return Markup(stream.getvalue().decode("utf-8").partition("?>")[2])
