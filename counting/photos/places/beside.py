"""A photo that shows several plants serves those that have none of their own.

Each of them gets a view: the same file under an id of its own, bound to that plant. A view is made
only of a plant that stands whole in the photo, for a side that most plants of the survey have; a
plant's own photo puts it out again.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from counting import __version__
from counting.errors import PhotoError
from counting.flags import Flag
from counting.ledger import Ledger, Told
from counting.ledger.facts import Exclusion, LeftOut, Photo, Tag, left_out, one_side, photos
from counting.plan.codes import plant_called
from counting.plan.map import EVEN_FOR, row_places
from counting.plan.trial import Trial
from counting.text import few

__all__ = ["Settled", "about_views_beside", "also", "settle_views"]

BESIDE = "beside"
"""How a view is bound to its plant."""
_OWN = "a photo of its own counts"
_FILE_OUT = "the photo is left out"
_IN_VIEW = 0.9
"""Least share of a plant's width, from border to border, that must lie in the photo. The twentieth
cut off a border holds 1 % of a plant's fruit, which hang 85 mm about the stem (standard deviation,
drawn rows) where plants stand 450 mm apart."""
_FEW = 3


@dataclass(frozen=True, slots=True)
class Settled:
    """Views that came and went.

    Attributes
    ----------
    served : tuple of Photo
        Views that count from now on.
    dropped : tuple of Photo
        Views that a photo of the plant's own put out, or whose file was left out.
    """

    served: tuple[Photo, ...] = ()
    dropped: tuple[Photo, ...] = ()


@dataclass(frozen=True, slots=True)
class _Survey:
    """The photos of one survey that are in force."""

    own: list[Photo]
    views: list[Photo]
    usual: frozenset[str]

    @classmethod
    def of(cls, listed: Iterable[Photo]) -> _Survey:
        every = list(listed)
        own = [photo for photo in every if not photo.view_of]
        plants = {photo.plant for photo in own}
        sides = Counter(side for _, side in {(photo.plant, photo.side) for photo in own})
        usual = frozenset(side for side, number in sides.items() if 2 * number > len(plants))
        return cls(own, [photo for photo in every if photo.view_of], usual)

    def lacks(self, plant: str, side: str) -> bool:
        """Whether a plant has no photo of a side that most plants have."""
        mine = {photo.side for photo in self.own if photo.plant == plant}
        known = any(not each or each == side or one_side(each, side) for each in mine)
        return side in self.usual and not known and not (mine and not side)


def settle_views(trial: Trial, ledger: Ledger, surveys: Iterable[str]) -> Settled:
    """Give every plant without a photo the best view of it, and take back views not needed.

    Parameters
    ----------
    trial : Trial
    ledger : Ledger
        Its ledger, open; the views are written there.
    surveys : iterable of str
        Whose photos to look through.
    """
    taken, out = photos(ledger), left_out(ledger)
    facts: list[Told] = []
    served: list[Photo] = []
    order = {code: number for number, code in enumerate(trial.counted["code"])}
    dropped: list[Photo] = []
    for day in sorted(set(surveys)):
        force = [p for p in taken.values() if p.survey == day and not out.photo(p.photo)]
        survey = _Survey.of(force)
        kept = []
        for view in survey.views:
            reason = _not_needed(view, survey)
            if reason:
                facts.append(Exclusion(photo=view.photo, reason=reason))
                dropped.append(view)
            else:
                kept.append(view)
        for view in _best(trial, survey, kept, out):
            held, known = out.why(view.photo), taken.get(view.photo)
            if known is None:
                facts.append(view)
            elif held and _gave_way(held) and known.plant == view.plant:
                facts.append(replace(held, lifted=True))
            else:
                continue
            served.append(view)
    ledger.add(facts, by=f"counting {__version__}")
    served.sort(key=lambda view: (view.survey, order.get(view.plant, len(order)), view.side))
    return Settled(tuple(served), tuple(dropped))


def _gave_way(held: Exclusion) -> bool:
    """Whether a view was left out for another photo's sake, not by a person."""
    return bool(held.by_photo) or held.reason in {_OWN, _FILE_OUT}


def _not_needed(view: Photo, survey: _Survey) -> str:
    """Return why a view does not count any more; empty if it does."""
    if view.view_of not in {photo.photo for photo in survey.own}:
        return _FILE_OUT
    if any(photo.slot == view.slot for photo in survey.own):
        return _OWN
    by_person = view.bound_by != BESIDE
    return "" if by_person or survey.lacks(view.plant, view.side) else _OWN


