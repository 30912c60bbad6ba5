"""When a photo was taken, as the camera wrote it."""

from __future__ import annotations

import io
import re
import warnings
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from PIL import ExifTags

from counting.photos.image import opened_photo

__all__ = ["Taken", "taken"]

# Exif 2.31 (CIPA DC-008-2016), table 8: time with its offset, the original's before the file's
_TIMES = (
    (ExifTags.Base.DateTimeOriginal, ExifTags.Base.OffsetTimeOriginal),
    (ExifTags.Base.DateTimeDigitized, ExifTags.Base.OffsetTimeDigitized),
    (ExifTags.Base.DateTime, ExifTags.Base.OffsetTime),
)
_OFFSET = re.compile(r"[+-](?:0\d|1[0-4]):[0-5]\d")


@dataclass(frozen=True, slots=True)
class Taken:
    """The camera's own time.

    Attributes
    ----------
    time : str
        ISO 8601; without an offset it is the camera's local time; empty when not known.
    clock : str
        ``"offset"`` (the camera wrote its offset from UTC), ``"local"`` or ``""``.
    """

    time: str = ""
    clock: str = ""


def taken(data: bytes) -> Taken:
    """Return when a photo was taken; a damaged or impossible time counts as none.

    Parameters
    ----------
    data : bytes
        The photo's file.
    """
    fields = _fields(data)
    for time_tag, offset_tag in _TIMES:
        time = _time(fields.get(time_tag))
        if time is None:
            continue
        offset = str(fields.get(offset_tag, "")).strip("\0 ")
        if offset == "Z":
            offset = "+00:00"
        if _OFFSET.fullmatch(offset):
            return Taken(f"{time.isoformat()}{offset}", "offset")
        return Taken(time.isoformat(), "local")
    return Taken()


def _fields(data: bytes) -> dict[int, Any]:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with opened_photo(io.BytesIO(data)) as image:
                exif = image.getexif()
                return {**exif, **exif.get_ifd(ExifTags.IFD.Exif)}
    # what a damaged block of camera data raises is not defined; the pixels can be good all the same
    except Exception:
        return {}


def _time(value: Any) -> datetime | None:
    text = str(value).strip("\0 ") if isinstance(value, str) else ""
    try:
        time = datetime.strptime(text[:19], "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    # cameras whose clock was never set write 1970, 1980 or 2000-01-01 at midnight
    return time if time.year > 2000 else None
