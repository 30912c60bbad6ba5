"""The same fruit in two photos of one side: likely pairs by their places round the plant's tag."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browser import LAPTOP, chromium, page_on
from hypothesis import given, settings
from hypothesis import strategies as st
from sheet_trial import Drawn, draw_trial
from test_review_page import painted
from test_zone import SIZE, Camera

import counting.review.frames as frames_module
from counting.finding.zone import View, likely_pairs, same_fruit
from counting.ledger.facts import Candidate, Photo, Tag, one_side
from counting.review.frames import frames
from counting.review.sheet import make_sheet

FRUIT = [(-90, -60, 30), (-60, -85, 38), (-20, -70, 34), (40, -260, 36), (75, -290, 30)]
"""mm along the row and up from the tag, and diameters."""


def view(camera: Camera, fruit: list[tuple[float, float, float]], nearer: float = 0.0) -> View:
    """A photo of fruit that stand so far before the tag."""
    boxes = [camera.fruit(along, up, size, nearer) for along, up, size in fruit]
    tag = camera.tag("A1-1", 0, 0, 1)
    return View(tag, SIZE, np.array(boxes).reshape(-1, 4), np.zeros(len(boxes)))


@settings(max_examples=25, deadline=None)
@given(
    turned=st.floats(-0.4, 0.4),
    away=st.floats(700, 1300),
    nearer=st.floats(-60, 60),
    order=st.permutations(range(5)),
)
def test_fruit_are_paired_across_places_of_the_phone_and_distances_from_the_tag(
    turned: float, away: float, nearer: float, order: list[int]
) -> None:
    one = view(Camera(), FRUIT, nearer)
    other = view(Camera(away, turned), [FRUIT[k] for k in order], nearer)
    assert same_fruit(one, other) == [(k, order.index(k)) for k in range(5)]


def test_a_fruit_that_only_one_photo_shows_has_no_partner():
    one, other = view(Camera(), FRUIT), view(Camera(turned=0.2), FRUIT[:3])
    assert same_fruit(one, other) == [(0, 0), (1, 1), (2, 2)]
    assert same_fruit(one, view(Camera(), [])) == []
    assert same_fruit(one, view(Camera(), [(-90, 260, 30)])) == []


def taken(photo: str, side: str, camera: Camera, **more: Any) -> Photo:
    """A photo of plant A1-1 with its tag."""
    tag = camera.tag("A1-1", 0, 0, 1)
    told = Tag(code="A1-1", id=1, corners=tag.corners, card=tag.corners, mm_per_px=0.3)
    facts = {"survey": "2026-07-20", "plant": "A1-1", "side": side, "tag": told} | more
    return Photo(photo, f"{photo}.jpg", *SIZE, **facts)


def proposed(camera: Camera) -> list[Candidate]:
    """What the finder proposes there."""
    shown = view(camera, FRUIT).boxes
    return [
        Candidate(10 + k, *map(float, box), confidence=0.9, red_share=0.0)
        for k, box in enumerate(shown)
    ]


def test_photos_are_held_against_each_other_on_one_side_of_one_plant_with_its_tag_in_both():
    here, there = Camera(), Camera(turned=0.2)
    one, other = taken("a" * 64, "path", here), taken("b" * 64, "path 2", there)
    fruit, others = proposed(here), proposed(there)
    pairs = [(10 + k, 10 + k) for k in range(5)]
    assert likely_pairs(one, fruit, other, others) == pairs
    assert one_side("path", "Path 2")
    assert one_side("path 3", "path 2")
    for sides in (("path", "wall"), ("side 1", "side 2"), ("1", "2"), ("a", "b"), ("", "")):
        assert not one_side(*sides)
    for changed in (
        replace(other, side="wall"),
        replace(other, plant="A1-2"),
        replace(other, survey="2026-07-27"),
        replace(other, tag=None),
    ):
        assert likely_pairs(one, fruit, changed, others) == []


@pytest.fixture(scope="module")
def browser() -> Any:
    with chromium() as started:
        yield started


def test_one_tap_links_the_likely_pairs_and_undo_parts_them(
    browser: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    trial = draw_trial(tmp_path / "trial", Drawn(plants=2))
    told = frames(trial)
    one, other = [each for each in told if each.plant == told[0].plant]
    assert one.likely == ()
    likely = {one.photo: [(1, other.photo, 1), (2, other.photo, 3)]}
    monkeypatch.setattr(frames_module, "_likely", lambda listed, photos: likely)
    with page_on(browser, make_sheet(trial), LAPTOP) as page:
        for _ in range(2):
            page.click("#other")
            if page.is_visible("#pair-likely"):
                break
            page.click("#pair-back")
            page.click("#next")
            page.click("#next")
        assert page.inner_text("#pair-likely") == "Link 2 likely pairs"
        page.click("#pair-likely")
        painted(page)
        assert page.is_hidden("#pair-likely")
        assert "2 pairs linked" in page.inner_text("#pair-said")
        assert page.locator("#pair .letter").count() == 4
        page.click("#pair-undo")
        painted(page)
        assert page.locator("#pair .letter").count() == 0
        assert page.is_visible("#pair-likely")
