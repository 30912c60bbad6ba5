"""Readers of the three label formats; `counting.accuracy.labels` says how each counts its px."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from PIL import ExifTags, UnidentifiedImageError
from PIL import Image as Pillow

from counting.errors import CountingError, LabelsError
from counting.files import read_text, strict_json
from counting.photos.image import SUFFIXES

__all__ = ["Reading", "read_coco", "read_voc", "read_yolo"]

_TURNED = {5, 6, 7, 8}
"""EXIF 2.3, tag Orientation: the values that swap width and height."""


@dataclass(slots=True)
class Reading:
    """What is gathered while files are read.

    Attributes
    ----------
    photos : list of dict
        Rows of `counting.accuracy.labels.LABELLED_PHOTOS`, still without the file's path.
    labels : list of dict
        Rows of `counting.accuracy.labels.LABELS`.
    faults : list of str
        One sentence for each entry that cannot be used.
    source : str
        Who published them, where the file says so.
    """

    photos: list[dict[str, Any]]
    labels: list[dict[str, Any]]
    faults: list[str]
    source: str = ""

    def try_box(self, where: str, make: Callable[[], dict[str, Any]]) -> None:
        """Add a label, or the reason why it is none."""
        try:
            row = make()
        except (KeyError, TypeError, ValueError, IndexError, OverflowError) as error:
            self.faults.append(f"{where}: {_reason(error)}")
            return
        numbers = [row[name] for name in ("x", "y", "width", "height")]
        if not all(map(math.isfinite, numbers)):
            self.faults.append(f"{where}: a box with a number that is not finite")
        elif row["width"] <= 0 or row["height"] <= 0:
            size = f"{row['width']:g} x {row['height']:g}"
            self.faults.append(f"{where}: a box of {size} px has no area")
        else:
            self.labels.append(row)


def _reason(error: Exception) -> str:
    return f"no {error}" if isinstance(error, KeyError) else str(error)


def _text(path: Path) -> str:
    try:
        return read_text(path)
    except CountingError as error:
        raise LabelsError(error.where, error.found, error.expected, error.mend) from error


def read_coco(path: Path) -> Reading:
    """Read a COCO file.

    Raises
    ------
    LabelsError
        If it is not one; faults of single entries are gathered instead.
    """
    try:
        data = strict_json(_text(path), finite=False)
    except json.JSONDecodeError as error:
        found = f"not JSON (line {error.lineno}: {error.msg})"
        raise LabelsError(path, found, "a COCO file") from error
    except (RecursionError, ValueError) as error:
        found = f"not JSON that can be read ({' '.join(str(error).split())[:80]})"
        raise LabelsError(path, found, "a COCO file") from error
    parts = ("images", "annotations", "categories")
    if not isinstance(data, dict) or not all(
        isinstance(data.get(part), list) and all(isinstance(row, dict) for row in data[part])
        for part in parts
    ):
        raise LabelsError(path, "not a COCO file", f"an object with the lists {', '.join(parts)}")
    read = Reading([], [], [], _coco_source(data))
    names: dict[str, str] = {}
    for place, image in enumerate(data["images"]):
        _coco_photo(read, names, f"image {image.get('id', f'at place {place}')}", image)
    kinds = {str(row.get("id")): str(row.get("name", row.get("id"))) for row in data["categories"]}
    for place, row in enumerate(data["annotations"]):
        where = f"annotation {row.get('id', f'at place {place}')}"
        read.try_box(where, lambda row=row: _coco_label(row, names, kinds))  # type: ignore[misc]
    return read


def _coco_photo(read: Reading, names: dict[str, str], where: str, image: dict[str, Any]) -> None:
    """Add a photo of a COCO file, or the reason why it is none."""
    try:
        name = str(image["file_name"])
        width, height = float(image["width"]), float(image["height"])
        if not (0 < width < math.inf and 0 < height < math.inf):
            message = f"a size of {width:g} x {height:g} px"
            raise ValueError(message)
        if str(image["id"]) in names or name in names.values():
            message = f"{name} is listed twice"
            raise ValueError(message)
    except (KeyError, TypeError, ValueError, OverflowError) as error:
        read.faults.append(f"{where}: {_reason(error)}")
        return
    names[str(image["id"])] = name
    read.photos.append({"photo": name, "width": width, "height": height})


def _coco_label(
    row: dict[str, Any], names: dict[str, str], kinds: dict[str, str]
) -> dict[str, Any]:
    image, kind = str(row["image_id"]), str(row["category_id"])
    if image not in names:
        message = f"image {image} is not in the file"
        raise ValueError(message)
    if kind not in kinds:
        message = f"category {kind} is not in the file"
        raise ValueError(message)
    box = row["bbox"]
    if not isinstance(box, list) or len(box) != 4:
        message = f"bbox is {str(box)[:60]}, not four numbers"
        raise ValueError(message)
    left, top, width, height = map(float, box)
    return {
        "photo": names[image],
        "x": left + width / 2,
        "y": top + height / 2,
        "width": width,
        "height": height,
        "kind": kinds[kind],
        "crowd": bool(row.get("iscrowd", 0)),
    }


def _coco_source(data: dict[str, Any]) -> str:
    """Return who published the labels, as the file itself says."""
    info = data.get("info")
    if not isinstance(info, dict):
        return ""
    said = [str(info[key]) for key in ("contributor", "description") if info.get(key)]
    said += [f"doi {info['doi']}"] if info.get("doi") else []
    listed = data.get("licenses")
    licences = listed if isinstance(listed, list) else []
    licence = info.get("license") or ", ".join(
        str(row.get("name", "")) for row in licences if isinstance(row, dict)
    )
    return ". ".join([*said, str(licence)] if licence else said)


def read_voc(paths: list[Path]) -> Reading:
    """Read Pascal VOC files, one for a photo; faults are gathered."""
    read = Reading([], [], [])
    seen: dict[str, str] = {}
    for path in paths:
        text = _text(path)
        try:
            if "<!DOCTYPE" in text or "<!ENTITY" in text:
                message = "declares entities, which labels have no need of"
                raise ValueError(message)
            root = ElementTree.fromstring(text)
            width, height = (_number(root, f"size/{name}") for name in ("width", "height"))
            name = (root.findtext("filename") or "").strip() or f"{path.stem}.jpg"
            if name in seen:
                message = f"photo {name} has labels in {seen[name]} already"
                raise ValueError(message)
        except (ElementTree.ParseError, ValueError) as error:
            read.faults.append(f"{path.name}: {error}")
            continue
        seen[name] = path.name
        read.photos.append({"photo": name, "width": width, "height": height})
        for place, part in enumerate(root.iter("object"), start=1):
            where = f"{path.name}, object {place}"
            read.try_box(where, lambda part=part, name=name: _voc_label(part, name))  # type: ignore[misc]
    return read


def _voc_label(part: ElementTree.Element, photo: str) -> dict[str, Any]:
    left, top, right, bottom = (
        _number(part, f"bndbox/{name}") for name in ("xmin", "ymin", "xmax", "ymax")
    )
    return {
        "photo": photo,
        "x": (left - 1 + right) / 2,
        "y": (top - 1 + bottom) / 2,
        "width": right - left + 1,
        "height": bottom - top + 1,
        "kind": (part.findtext("name") or "").strip() or "fruit",
        "crowd": False,
    }


def _number(part: ElementTree.Element, path: str) -> float:
    text = part.findtext(path)
    if text is None:
        message = f"no <{path}>"
        raise ValueError(message)
    try:
        return float(text)
    except ValueError:
        message = f"<{path}> is {text.strip()[:40]!r}, not a number"
        raise ValueError(message) from None


def read_yolo(folder: Path, paths: list[Path]) -> Reading:
    """Read YOLO files beside the folder of photos whose sizes they need; faults are gathered."""
    read = Reading([], [], [])
    kinds = _yolo_kinds(paths[0].parent)
    by_stem = {path.stem: path for path in paths if path.name != "classes.txt"}
    for photo in sorted(folder.iterdir()):
        if photo.suffix.lower() not in SUFFIXES:
            continue
        try:
            width, height = _photo_size(photo)
        except (OSError, ValueError, UnidentifiedImageError, Pillow.DecompressionBombError):
            read.faults.append(f"{photo.name}: a photo that cannot be read")
            continue
        read.photos.append({"photo": photo.name, "width": width, "height": height})
        path = by_stem.pop(photo.stem, None)
        for line, text in enumerate(_text(path).splitlines() if path else [], start=1):
            if path and text.strip():
                size = (photo.name, width, height)
                read.try_box(
                    f"{path.name}, line {line}",
                    lambda text=text, size=size: _yolo_label(text, size, kinds),  # type: ignore[misc]
                )
    read.faults += [f"{path.name}: no photo of that name in {folder}" for path in by_stem.values()]
    return read


def _yolo_label(text: str, photo: tuple[str, float, float], kinds: list[str]) -> dict[str, Any]:
    parts = text.split()
    if len(parts) != 5:
        message = f"{len(parts)} numbers, expected 5: class, centre x, centre y, width, height"
        raise ValueError(message)
    number = int(parts[0])
    if number < 0 or (kinds and number >= len(kinds)):
        message = f"class {number} has no name; the names end at {len(kinds) - 1}"
        raise ValueError(message)
    shares = list(map(float, parts[1:]))
    if not all(0 <= share <= 1 for share in shares):
        message = f"{' '.join(parts[1:])} are not shares of the photo, 0 to 1"
        raise ValueError(message)
    name, width, height = photo
    return {
        "photo": name,
        "x": shares[0] * width,
        "y": shares[1] * height,
        "width": shares[2] * width,
        "height": shares[3] * height,
        "kind": kinds[number] if kinds else f"class {number}",
        "crowd": False,
    }


def _yolo_kinds(folder: Path) -> list[str]:
    """Return the classes' names in order, empty when no file names them."""
    for place in (folder, folder.parent):
        for path in [place / "classes.txt", *sorted(place.glob("*.names"))]:
            if path.is_file():
                return [line.strip() for line in _text(path).splitlines() if line.strip()]
    return []


def _photo_size(path: Path) -> tuple[float, float]:
    """Return width and height of the upright photo, without decoding it."""
    with Pillow.open(path) as photo:
        turned = photo.getexif().get(ExifTags.Base.Orientation, 1) in _TURNED
        width, height = photo.size
    return (float(height), float(width)) if turned else (float(width), float(height))
