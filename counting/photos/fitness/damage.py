"""Whether a photo's file is damaged though a decoder still makes a picture of it.

A card that fails or a copy that stops leaves JPEGs with a piece missing. Decoders go on all the
same, fill up with grey or smear, and only warn; fruit there is lost without a word.
"""

from __future__ import annotations

import re

import simplejpeg

__all__ = ["damage"]

_LEAST_SIDE = 1
"""The smallest picture will do: every bit is read for it all the same."""
_LEFT_OVER = re.compile(r"(\d+) extraneous bytes before marker 0xd9")
_FEW = 16
"""Some phones leave a byte or two between the last pixel and the end (common practice); a piece
overwritten with zeros leaves thousands, since zeros are the shortest codes."""
_JPEG = b"\xff\xd8\xff"


def damage(data: bytes) -> str:
    """Return what a strict decoder complains of in a JPEG, empty if it is whole.

    Parameters
    ----------
    data : bytes
        A photo's file. Other formats carry checksums or fail as a whole when they are opened, so
        only JPEG is looked at.
    """
    if not data.startswith(_JPEG):
        return ""
    try:
        simplejpeg.decode_jpeg(
            data,
            colorspace="GRAY",
            fastdct=True,
            fastupsample=True,
            min_height=_LEAST_SIDE,
            min_width=_LEAST_SIDE,
            min_factor=8,
            strict=True,
        )
    except ValueError as error:
        words = " ".join(str(error).split())[:120]
        left = _LEFT_OVER.search(words)
        if (left and int(left[1]) <= _FEW) or "nsupported" in words:
            return ""
        return words or "it cannot be decoded"
    return ""
