"""A photo file as upright pixels, decoded no larger than it is needed."""

from __future__ import annotations

import io
import stat
import warnings
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, UnidentifiedImageError
from PIL import Image as PillowImage

from counting.errors import PhotoError

__all__ = [
    "FORMATS",
    "MAX_PIXELS",
    "MAX_PIXELS_WHOLE",
    "MOST_BYTES",
    "SUFFIXES",
    "Image",
    "is_heavy",
    "load_image",
    "opened_photo",
    "read_photo",
]

FORMATS = ("JPEG", "PNG", "WEBP", "TIFF", "HEIF")
"""Kinds of file read, by Pillow's names; recognised by content, whatever the file is called."""
SUFFIXES = (".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff", ".heic", ".heif")
"""Endings by which a photo in a folder is told from other files."""
MOST_BYTES = 300 << 20
"""Above the largest photo that cameras write, a 100-megapixel TIFF of 16 bits a colour apart."""
MAX_PIXELS = 150_000_000
"""Largest photo decoded: above the 108 megapixels of large phone sensors, 0.45 GB of pixels."""
MAX_PIXELS_WHOLE = 64_000_000
"""Largest photo of the kinds that are unpacked whole however small they are wanted (all but plain
JPEG): above the 50 megapixels that phones write as HEIC; 0.45 GB while it is unpacked."""
_MOST_SCANS = 100
"""A progressive JPEG has about ten; each one more costs the time of all pixels again."""

_HEAVY = 50_000_000
_HEAVY_WHOLE = 25_000_000
"""Pixels from which a photo, plain JPEG or of another kind, is worked on in a process with limits:
the worst of fewer took 0.5 GB and 8 s, the worst that is read at all 1.2 GB and 19 s (measured)."""

_DAMAGED = (OSError, ValueError, SyntaxError, EOFError, RuntimeError)
"""What Pillow raises at a damaged file, by the kind of file and of damage."""
_READABLE = "a JPEG, PNG, WebP, TIFF or HEIC photo"
_COPY = "copy it from the camera again"
_REDUCED = {
    1: cv2.IMREAD_COLOR_RGB,
    2: cv2.IMREAD_REDUCED_COLOR_2,
    4: cv2.IMREAD_REDUCED_COLOR_4,
    8: cv2.IMREAD_REDUCED_COLOR_8,
}
_START_OF_SCAN = 0xDA
_SCAN = b"\xff\xda"
_END_OF_IMAGE = b"\xff\xd9"


@dataclass(frozen=True, slots=True)
class Image:
    """Pixels of a photo, upright.

    Attributes
    ----------
    rgb : (H, W, 3) ndarray of uint8
        The pixels, read-only; smaller than the photo where less was asked for.
    scale : float
        Pixels of the full-size photo per pixel of `rgb`.
    width, height : int
        Size of the full-size upright photo in px.
    """

    rgb: NDArray[np.uint8]
    scale: float
    width: int
    height: int

    @classmethod
    def of(cls, rgb: NDArray[np.uint8]) -> Image:
        """Return an array of shape (H, W, 3) or (H, W) as a photo of that very size."""
        full = np.repeat(rgb[..., None], 3, axis=2) if rgb.ndim == 2 else rgb
        return cls(_frozen(full), 1.0, full.shape[1], full.shape[0])

    def serves(self, long_side: int) -> bool:
        """Whether `load_image` would return the same pixels for this least long side."""
        return _part(max(self.width, self.height), long_side) == round(self.scale)


