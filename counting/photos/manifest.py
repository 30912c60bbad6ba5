"""The list ``photos.csv`` beside the photos: which file shows which plant."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from counting.errors import CountingError, PhotoError
from counting.files import inside
from counting.spreadsheet import Row, iso_date, read_sheet, truss_number
from counting.text import plain_name

__all__ = ["MANIFEST_NAME", "Listed", "Manifest", "read_manifest"]

MANIFEST_NAME = "photos.csv"
_COLUMNS = ("file", "survey", "plant", "truss", "side")
_NEEDED = ("file", "plant")


@dataclass(frozen=True, slots=True)
class Listed:
    """One photo's row.

    Attributes
    ----------
    line : int
        Line of the list.
    survey, plant, side : str
        Empty where the list does not say.
    truss : int or None
        None for the whole plant.
    fault : str
        Why the row cannot be used; empty if it can.
    """

    line: int
    survey: str
    plant: str
    truss: int | None
    side: str
    fault: str = ""


@dataclass(frozen=True, slots=True)
class Manifest:
    """A list of photos.

    Attributes
    ----------
    path : Path
        The list.
    rows : dict of Path to Listed
        By the photo's resolved path.
    faults : dict of str to str
        Names that cannot be paths inside the list's folder, and why.
    """

    path: Path
    rows: dict[Path, Listed]
    faults: dict[str, str]


def read_manifest(path: Path) -> Manifest:
    """Read a list of photos; a faulty row spoils only its own photo.

    Parameters
    ----------
    path : Path
        CSV, XLSX or ODS with the columns file, plant and, as far as wanted, survey, truss, side;
        `file` is relative to the list's folder.

    Raises
    ------
    PhotoError
        If the list as a whole cannot be read.
    """
    sheet = read_sheet(path, PhotoError)
    missing = [name for name in _NEEDED if name not in sheet.columns]
    unknown = [name for name in sheet.columns if name not in _COLUMNS]
    if missing or unknown:
        found = f"no column {', '.join(missing)}" if missing else f"column {', '.join(unknown)}"
        raise PhotoError(path, found, f"the columns {','.join(_COLUMNS)}", "mend the first line")
    rows: dict[Path, Listed] = {}
    faults: dict[str, str] = {}
    for row in sheet.rows:
        name = row.get("file").replace("\\", "/")
        try:
            target = inside(path.parent, name).resolve()
        except (CountingError, OSError, ValueError):
            faults[name] = (
                f"line {row.line} of {path.name} leads out of the list's folder; "
                "write the file's name, without .. and without links"
            )
            continue
        if not name or target == path.parent.resolve():
            faults[f"{path.name} line {row.line}"] = "no file named; write the photo's name"
            continue
        listed = _listed(row, path.name)
        first = rows.get(target, listed)
        if replace(listed, line=first.line) != first:
            fault = f"listed on lines {first.line} and {row.line} of {path.name}; keep one"
            listed = Listed(first.line, "", "", None, "", fault)
        rows[target] = listed
    return Manifest(path, rows, faults)


def _listed(row: Row, name: str) -> Listed:
    fault = plant = ""
    try:
        plant = plain_name(row.get("plant"), "plant")
        truss = truss_number(row.get("truss"))
        survey = iso_date(row.get("survey")) if row.get("survey") else ""
    except ValueError as error:
        truss, survey, fault = None, "", f"line {row.line} of {name}: {error}"
    return Listed(row.line, survey, plant, truss, row.get("side").lower(), fault)
