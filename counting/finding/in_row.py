"""What the plan and a photo's record say of the row in the photo."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from statistics import median
from typing import Self

from counting.finding.zone import RowTags, TagSeen
from counting.ledger.facts import Photo, Tag
from counting.plan.map import EVEN_FOR, row_places
from counting.plan.trial import Trial

__all__ = ["Rows"]

_LEAST = 3
"""Photos from which a survey's usual scale is told; of fewer the whole trial's is taken."""
_EVERY = ""


@dataclass(frozen=True, slots=True)
class Rows:
    """Where every plant stands, as far as the zone asks.

    Attributes
    ----------
    places : mapping of str to (int, int)
        A plant's code to its row and its position there.
    spacing_mm : float or None
        From stem to stem.
    count_fallen : bool
        Whether fallen fruit count.
    usual_mm : mapping of str to float
        Survey to what the longer side of its photos shows at the plants' own tags, mm (median);
        under the empty name that of all surveys.
    """

    places: Mapping[str, tuple[int, int]]
    spacing_mm: float | None
    count_fallen: bool
    usual_mm: Mapping[str, float] = field(default_factory=dict)

    @classmethod
    def of(cls, trial: Trial, taken: Iterable[Photo] = ()) -> Self:
        """Take them out of a trial's plan; its photos tell how much a photo usually shows."""
        shown: dict[str, list[float]] = defaultdict(list)
        for photo in taken:
            if photo.tag is not None and photo.tag.code == photo.plant and not photo.view_of:
                for day in (photo.survey, _EVERY):
                    shown[day].append(photo.tag.mm_per_px * max(photo.width, photo.height))
        usual = {day: median(each) for day, each in shown.items() if len(each) >= _LEAST}
        return cls(
            row_places(trial.plants),
            trial.plan.layout.spacing_mm,
            trial.plan.rule.count_fallen,
            usual,
        )

    def of_photo(self, photo: Photo) -> RowTags:
        """Return the tags of the photo's own row, its own plant's first.

        Where the photo's own tag was not read, or names another plant than the photo was bound to,
        those of the next plants tell where its own stands; none of them where none is near.
        """
        cards = tuple(tag.card for tag in photo.tags if tag.card)
        usual = self.usual_mm.get(photo.survey) or self.usual_mm.get(_EVERY)
        scale = usual / max(photo.width, photo.height) if usual and not photo.tag else None
        return replace(self._of_row(photo), cards=cards, usual_mm_per_px=scale)

    def _of_row(self, photo: Photo) -> RowTags:
        row, place = self.places.get(photo.plant, (0, 0))
        every = [tag for tag in (photo.tag, *photo.others) if tag is not None and tag.corners]
        here = [tag for tag in every if self.places.get(tag.code, (-1, 0))[0] == row]
        own = photo.tag
        if own is not None and own.corners and own.code == photo.plant:
            seen = tuple(self._seen(tag) for tag in (own, *(tag for tag in here if tag is not own)))
            return RowTags(seen, self.spacing_mm, self.count_fallen)
        near = [tag for tag in here if abs(self.places[tag.code][1] - place) <= EVEN_FOR]
        near.sort(key=lambda tag: abs(self.places[tag.code][1] - place))
        seen = tuple(self._seen(tag) for tag in near if tag.code != photo.plant)
        return RowTags(seen, self.spacing_mm, self.count_fallen, position=place)

    def _seen(self, tag: Tag) -> TagSeen:
        position = self.places[tag.code][1] if tag.code in self.places else None
        return TagSeen(tag.code, tag.corners, position)