def load_image(path: Path, *, long_side: int | None = None, data: bytes | None = None) -> Image:
    """Read a photo, turned upright as its EXIF orientation asks; the file is never changed.

    Parameters
    ----------
    path : Path
        JPEG, PNG, WebP, TIFF or HEIC.
    long_side : int, optional
        Least long side wanted, in px. The photo is then decoded at 1/2, 1/4 or 1/8 of its size,
        the smallest that is not below this; by default at full size.
    data : bytes, optional
        The file's bytes where `read_photo` has read them already; `path` then only names it.

    Returns
    -------
    Image
        Upright pixels and their scale.

    Raises
    ------
    PhotoError
        If the file is missing, empty, no photo, cut short, or larger than `MAX_PIXELS` (plain
        JPEG) or `MAX_PIXELS_WHOLE` (all else).
    """
    data = read_photo(path) if data is None else data
    opened = _open(path, data)
    width, height = opened.size
    part = _part(max(width, height), long_side)
    if opened.format == "JPEG":
        rgb = _decode_jpeg(path, data, part)
    else:
        rgb = _decode_other(path, opened, part)
    if (width > height) != (rgb.shape[1] > rgb.shape[0]):  # turned upright while decoding
        width, height = height, width
    return Image(_frozen(rgb), max(width, height) / max(rgb.shape[:2]), width, height)


def is_heavy(path: Path) -> bool:
    """Whether a photo takes so much to decode that a process of its own should do it.

    A file that cannot be opened, or is refused as too large, is not: no pixel of it is decoded.
    """
    try:
        if not path.is_file():
            return False
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with opened_photo(path) as opened:
                limit = _HEAVY if _is_plain(opened) else _HEAVY_WHOLE
                return opened.width * opened.height > limit
    except (*_DAMAGED, PillowImage.DecompressionBombError):
        return False


def opened_photo(photo: Path | io.BytesIO) -> PillowImage.Image:
    """Read a photo's header with Pillow, and raise what Pillow raises.

    What reads HEIC is loaded for the first photo that is none of the other kinds.
    """
    try:
        return PillowImage.open(photo, formats=FORMATS[:-1])
    except UnidentifiedImageError:
        import pillow_heif

        pillow_heif.register_heif_opener()
        return PillowImage.open(photo, formats=FORMATS[-1:])


def read_photo(path: Path) -> bytes:
    """Return a photo file's bytes.

    Raises
    ------
    PhotoError
        If it is missing, no plain file (a folder, a pipe, a device), far too large, empty or
        cannot be read.
    """
    try:
        state = path.stat()
        if not (stat.S_ISREG(state.st_mode) or stat.S_ISDIR(state.st_mode)):
            # reading a pipe or a device waits, or never ends
            raise PhotoError(path, "is no plain file but a pipe or device", _READABLE, _COPY)
        if state.st_size > MOST_BYTES:
            expected = f"at most {MOST_BYTES >> 20} MB"
            raise PhotoError(path, "far too large for a photo", expected, "check the file")
        data = path.read_bytes()
    except FileNotFoundError as error:
        raise PhotoError(path, "not found", _READABLE, "check the path") from error
    except IsADirectoryError as error:
        raise PhotoError(path, "is a folder", _READABLE, "name the photos in it") from error
    except OSError as error:
        found = f"could not be read ({error.strerror})"
        raise PhotoError(path, found, _READABLE, "check the path") from error
    if not data:
        raise PhotoError(path, "the file is empty (0 bytes)", _READABLE, _COPY)
    return data


