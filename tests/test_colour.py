"""The colour stage: white balance, the fruit map, what it proposes."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from drawn import RIPE, image, leaves, plant, with_fruit

from counting.finding.boxes import PROPOSED, overlap, suppress
from counting.finding.stages.colour import balance, colour, fruit_map, planes
from counting.finding.stages.numbers import linear
from counting.photos.image import Image

GROW_LIGHT = np.array([1.15, 0.55, 1.3])
"""Channel gains of a purple grow light, in linear light, chosen by eye."""


def under(photo: np.ndarray, gains: np.ndarray) -> np.ndarray:
    linear = (photo / 255) ** 2.2 * gains
    return (np.clip(linear, 0, 1) ** (1 / 2.2) * 255).astype(np.uint8)


def test_white_balance_takes_a_grow_lights_cast_out() -> None:
    grey = np.random.default_rng(1).integers(20, 140, (80, 120, 1)).repeat(3, 2).astype(np.uint8)
    purple = under(grey, GROW_LIGHT)
    assert np.ptp(purple.reshape(-1, 3).mean(axis=0)) > 20
    assert np.ptp(balance(purple).reshape(-1, 3).mean(axis=0)) * 255 < 4


def test_white_balance_leaves_a_grey_photo_as_it_is() -> None:
    grey = np.random.default_rng(1).integers(0, 256, (60, 90, 1)).repeat(3, 2).astype(np.uint8)
    assert np.abs(balance(grey) * 255 - grey).max() < 1


@pytest.mark.parametrize("light", [np.ones(3), GROW_LIGHT], ids=["daylight", "grow light"])
def test_ripe_fruit_is_more_fruit_like_than_leaves_under_any_light(light: np.ndarray) -> None:
    photo, fruit = plant(np.random.default_rng(2))
    lit = under(photo, light)
    likely = fruit_map(lit, planes(balance(lit)), linear("colour", "pixel"))
    inside = np.zeros(likely.shape, dtype=np.uint8)
    for x, y, radius in fruit:
        cv2.circle(inside, (x, y), int(radius * 0.8), 1, -1)
    assert likely[inside == 1].mean() > 0.6
    assert likely[inside == 0].mean() < 0.3


def test_drawn_ripe_fruit_are_found_in_place() -> None:
    photo, fruit = plant(np.random.default_rng(2))
    found = colour(image(photo)).to_numpy()
    truth = np.array([[x, y, 2 * r, 2 * r] for x, y, r in fruit], dtype=float)
    assert (overlap(truth, found[:, :4]).max(axis=1) >= 0.5).sum() >= 8


def test_two_touching_fruit_are_two() -> None:
    touching = [(340, 300, 60, RIPE), (450, 300, 60, RIPE)]
    found = colour(image(with_fruit(leaves(np.random.default_rng(6)), touching))).to_numpy()
    truth = np.array([[x, y, 2 * r, 2 * r] for x, y, r, _ in touching], dtype=float)
    assert (overlap(truth, found[:, :4]).max(axis=1) >= 0.5).all()


def test_a_photo_of_one_colour_gives_an_empty_table_with_all_columns() -> None:
    table = colour(image(np.full((300, 400, 3), 127, dtype=np.uint8)))
    assert list(table.columns) == list(PROPOSED)
    assert (table.dtypes == "float64").all()


@pytest.mark.parametrize("shape", [(1, 1), (3, 700), (700, 3), (40, 40)])
def test_photos_of_odd_shapes_are_looked_at(shape: tuple[int, int]) -> None:
    noise = np.random.default_rng(1).integers(0, 256, (*shape, 3)).astype(np.uint8)
    assert list(colour(Image.of(noise)).columns) == list(PROPOSED)


def test_overlap_of_boxes_is_intersection_over_union() -> None:
    a = np.array([[5.0, 5, 10, 10]])
    b = np.array([[5.0, 5, 10, 10], [10, 5, 10, 10], [30, 30, 4, 4], [5, 5, 5, 5]])
    assert overlap(a, b)[0] == pytest.approx([1, 1 / 3, 0, 0.25])


def test_of_two_boxes_on_one_fruit_the_better_stays() -> None:
    boxes = np.array([[50.0, 50, 40, 40], [52, 50, 40, 40], [50, 50, 16, 16], [150, 50, 40, 40]])
    score = np.array([0.7, 0.9, 0.8, 0.1])
    assert suppress(boxes, score, 0.5).tolist() == [1, 2, 3]
    assert suppress(boxes, score, 0.5, inside=0.6).tolist() == [1, 3]
