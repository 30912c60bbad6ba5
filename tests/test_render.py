"""The rendered photos against their truth; the renderer itself runs only where it is installed."""

from __future__ import annotations

import csv
import importlib
import importlib.util
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from types import ModuleType
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps

ROOT = Path(__file__).parents[1]
RENDER = ROOT / "fixtures" / "render"
DEMO = ROOT / "demo_images"
SMALL = ROOT / "fixtures" / "rendered"
ORIENTATION, EXIF_PART, TAKEN, OFFSET = 0x0112, 0x8769, 0x9003, 0x9011
SETS = {"demo": DEMO, "small": SMALL}

Photo = dict[str, Any]


def photos_of(folder: Path) -> list[Photo]:
    """Return the truth of every photo in a folder."""
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    return list(truth["photos"])


@lru_cache(maxsize=1)
def upright(file: Path) -> np.ndarray:
    """Return a photo's pixels, turned as its EXIF says."""
    with Image.open(file) as image:
        return np.asarray(ImageOps.exif_transpose(image).convert("RGB"))


def corners(box: list[float]) -> tuple[float, float, float, float]:
    """Return left, top, right, bottom of [centre x, centre y, width, height]."""
    x, y, width, height = box
    return x - width / 2, y - height / 2, x + width / 2, y + height / 2


def whole_box(fruit: dict[str, Any]) -> list[float]:
    """Return the box of the whole fruit."""
    return [fruit["x"], fruit["y"], fruit["width"], fruit["height"]]


def seen_fruit(photos: list[Photo], share: float = 0.0) -> Iterator[tuple[Photo, dict[str, Any]]]:
    """Yield the fruit of which more than `share` is seen."""
    for photo in photos:
        for fruit in photo["fruit"]:
            if fruit["visible_share"] > share:
                yield photo, fruit


def table(file: Path) -> list[dict[str, str]]:
    """Return a CSV file's rows."""
    with file.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