def _best(trial: Trial, survey: _Survey, kept: Sequence[Photo], out: LeftOut) -> Iterator[Photo]:
    """Yield the best view of each plant and side that has neither photo nor view."""
    where = row_places(trial.plants)
    counted = set(trial.counted["code"])
    served = {(view.plant, view.side) for view in kept}
    found: dict[tuple[str, str], list[tuple[float, str, Photo]]] = {}
    for photo in survey.own:
        for tag in photo.tags:
            key = (tag.code, photo.side)
            wanted = tag.code in counted and not out.plant(tag.code, photo.survey)
            if not wanted or key in served or photo.truss is not None or not tag.corners:
                continue
            whole = _whole(photo, tag, where, trial.plan.layout.spacing_mm)
            if whole and survey.lacks(*key):
                off = abs(_across(tag) - photo.width / 2)
                view = photo.beside(tag.code, bound_by=BESIDE, flag=Flag.BESIDE.value)
                if view is not None:
                    found.setdefault(key, []).append((off, photo.photo, view))
    for views in found.values():
        yield min(views, key=lambda each: each[:2])[2]


def _across(tag: Tag) -> float:
    """Return how far from the left a tag stands, px."""
    return sum(x for x, _ in tag.corners) / len(tag.corners)


def _whole(
    photo: Photo, tag: Tag, where: dict[str, tuple[int, int]], spacing_mm: float | None
) -> bool:
    """Whether a plant of the photo's own row stands in it from border to border."""
    if photo.plant not in where or tag.code not in where:
        return False
    (row, at), (other_row, other_at) = where[photo.plant], where[tag.code]
    apart = abs(other_at - at)
    if row != other_row or not 1 <= apart <= EVEN_FOR:
        return False
    own = photo.tag
    if own is not None and own.corners and own.code == photo.plant:
        width = abs(_across(tag) - _across(own)) / apart
    elif spacing_mm:
        width = spacing_mm / tag.mm_per_px
    else:
        return False
    middle = _across(tag)
    shown = min(middle + width / 2, photo.width) - max(middle - width / 2, 0.0)
    return width > 0 and shown >= _IN_VIEW * width


def also(trial: Trial, listed: Sequence[Photo], plant: str, *, reason: str, by: str) -> list[Photo]:
    """Let photos count for a further plant that stands in them, as a person says.

    Parameters
    ----------
    trial : Trial
    listed : sequence of Photo
        Photos of the trial.
    plant : str
        The further plant; its tag was read in each.
    reason, by : str
        Why, and who says so.

    Returns
    -------
    list of Photo
        The views that are new.

    Raises
    ------
    PhotoError
        If its tag is not in a photo, or it has another photo at that place; nothing is written.
    """
    code = plant_called(trial, plant, where="--also")
    bound_by = f"person: {reason}" if reason else "person"
    new: list[Photo] = []
    with trial.ledger() as ledger:
        taken, out = photos(ledger), left_out(ledger)
        force = {p.slot: p for p in taken.values() if not out.photo(p.photo)}
        facts: list[Told] = []
        for photo in listed:
            view = photo.beside(code, bound_by=bound_by, flag=Flag.BESIDE.value)
            if view is None:
                found = f"no tag of {code} was read in it"
                raise PhotoError(photo.file, found, mend=f"photograph {code} itself")
            other = force.get(view.slot)
            if other is not None and other.photo != view.photo:
                found = f"{code} has the photo {other.file} there already"
                raise PhotoError(photo.file, found, mend="that one counts; nothing is to do")
            if other is not None:
                continue
            force[view.slot] = view
            new.append(view)
            facts.append(view)
            if held := out.why(view.photo):
                facts.append(replace(held, lifted=True))
        ledger.add(facts, by=by)
    return new


def about_views_beside(settled: Settled, taken: dict[str, Photo]) -> list[str]:
    """Say which plants count on a photo of another one.

    Parameters
    ----------
    settled : Settled
    taken : dict of str to Photo
        The trial's photos by id.
    """
    if not settled.served:
        return []
    shown = [
        f"{view.plant} in {view.file}, taken of {taken[view.view_of].plant}"
        for view in settled.served
    ]
    number = "1 plant counts" if len(shown) == 1 else f"{len(shown)} plants count"
    return [
        f"Without a photo of its own {number} on a neighbour's: {few(shown, _FEW)}. The part that"
        " counts is bright on the sheet; a photo of its own takes its place."
    ]
