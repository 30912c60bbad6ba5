"""What the tool knows of each crop, and that it goes by it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from drawn import LEAF, with_fruit
from PIL import Image as Pillow
from typer.testing import CliRunner

from counting.cli import app
from counting.crops import CROPS, OTHER, TOMATO, crop_of
from counting.finding.picture import COLOURS
from counting.finding.ripeness import ripeness

YELLOW, ORANGE = (225, 200, 80), (225, 140, 40)


@pytest.mark.parametrize("crop", CROPS.values(), ids=str)
def test_the_ways_to_ripe_follow_each_other_and_leave_leaf_green_out(crop):
    ripe, turning = crop.ripe_hues, crop.turning_hues
    assert ripe[0] < ripe[1] == turning[0] < turning[1] <= 110
    assert crop.diameter_mm[0] < crop.typical_mm < crop.diameter_mm[1]


@pytest.mark.parametrize("crop", CROPS.values(), ids=str)
def test_a_ring_can_be_drawn_in_every_colour_that_a_crop_takes(crop):
    assert {"green", "turning", crop.ripe_colour} <= set(COLOURS)


def test_a_plan_names_its_crop_by_one_or_several_fruit_in_any_letters():
    assert crop_of("Tomato") is crop_of(" tomatoes ") is TOMATO
    assert crop_of("cherries") is CROPS["cherry"]


def test_a_crop_without_an_entry_is_taken_as_other():
    assert crop_of("aubergine") is OTHER


def ball(colour):
    leaf = np.full((120, 120, 3), LEAF, dtype=np.uint8)
    return with_fruit(leaf, [(60, 60, 40, colour)])


def test_a_yellow_fruit_is_a_ripe_pear_and_an_unripe_tomato():
    photo = ball(YELLOW).astype(np.float32) / 255
    assert ripeness(photo, 60, 60, (80, 80), crop=CROPS["pear"]).colour == "yellow"
    assert ripeness(photo, 60, 60, (80, 80), crop=TOMATO).colour == "green"


def test_an_orange_fruit_is_on_its_way_for_a_cherry_too():
    photo = ball(ORANGE).astype(np.float32) / 255
    for name in ("tomato", "cherry"):
        assert ripeness(photo, 60, 60, (80, 80), crop=CROPS[name]).colour == "turning"


def look(*arguments):
    return CliRunner().invoke(app, ["look", *map(str, arguments), "--stages", "colour,blobs"])


def test_look_goes_by_the_crop_named(tmp_path: Path):
    photo = tmp_path / "pears.png"
    Pillow.fromarray(ball(YELLOW)).save(photo)
    colours = {}
    for crop in ("tomato", "pear"):
        done = look(photo, "--crop", crop, "--json", "-")
        assert done.exit_code == 0
        [seen] = json.loads(done.stdout)
        colours[crop] = seen["candidates"][0]["colour"]
    assert colours == {"tomato": "green", "pear": "yellow"}


def test_look_refuses_a_crop_that_has_no_entry_and_lists_those_that_have(tmp_path: Path):
    photo = tmp_path / "a.png"
    Pillow.fromarray(ball(YELLOW)).save(photo)
    done = look(photo, "--crop", "tomatoe")
    assert done.exit_code != 0
    assert "no crop called tomatoe" in str(done.exception)
    assert "strawberry" in str(done.exception)
