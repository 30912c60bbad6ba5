"""A photo put where it belongs: to another plant, side, truss or survey; the ledger keeps both."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from counting.errors import PhotoError
from counting.flags import Flag
from counting.ledger import Ledger
from counting.ledger.facts import Photo, left_out, photos
from counting.photos.manifest import read_manifest
from counting.photos.places.beside import also, settle_views
from counting.plan.codes import CodeBook, plant_called
from counting.plan.trial import Trial
from counting.text import plain_name
from counting.typed import day

__all__ = ["Moved", "Place", "further", "move", "move_listed", "move_survey", "swap"]

_PERSON = "person"
"""How the binding of a photo begins that somebody mended; the reason follows."""
_LEAST_OF_HASH = 8


@dataclass(frozen=True, slots=True)
class Place:
    """Where a photo is to belong; what is empty or None stays as it is.

    Attributes
    ----------
    plant, side, survey : str
    truss : int or None
    """

    plant: str = ""
    side: str = ""
    survey: str = ""
    truss: int | None = None


@dataclass(frozen=True, slots=True)
class Moved:
    """One photo that was moved.

    Attributes
    ----------
    before, after : Photo
    """

    before: Photo
    after: Photo

    @property
    def sentence(self) -> str:
        """What was done, in words."""
        return f"{self.after.file}: {_words(self.before)} -> {_words(self.after)}"


def move(trial: Trial, names: Sequence[str], place: Place, *, reason: str, by: str) -> list[Moved]:
    """Put photos at another plant, side, truss or survey, also after they were confirmed.

    Parameters
    ----------
    trial : Trial
    names : sequence of str
        Each a path inside the trial, a file's name that only one photo has, or the beginning of a
        SHA-256.
    place : Place
    reason, by : str
        Why, and who says so.

    Raises
    ------
    PhotoError
        If a photo is not there, or its new place is taken; nothing is moved then.
    PlanError
        If the plan has no such plant.
    """
    plant = plant_called(trial, place.plant, where="--to") if place.plant else ""
    place = replace(place, plant=plant, survey=_survey(place.survey))
    if place == Place():
        option = "counting move"
        mend = "say where the photo belongs: --to PLANT, --side NAME or --survey DATE"
        raise PhotoError(option, "nothing to change", mend=mend)
    with trial.ledger() as ledger:
        taken = photos(ledger)
        wanted = {_named(trial, taken, name).photo: place for name in names}
        return _moved(trial, ledger, taken, wanted, reason, by)


def further(trial: Trial, names: Sequence[str], plant: str, *, reason: str, by: str) -> list[Photo]:
    """Let photos count for a further plant whose tag is in them; return the views that are new.

    Raises
    ------
    PhotoError
        If a photo is not there, or the plant's tag is not in it, or it has a photo of its own.
    """
    with trial.ledger() as ledger:
        taken = photos(ledger)
    listed = [_named(trial, taken, name) for name in names]
    reason, by = _plain(reason, "--reason"), _plain(by, "--by")
    return also(trial, listed, plant, reason=reason, by=by)


def move_listed(trial: Trial, path: Path, *, reason: str, by: str) -> list[Moved]:
    """Put photos where a list says: file, plant and, as far as wanted, survey, truss, side.

    Raises
    ------
    PhotoError
        If the list cannot be read, a photo is not there, or a place would be taken twice.
    """
    book = CodeBook(trial.plants["code"])
    with trial.ledger() as ledger:
        taken = photos(ledger)
        wanted = {}
        for file, row in read_manifest(path).rows.items():
            where = f"{path.name}, line {row.line}"
            plant = book.find(row.plant)
            if row.fault or (row.plant and not plant):
                raise PhotoError(where, row.fault or book.unknown(row.plant))
            photo = _named(trial, taken, str(file) if file.exists() else file.name)
            wanted[photo.photo] = Place(plant, row.side, row.survey, row.truss)
        return _moved(trial, ledger, taken, wanted, reason, by)


def swap(
    trial: Trial, one: str, other: str, *, survey: str = "", reason: str, by: str
) -> list[Moved]:
    """Exchange the photos of two plants, as where their tags hung on each other.

    Parameters
    ----------
    trial : Trial
    one, other : str
        The plants.
    survey : str
        Only of this survey; empty for all.
    reason, by : str

    Raises
    ------
    PhotoError
        If neither has a photo.
    """
    first, second = (plant_called(trial, text, where="--swap") for text in (one, other))
    to = {first: second, second: first}
    day_ = _survey(survey)
    with trial.ledger() as ledger:
        taken, out = photos(ledger), left_out(ledger)
        wanted = {
            photo.photo: Place(to[photo.plant])
            for photo in taken.values()
            if photo.plant in to and not out.photo(photo.photo) and day_ in {"", photo.survey}
        }
        if not wanted:
            raise PhotoError(trial.directory, f"neither {first} nor {second} has a photo")
        return _moved(trial, ledger, taken, wanted, reason, by)


def move_survey(trial: Trial, old: str, new: str, *, reason: str, by: str) -> list[Moved]:
    """Put all photos of a survey under another day, as where its date was given wrongly.

    Raises
    ------
    PhotoError
        If the survey has no photo, or one would come to a place that is taken.
    """
    before, place = _survey(old), Place(survey=_survey(new))
    with trial.ledger() as ledger:
        taken, out = photos(ledger), left_out(ledger)
        wanted = {
            photo.photo: place
            for photo in taken.values()
            if photo.survey == before and not out.photo(photo.photo)
        }
        if not wanted or not place.survey:
            raise PhotoError(trial.directory, f"survey {before or '?'} has no photo to move")
        return _moved(trial, ledger, taken, wanted, reason, by)


def _moved(  # noqa: PLR0913
    trial: Trial,
    ledger: Ledger,
    taken: Mapping[str, Photo],
    wanted: Mapping[str, Place],
    reason: str,
    by: str,
) -> list[Moved]:
    """Write the photos at their new places, if nobody else has them then."""
    out = left_out(ledger)
    reason, by = _plain(reason, "--reason"), _plain(by, "--by")
    bound_by = f"{_PERSON}: {reason}" if reason else _PERSON
    done = []
    for sha, place in wanted.items():
        before = taken[sha]
        after = replace(
            before,
            plant=place.plant or before.plant,
            side=_plain(place.side, "--side").lower() or before.side,
            survey=place.survey or before.survey,
            truss=before.truss if place.truss is None else place.truss,
            bound_by=bound_by,
            flags=tuple(word for word in before.flags if word != Flag.TAG_DISAGREES.value),
        )
        if after.slot != before.slot:
            done.append(Moved(before, after))
    slots: dict[object, Photo] = {}
    now = {**taken, **{each.after.photo: each.after for each in done}}
    for photo in now.values():
        if out.photo(photo.photo) or (photo.view_of and photo.photo not in wanted):
            continue
        other = slots.setdefault(photo.slot, photo)
        if other is not photo and {photo.photo, other.photo} & set(wanted):
            found = f"{_words(photo)} would have {other.file} and {photo.file}"
            mend = "move the other one too (both in one photos.csv, or --swap), or name its --side"
            raise PhotoError("counting move", found, "one photo at a place", mend)  # noqa: EM101
    ledger.add([each.after for each in done], by=by)
    settle_views(
        trial, ledger, {photo.survey for each in done for photo in (each.before, each.after)}
    )
    return done


def _named(trial: Trial, taken: Mapping[str, Photo], name: str) -> Photo:
    """Return the photo that a person named."""
    if len(name) >= _LEAST_OF_HASH and not set(name.lower()) - set("0123456789abcdef"):
        fits = [photo for sha, photo in taken.items() if sha.startswith(name.lower())]
    else:
        path = Path(name)
        root = trial.directory.resolve()
        whole = {path.resolve(), (root / path).resolve()}
        fits = [photo for photo in taken.values() if root / photo.file in whole]
        fits = fits or [p for p in taken.values() if p.file.rsplit("/", 1)[-1] == path.name]
    # a view of a plant beside has the file of the photo that it is a view of
    fits = [photo for photo in fits if not photo.view_of] or fits
    if len(fits) == 1:
        return fits[0]
    if fits:
        files = ", ".join(photo.file for photo in fits[:3])
        raise PhotoError(name, f"{len(fits)} photos are called so: {files}", mend="give the path")
    mend = "give its path inside the trial, as counting export lists it"
    raise PhotoError(name, "no photo of this trial", mend=mend)


def _plain(text: str, option: str) -> str:
    try:
        return plain_name(text, "it")
    except ValueError as error:
        raise PhotoError(option, str(error)) from error


def _survey(text: str) -> str:
    if not text:
        return ""
    try:
        return day(text).isoformat()
    except ValueError as error:
        option = "--survey"
        raise PhotoError(option, str(error)) from error


def _words(photo: Photo) -> str:
    words = [photo.plant, photo.survey]
    words += [f"truss {photo.truss}"] if photo.truss is not None else []
    words += [f"side {photo.side}"] if photo.side else []
    return ", ".join(words)
