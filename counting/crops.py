"""What the tool knows of each crop: its words, the colours it ripens through, its usual sizes.

A crop is one entry of `CROPS`, and whatever depends on the crop reads it from there.
"""

from __future__ import annotations

from dataclasses import dataclass

from counting.errors import CountingError

__all__ = ["CROPS", "OTHER", "TOMATO", "Crop", "crop_called", "crop_of", "unmeasured"]


@dataclass(frozen=True, slots=True)
class Crop:
    """One crop.

    Hues are degrees in the a*b* plane of CIELAB (0 towards red, 90 yellow, 180 green), of photos
    whose cast of light was taken out: from the first up to, not with, the second. A surface of
    neither range is unripe.

    Attributes
    ----------
    name : str
        The word in ``trial.toml`` and on the command line.
    fruit, fruits : str
        One, and several of them, within a sentence.
    truss, trusses : str
        What fruit hang on together.
    ripe_colour : str
        The class of a fruit that is ripe; before it come ``green`` and ``turning``.
    ripe_hues, turning_hues : (float, float)
        Hues of ripe surface and of surface on the way there.
    diameter_mm : (float, float)
        Usual diameters, from the smallest that people count to a large ripe one.
    typical_mm : float
        Diameter of a fruit half grown, by which distances between fruit are judged.
    height_mm : (float, float)
        Heights of a plant that need no second look: from planting out to the tallest grown.
    """

    name: str
    fruit: str
    fruits: str
    truss: str
    trusses: str
    ripe_colour: str
    ripe_hues: tuple[float, float]
    turning_hues: tuple[float, float]
    diameter_mm: tuple[float, float]
    typical_mm: float
    height_mm: tuple[float, float]


_RED, _ORANGE = (-25.0, 50.0), (50.0, 80.0)
"""Chosen on the labelled tomatoes: 93 % of 663 fruit, in the boxes as labelled, then bear their
label's class. Apple and strawberry share them: by the median hue of the middle of the box, about 7
of 8 labelled apples at the beginning of ripening (BBCH 81) and 3 of 4 ripe strawberries on phone
photos lie within the two, 2 of 3 apples at BBCH 76 and 9 of 10 unripe strawberries beyond. An apple
that is green or yellow when ripe stays ``green``."""

TOMATO = Crop(
    name="tomato",
    fruit="tomato",
    fruits="tomatoes",
    truss="truss",
    trusses="trusses",
    ripe_colour="red",
    ripe_hues=_RED,
    turning_hues=_ORANGE,
    diameter_mm=(10.0, 100.0),
    typical_mm=30.0,
    height_mm=(150.0, 6000.0),
)
OTHER = Crop(
    name="other",
    fruit="fruit",
    fruits="fruit",
    truss="truss",
    trusses="trusses",
    ripe_colour="red",
    ripe_hues=_RED,
    turning_hues=_ORANGE,
    diameter_mm=(5.0, 150.0),
    typical_mm=30.0,
    height_mm=(10.0, 20_000.0),
)
"""Stands for a crop without an entry of its own."""

# Diameters and heights: common practice, from memory (tomatoes are planted out at 15 to 30 cm,
# stems lowered on strings reach 5 m). The labelled pears and cherries are hardly ripe, so their
# ripe hues are from memory too: pears turn from about 115 degrees to 95 (the labelled ones have a
# median of 106), cherries pass through straw yellow (98 % of the green ones labelled have 112 up).
CROPS: dict[str, Crop] = {
    crop.name: crop
    for crop in (
        TOMATO,
        Crop(
            name="apple",
            fruit="apple",
            fruits="apples",
            truss="cluster",
            trusses="clusters",
            ripe_colour="red",
            ripe_hues=_RED,
            turning_hues=_ORANGE,
            diameter_mm=(15.0, 95.0),
            typical_mm=50.0,
            height_mm=(300.0, 12_000.0),
        ),
        Crop(
            name="pear",
            fruit="pear",
            fruits="pears",
            truss="cluster",
            trusses="clusters",
            ripe_colour="yellow",
            ripe_hues=(60.0, 98.0),
            turning_hues=(98.0, 106.0),
            diameter_mm=(15.0, 90.0),
            typical_mm=45.0,
            height_mm=(300.0, 15_000.0),
        ),
        Crop(
            name="cherry",
            fruit="cherry",
            fruits="cherries",
            truss="cluster",
            trusses="clusters",
            ripe_colour="red",
            ripe_hues=_RED,
            turning_hues=(50.0, 105.0),
            diameter_mm=(8.0, 32.0),
            typical_mm=15.0,
            height_mm=(300.0, 20_000.0),
        ),
        Crop(
            name="strawberry",
            fruit="strawberry",
            fruits="strawberries",
            truss="truss",
            trusses="trusses",
            ripe_colour="red",
            ripe_hues=_RED,
            turning_hues=_ORANGE,
            diameter_mm=(8.0, 50.0),
            typical_mm=20.0,
            height_mm=(20.0, 600.0),
        ),
        OTHER,
    )
}
"""Every crop by its name; a new one joins here."""


def crop_of(text: str) -> Crop:
    """Return the crop that a plan names, by one or several of its fruit, else `OTHER`."""
    word = text.strip().casefold()
    return next((crop for crop in CROPS.values() if word in {crop.name, crop.fruits}), OTHER)


def unmeasured(text: str) -> str:
    """Return what to say of a crop on which the finder was never held against labelled photos.

    Every crop with an entry of its own was; STAGES.md has the figures.

    Parameters
    ----------
    text : str
        The crop as the plan names it.

    Returns
    -------
    str
        A sentence; empty for the crops that were measured.
    """
    if crop_of(text) is not OTHER:
        return ""
    named = text.strip() if text.strip() != OTHER.name else "this crop"
    return (
        f"How well fruit are found was never measured on {named}: have a person look at every"
        " photo until the trial's own reviews say how far to trust it."
    )


def crop_called(name: str) -> Crop:
    """Return the crop that a person names on the command line.

    Raises
    ------
    CountingError
        If it has no entry.
    """
    if name not in CROPS:
        where, expected = "--crop", f"one of {', '.join(sorted(CROPS))}"
        raise CountingError(where, f"no crop called {name}", expected)
    return CROPS[name]