@pytest.fixture
def invented(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """Return the module that draws the invented trial."""
    monkeypatch.syspath_prepend(str(RENDER))
    return importlib.import_module("invented")


@pytest.mark.parametrize("folder", SETS.values(), ids=SETS)
def test_every_photo_told_of_is_there_in_the_size_told(folder: Path) -> None:
    photos = photos_of(folder)
    assert {p["file"] for p in photos} == {
        f.relative_to(folder).as_posix() for f in folder.rglob("*.jpg")
    }
    for photo in photos:
        height, width = upright(folder / photo["file"]).shape[:2]
        assert (width, height) == (photo["width"], photo["height"]), photo["file"]


@pytest.mark.parametrize("folder", SETS.values(), ids=SETS)
def test_outlines_lie_in_their_visible_boxes_and_these_in_the_whole_boxes(folder: Path) -> None:
    found = 0
    for photo, fruit in seen_fruit(photos_of(folder)):
        left, top, right, bottom = corners(fruit["visible_box"])
        outline = np.array(fruit["outline"], dtype=float)
        assert left <= outline[:, 0].min()
        assert outline[:, 0].max() <= right
        assert top <= outline[:, 1].min()
        assert outline[:, 1].max() <= bottom
        whole = corners(whole_box(fruit))
        assert left >= whole[0] - 1.1
        assert top >= whole[1] - 1.1
        assert right <= whole[2] + 1.1
        assert bottom <= whole[3] + 1.1
        assert left >= -0.5
        assert right <= photo["width"] - 0.5
        assert top >= -0.5
        assert bottom <= photo["height"] - 0.5
        found += 1
    assert found > 20


@pytest.mark.parametrize("folder", SETS.values(), ids=SETS)
def test_a_fruit_of_which_nothing_is_seen_has_no_outline(folder: Path) -> None:
    for photo in photos_of(folder):
        for fruit in photo["fruit"]:
            assert (fruit["outline"] is None) == (fruit["visible_share"] == 0)
            assert 0 <= fruit["visible_share"] <= 1


@pytest.mark.parametrize("folder", SETS.values(), ids=SETS)
def test_boxes_lie_on_fruit_coloured_pixels(folder: Path) -> None:
    right = total = 0
    for photo, fruit in seen_fruit(photos_of(folder), 0.6):
        if photo["light"] == "flash" or fruit["width"] < 16:
            continue
        picture = upright(folder / photo["file"])
        mask = np.zeros(picture.shape[:2], np.uint8)
        cv2.fillPoly(mask, [np.array(fruit["outline"], np.int32)], 1)
        red, green, blue = np.median(picture[mask > 0], axis=0)
        if fruit["red_share"] > 0.9:
            right += red > 1.5 * green and red > 1.5 * blue
        elif fruit["red_share"] < 0.1:
            right += green > red and green > 1.15 * blue
        else:
            right += max(red, green) > 1.15 * blue
        total += 1
    assert total > 10
    assert right / total > 0.95, f"{right} of {total}"


@pytest.mark.parametrize("folder", SETS.values(), ids=SETS)
def test_the_box_times_the_scale_at_its_depth_is_the_diameter(folder: Path) -> None:
    errors = []
    for photo, fruit in seen_fruit(photos_of(folder)):
        focal = photo["camera"]["focal_px"]
        off_axis = np.hypot(fruit["x"] - photo["width"] / 2, fruit["y"] - photo["height"] / 2)
        if off_axis > 0.3 * focal:  # a wide lens draws round things long near the edge
            continue
        depth = photo["camera"]["distance_to_tag_mm"] + fruit["depth_from_tag_mm"]
        across = max(fruit["width"], fruit["height"]) * depth / focal
        errors.append(across / fruit["diameter_mm"] - 1)
    assert len(errors) >= 20
    assert np.median(np.abs(errors)) < 0.02
    assert np.quantile(np.abs(errors), 0.95) < 0.06


@pytest.mark.parametrize("folder", SETS.values(), ids=SETS)
def test_the_tag_in_the_photo_is_the_plants_own_and_lies_where_the_truth_says(folder: Path) -> None:
    if folder == DEMO:
        tags = {row["code"]: int(row["tag"]) for row in table(DEMO / "plants.csv")}
    words = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    rules = cv2.aruco.DetectorParameters()
    rules.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    reader = cv2.aruco.ArucoDetector(words, rules)
    read, off = 0, []
    photos = photos_of(folder)
    for photo in photos:
        number = tags[photo["plant"]] if folder == DEMO else photo["tag_number"]
        found, ids, _ = reader.detectMarkers(upright(folder / photo["file"])[..., ::-1].copy())
        if ids is None:
            continue
        assert ids.ravel().tolist() == [number], photo["file"]
        off.append(np.abs(found[0][0] - np.array(photo["tag"]["corners"])).max())
        assert off[-1] < 3.5, photo["file"]
        read += 1
    assert np.median(off) < 1.3  # the white card glows over the marker's edge, as in any photo
    assert read >= 0.9 * len(photos), f"{read} of {len(photos)}"


def test_the_tag_hides_no_fruit() -> None:
    for photo, fruit in seen_fruit([*photos_of(DEMO), *photos_of(SMALL)], -1.0):
        card = np.array(photo["tag"]["card"])
        left, top, right, bottom = corners(whole_box(fruit))
        apart = (
            right < card[:, 0].min() + 1
            or left > card[:, 0].max() - 1
            or bottom < card[:, 1].min() + 1
            or top > card[:, 1].max() - 1
        )
        assert apart, photo["file"]


def test_bare_leaves_and_green_trusses_are_among_the_small_photos() -> None:
    photos = {p["file"]: p for p in photos_of(SMALL)}
    assert photos["leaves-only.jpg"]["fruit"] == []
    green = photos["truss-green.jpg"]["fruit"]
    assert len(green) >= 3
    assert {f["colour"] for f in green if f["visible_share"] > 0.3} == {"green"}


def test_a_fruit_seen_from_both_sides_is_the_same_fruit() -> None:
    by_view: dict[tuple[str, str], dict[str, dict[int, float]]] = {}
    for photo in photos_of(DEMO):
        sizes = {f["id"]: f["diameter_mm"] for f in photo["fruit"]}
        by_view.setdefault((photo["survey"], photo["plant"]), {})[photo["side"]] = sizes
    both = [sides for sides in by_view.values() if len(sides) == 2]
    assert len(both) == 12
    for sides in both:
        shared = sides["path"].keys() & sides["wall"].keys()
        assert shared
        assert all(sides["path"][k] == sides["wall"][k] for k in shared)


def test_a_fruit_never_shrinks_between_the_surveys() -> None:
    plants = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))["plants"]
    for plant in plants.values():
        first, second = (
            {f["id"]: f["diameter_mm"] for f in survey["fruit"]}
            for survey in plant["surveys"].values()
        )
        assert first.keys() <= second.keys()
        assert all(second[k] >= size for k, size in first.items())


