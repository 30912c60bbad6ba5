"""How ripe a fruit looks, and the colour mathematics under it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from drawn import LEAF, PALE, RIPE, with_fruit

from counting.finding.ripeness import ripeness

# sRGB (IEC 61966-2-1) to L*a*b* (CIE 15, D65, 2 degrees), an independent public calculator's values
SRGB_LAB = {
    (255, 255, 255): (100.0, 0.0, 0.0),
    (255, 255, 0): (97.1393, -21.5537, 94.4780),
    (0, 255, 255): (91.1132, -48.0875, -14.1312),
    (0, 255, 0): (87.7347, -86.1827, 83.1793),
    (255, 0, 255): (60.3242, 98.2343, -60.8249),
    (255, 0, 0): (53.2408, 80.0925, 67.2032),
}


@pytest.mark.parametrize("rgb", sorted(SRGB_LAB))
def test_lab_of_srgb_agrees_with_published_values(rgb: tuple[int, int, int]) -> None:
    pixel = np.array([[rgb]], dtype=np.float32) / 255
    lab = cv2.cvtColor(pixel, cv2.COLOR_RGB2LAB)[0, 0]
    # OpenCV works in single precision with its own spline for the cube root
    assert lab == pytest.approx(SRGB_LAB[rgb], abs=0.25)


def ball(colour: tuple[int, int, int]) -> np.ndarray:
    leaf = np.full((120, 120, 3), LEAF, dtype=np.uint8)
    return with_fruit(leaf, [(60, 60, 40, colour)]).astype(np.float32) / 255


@pytest.mark.parametrize(
    ("colour", "name"), [(RIPE, "red"), (PALE, "green"), ((225, 140, 40), "turning")]
)
def test_a_ball_of_one_colour_is_of_that_class(colour: tuple[int, int, int], name: str) -> None:
    seen = ripeness(ball(colour), 60, 60, (80, 80))
    assert seen.colour == name
    assert seen.green + seen.turning + seen.ripe == pytest.approx(1)


def test_a_half_red_ball_is_half_red() -> None:
    both = ball(PALE)
    both[:, 60:] = ball(RIPE)[:, 60:]
    seen = ripeness(both, 60, 60, (80, 80))
    assert seen.ripe == pytest.approx(0.5, abs=0.12)


def test_a_box_beyond_the_photo_still_has_a_colour() -> None:
    seen = ripeness(ball(RIPE), 119, 119, (400, 400))
    assert seen.colour in {"green", "turning", "red"}
