"""Blur, light and pixels of a photo, measured and flagged."""

from pathlib import Path

import cv2
import numpy as np
import pytest
from trials import drawn

from counting.flags import Flag
from counting.photos.fitness.quality import measure_quality
from counting.photos.image import load_image

LABELLED = Path(__file__).parents[2] / "shared" / "labelled-photos"
ABSENT = (
    "the labelled photos are not here; the tomato ones are published as "
    "doi 10.17632/8h3s6jkyff, see the README"
)


def quality(rgb, *, smallest_mm=10.0, mm_per_px=None, scale=1.0):
    return measure_quality(rgb, scale, smallest_mm=smallest_mm, mm_per_px=mm_per_px)


def plain(level, size=(480, 640)):
    return np.full((*size, 3), level, dtype=np.uint8)


@pytest.fixture
def photo():
    return np.asarray(drawn(12, size=(1600, 1200)))


def test_a_sharp_and_well_lit_photo_has_no_flag(photo):
    assert quality(photo).flags == []


def test_a_blurred_photo_is_flagged(photo):
    blurred = cv2.GaussianBlur(photo, (0, 0), 0.006 * 1600)
    assert Flag.BLURRED in quality(blurred).flags
    assert quality(blurred).detail < quality(photo).detail


def test_sharpness_falls_with_every_step_of_blur(photo):
    steps = [photo, *(cv2.GaussianBlur(photo, (0, 0), s) for s in (1.6, 3.2, 6.4, 12.8))]
    values = [quality(step).sharpness for step in steps]
    assert values == sorted(values, reverse=True)


def test_blur_is_judged_alike_at_any_size_of_the_photo(photo):
    half = cv2.resize(photo, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    assert quality(half).sharpness == pytest.approx(quality(photo).sharpness, abs=0.05)


def test_a_plain_wall_shows_no_edge_and_counts_as_blurred():
    assert quality(plain(180)).sharpness == 0.0


def test_a_black_photo_is_too_dark_and_a_white_one_too_bright():
    assert Flag.TOO_DARK in quality(plain(3)).flags
    assert quality(plain(3)).dark_share == 1.0
    assert Flag.TOO_BRIGHT in quality(plain(255)).flags
    assert quality(plain(255)).bright_share == 1.0


def test_the_shares_are_those_of_the_pixels(photo):
    half = photo.copy()
    half[:600] = 0
    assert quality(half).dark_share == pytest.approx(0.5, abs=0.01)


def test_with_a_scale_the_smallest_fruit_has_its_true_pixels(photo):
    found = quality(photo, smallest_mm=10.0, mm_per_px=0.25)
    assert (found.smallest_px, found.scale_from) == (40.0, "tag")
    assert Flag.TOO_SMALL not in found.flags
    assert Flag.TOO_SMALL in quality(photo, mm_per_px=0.6).flags


def test_without_a_scale_a_view_of_one_metre_is_assumed(photo):
    found = quality(photo)
    assert (found.smallest_px, found.scale_from) == (16.0, "assumed")
    small = cv2.resize(photo, (640, 480))
    assert Flag.TOO_SMALL in quality(small).flags


def test_a_reduced_copy_gives_the_pixels_of_the_full_photo(photo):
    assert quality(photo, scale=2.0).smallest_px == 32.0


@pytest.mark.parametrize("size", [(1, 1), (3, 2), (1, 500)])
def test_a_tiny_picture_is_measured_without_trouble(size):
    assert 0 <= quality(plain(100, size)).sharpness <= 1


def test_the_figures_are_plain_numbers_for_the_ledger(photo):
    body = quality(photo).figures()
    assert all(isinstance(value, float | str) for value in body.values())
    assert body["scale_from"] == "assumed"


@pytest.mark.skipif(not LABELLED.exists(), reason=ABSENT)
def test_sharp_real_photos_pass_and_blurred_ones_are_flagged():
    photos = sorted((LABELLED / "tomato" / "photos").glob("*.jpg"))[::4]
    sharp = [load_image(path, long_side=800).rgb for path in photos]
    assert not any(Flag.BLURRED in quality(rgb).flags for rgb in sharp)
    sigma = 0.004 * max(sharp[0].shape)
    blurred = [cv2.GaussianBlur(rgb, (0, 0), sigma) for rgb in sharp]
    assert all(Flag.BLURRED in quality(rgb).flags for rgb in blurred)