def test_the_truth_counts_each_plants_fruit_as_its_list_does() -> None:
    truth = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))
    for plant in truth["plants"].values():
        for survey in plant["surveys"].values():
            large = sum(f["diameter_mm"] >= truth["smallest_fruit_mm"] for f in survey["fruit"])
            assert large == survey["fruit_from_10_mm"]


def test_hand_tallies_of_fruit_are_the_true_counts_in_both_groups() -> None:
    truth = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))["plants"]
    rows = [row for row in table(DEMO / "tallies.csv") if row["measure"] == "fruit"]
    assert len(rows) == 8
    assert {truth[row["plant"]]["group"] for row in rows} == {"own-rooted", "grafted"}
    for row in rows:
        true = truth[row["plant"]]["surveys"][row["survey"]]["fruit_from_10_mm"]
        assert int(row["value"]) == true


def test_drawing_the_trial_again_gives_the_plants_of_the_demo(invented: ModuleType) -> None:
    truth = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))["plants"]
    vines = invented.draw_vines()
    assert [v.code for v in vines] == [row["code"] for row in table(DEMO / "plants.csv")]
    for vine in vines:
        surveys = list(truth[vine.code]["surveys"].values())
        assert [vine.countable_at(k) for k in (0, 1)] == [s["fruit_from_10_mm"] for s in surveys]


def test_the_photos_carry_the_time_and_some_are_stored_on_their_side() -> None:
    turned = 0
    for photo in photos_of(DEMO):
        with Image.open(DEMO / photo["file"]) as image:
            exif = image.getexif()
        inner = exif.get_ifd(EXIF_PART)
        assert inner[TAKEN].startswith(photo["survey"].replace("-", ":"))
        assert inner[OFFSET] == "+02:00"
        turned += exif[ORIENTATION] == 6
    assert 3 <= turned <= 12


def test_the_pictures_stay_small() -> None:
    def megabytes(folder: Path) -> float:
        return sum(f.stat().st_size for f in folder.rglob("*") if f.is_file()) / 1e6

    assert megabytes(DEMO) <= 13.5
    assert megabytes(SMALL) < 2.0


@pytest.mark.slow
def test_the_renderer_makes_a_tiny_photo(tmp_path: Path) -> None:
    python = os.environ.get("RENDER_PYTHON")
    if python is None and importlib.util.find_spec("bpy") is None:
        pytest.skip("bpy is not installed and RENDER_PYTHON names no Python that has it")
    make = [python or sys.executable, str(RENDER / "make.py"), "tiny", "--work", str(tmp_path)]
    done = subprocess.run(make, capture_output=True, text=True, timeout=900, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    truth = json.loads((tmp_path / "tiny.json").read_text(encoding="utf-8"))
    assert (truth["width"], truth["height"]) == (168, 224)
    assert sum(f["visible_share"] > 0.2 for f in truth["fruit"]) >= 3
    assert truth["tag"]["visible_share"] > 0.9
