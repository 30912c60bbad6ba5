"""The stages run over a photo, each to its own table; merged they are its candidates."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path

import pandas as pd

from counting.finding.stages import blobs as blobs_module
from counting.finding.stages import colour as colour_module
from counting.finding.stages.blobs import blobs
from counting.finding.stages.colour import colour, resized
from counting.finding.stages.scorer import own_network, scorer
from counting.photos.image import Image
from counting.settings import Settings

__all__ = ["BESIDE_SCORER", "STAGE_FUNCTIONS", "Tables", "reduced", "stage_tables"]

Stage = Callable[[Image], pd.DataFrame]
Tables = Mapping[str, pd.DataFrame]
"""Stage to its table."""

STAGE_FUNCTIONS: Mapping[str, Stage] = {"colour": colour, "blobs": blobs, "scorer": scorer}
"""Every stage: from a photo to a table of `counting.finding.boxes.PROPOSED`; new ones join here."""
BESIDE_SCORER: Mapping[str, Stage] = {
    "colour": partial(colour, long_side=colour_module.CHEAP_SIDE),
    "blobs": partial(blobs, long_side=blobs_module.CHEAP_SIDE),
}
"""Cheaper forms of stages that add little to the learned scorer (``confidence.json`` says what)."""
_SMALL_SIDE = 320  # px; the colour of a fruit is seen well enough at this long side


def stage_tables(image: Image, settings: Settings, weights: Path | None = None) -> Tables:
    """Run the stages; beside the scorer the others see the small photo.

    Parameters
    ----------
    image : Image
        The photo.
    settings : Settings
        Which stages, and how the scorer looks; a lesson's other numbers change nothing here.
    weights : Path, optional
        File of the trial's own weights, where the settings name some.

    Returns
    -------
    mapping of str to DataFrame
        Stage to its table of `counting.finding.boxes.PROPOSED`.

    Raises
    ------
    CountingError
        If the file is missing or another than the settings name.
    ValueError
        If the settings name weights and no file is given.
    """
    if settings.weights and weights is None:
        msg = "the settings name weights, but no file was given"
        raise ValueError(msg)
    small = reduced(image)
    work = {name: partial(stage, image) for name, stage in STAGE_FUNCTIONS.items()}
    if "scorer" in settings.stages:
        work |= {name: partial(stage, small) for name, stage in BESIDE_SCORER.items()}
        own = own_network(weights, settings.weights) if weights and settings.weights else None
        look = partial(scorer, image, quick=settings.quick, size=settings.look)
        work["scorer"] = partial(look, network=own)
    return {name: work[name]() for name in settings.stages}


def reduced(image: Image) -> Image:
    """Return a photo brought down to what colours and the cheap stages need."""
    rgb = resized(image.rgb, min(_SMALL_SIDE, max(image.rgb.shape[:2])))
    return replace(image, rgb=rgb, scale=max(image.width, image.height) / max(rgb.shape[:2]))