def _open(path: Path, data: bytes) -> PillowImage.Image:
    """Read the header; decode nothing yet."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # damaged camera data; size and pixels are checked here
        try:
            opened = opened_photo(io.BytesIO(data))
        except UnidentifiedImageError as error:
            raise PhotoError(path, "not a photo inside", _READABLE, _COPY) from error
        except PillowImage.DecompressionBombError as error:
            raise _too_large(path) from error
        except _DAMAGED as error:
            raise PhotoError(path, f"damaged ({_one_line(error)})", _READABLE, _COPY) from error
    plain = _is_plain(opened)
    most = MAX_PIXELS if plain else MAX_PIXELS_WHOLE
    if opened.width * opened.height > most:
        raise _too_large(path, most)
    if opened.format == "JPEG" and not plain and data.count(_SCAN) > _MOST_SCANS:
        found = f"{data.count(_SCAN)} scans, which no camera writes"
        raise PhotoError(path, found, _READABLE, "save it again as a plain JPEG")
    return opened


def _is_plain(opened: PillowImage.Image) -> bool:
    """Whether a photo is a JPEG that can be decoded at part of its size."""
    return opened.format == "JPEG" and not opened.info.get("progressive")


def _too_large(path: Path, most: int = MAX_PIXELS) -> PhotoError:
    limit = f"at most {most // 1_000_000} megapixels" + (
        "" if most == MAX_PIXELS else f", {MAX_PIXELS // 1_000_000} as a plain JPEG"
    )
    return PhotoError(path, "too many pixels to decode safely", limit, "save it smaller")


def _part(full: int, long_side: int | None) -> int:
    """Return 1, 2, 4 or 8: by how much the photo can be reduced."""
    if long_side is None:
        return 1
    return max(part for part in _REDUCED if part == 1 or full >= part * long_side)


def _decode_jpeg(path: Path, data: bytes, part: int) -> NDArray[np.uint8]:
    if _cut_short(data):
        raise PhotoError(path, "cut short: the end of the photo is missing", _READABLE, _COPY)
    try:
        decoded = cv2.imdecode(np.frombuffer(data, np.uint8), _REDUCED[part])
    except cv2.error as error:
        raise PhotoError(path, f"damaged ({error.err})", _READABLE, _COPY) from error
    if decoded is None:
        raise PhotoError(path, "damaged: it cannot be decoded", _READABLE, _COPY)
    rgb = decoded if part == 1 else cv2.cvtColor(decoded, cv2.COLOR_BGR2RGB)
    return rgb.astype(np.uint8, copy=False)


def _cut_short(data: bytes) -> bool:
    """Whether a JPEG lacks its end marker after the first scan (decoders fill up with grey)."""
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF and data[at + 1] != _START_OF_SCAN:
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return data.rfind(_END_OF_IMAGE, at) < 0


def _decode_other(path: Path, opened: PillowImage.Image, part: int) -> NDArray[np.uint8]:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # damaged camera data; the pixels can be good
            opened.load()  # which turns a TIFF by itself, and its orientation to 1
            orientation = opened.getexif().get(ExifTags.Base.Orientation, 1)
        if opened.mode.startswith("I;16") or opened.mode == "I":
            grey = (np.asarray(opened).astype(np.uint32) >> 8).clip(0, 255).astype(np.uint8)
            rgb = np.repeat(grey[..., None], 3, axis=2)
        else:
            rgb = np.asarray(opened if opened.mode == "RGB" else opened.convert("RGB"))
    except PillowImage.DecompressionBombError as error:
        raise _too_large(path, MAX_PIXELS_WHOLE) from error
    except _DAMAGED as error:
        found = f"cut short or damaged ({_one_line(error)})"
        raise PhotoError(path, found, _READABLE, _COPY) from error
    if part > 1:
        size = (-(-rgb.shape[1] // part), -(-rgb.shape[0] // part))
        rgb = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA).astype(np.uint8, copy=False)
    return _turned(rgb, orientation)


def _turned(rgb: NDArray[np.uint8], orientation: object) -> NDArray[np.uint8]:
    """Turn pixels upright as EXIF 2.31 (CIPA DC-008), tag Orientation, says; 1 leaves them."""
    if orientation in {5, 6, 7, 8}:
        rgb = rgb.transpose(1, 0, 2)
    if orientation in {3, 4, 7, 8}:
        rgb = rgb[::-1]
    if orientation in {2, 3, 6, 7}:
        rgb = rgb[:, ::-1]
    return rgb


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())[:120] or type(error).__name__


def _frozen(rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
    rgb = np.ascontiguousarray(rgb)
    rgb.flags.writeable = False
    return rgb
