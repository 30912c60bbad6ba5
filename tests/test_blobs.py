"""The blob stage: round edges without colour."""

from __future__ import annotations

import numpy as np
import pytest
from drawn import PALE, image, leaves, plant, with_fruit
from skimage import data

from counting.finding.boxes import PROPOSED, overlap
from counting.finding.candidates import find
from counting.finding.stages.blobs import blobs
from counting.photos.image import Image
from counting.settings import Settings


def test_the_blob_stage_alone_counts_the_coins() -> None:
    """24 coins lie in `skimage.data.coins()`: four rows of six, counted by eye."""
    found = find(image(data.coins()), Settings.with_stages("blobs"))
    assert abs(found.proposed - 24) <= 1


def test_blobs_do_not_depend_on_colour() -> None:
    photo, _ = plant(np.random.default_rng(2))
    grey = np.repeat(photo.mean(axis=2, keepdims=True), 3, axis=2).astype(np.uint8)
    swapped = photo[..., [2, 1, 0]]
    assert len(blobs(Image.of(grey)))
    assert len(blobs(Image.of(np.ascontiguousarray(swapped))))


def test_pale_balls_are_found_in_place_on_leaves() -> None:
    # ripe ones are as dark as leaves to this stage: it sees no colour
    places = [(200, 150, 40), (420, 160, 55), (620, 400, 70), (250, 430, 50)]
    photo = leaves(np.random.default_rng(2))
    found = blobs(image(with_fruit(photo, [(*place, PALE) for place in places]))).to_numpy()
    truth = np.array([[x, y, 2 * r, 2 * r] for x, y, r in places], dtype=float)
    assert (overlap(truth, found[:, :4]).max(axis=1) >= 0.5).all()


@pytest.mark.parametrize("shape", [(1, 1), (3, 700), (40, 40)])
def test_photos_of_odd_shapes_are_looked_at(shape: tuple[int, int]) -> None:
    noise = np.random.default_rng(1).integers(0, 256, (*shape, 3)).astype(np.uint8)
    table = blobs(Image.of(noise))
    assert list(table.columns) == list(PROPOSED)
    assert (table.dtypes == "float64").all()
