"""Whose fruit is it: rows of plants drawn through a pinhole camera, so that the truth is known."""

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from counting.finding.zone import MIDDLE, Fruit, RowTags, TagSeen, Whose, on_ground, whose

SIZE = (3000, 4000)
FOCAL = 0.75 * 4000
MARKER_MM = 40.0


@dataclass(frozen=True)
class Camera:
    """A phone `away` mm before the row, `turned` radians from square on, level with the tags."""

    away: float = 1000.0
    turned: float = 0.0

    def project(self, along: float, up: float, nearer: float = 0.0) -> tuple[float, float, float]:
        """Return x, y in px and the depth in mm of a point of the row."""
        eye = self.away * np.array([np.sin(self.turned), -np.cos(self.turned)])
        ahead = -eye / self.away
        right = np.array([-ahead[1], ahead[0]]) * -1
        offset = np.array([along, -nearer]) - eye
        depth = float(offset @ ahead)
        x = (SIZE[0] - 1) / 2 + FOCAL * float(offset @ right) / depth
        y = (SIZE[1] - 1) / 2 - FOCAL * up / depth
        return x, y, depth

    def tag(self, plant: str, along: float, up: float, position: int | None = None) -> TagSeen:
        """A tag whose card stands with its middle there, facing the path."""
        # the marker's middle is 35 mm left of and 20 mm above the card's
        x, y, half = along - 35, up + 20, MARKER_MM / 2
        corners = [(-half, half), (half, half), (half, -half), (-half, -half)]
        places = [self.project(x + a, y + b)[:2] for a, b in corners]
        return TagSeen(plant, tuple(places), position)

    def fruit(self, along: float, up: float, size_mm: float = 35, nearer: float = 0) -> list[float]:
        """A fruit's box."""
        x, y, depth = self.project(along, up, nearer)
        return [x, y, FOCAL * size_mm / depth, FOCAL * size_mm / depth]


def seen(boxes: list[list[float]], red: float = 0.0) -> Fruit:
    """Candidates that are surely fruit and lie on no ground."""
    count = len(boxes)
    array = np.array(boxes, dtype=np.float64).reshape(count, 4)
    return Fruit(array, np.full(count, red), np.full(count, 0.95), np.zeros(count))


def truss(camera: Camera, stem: float, up: float) -> list[list[float]]:
    """Five grown fruit that hang about a stem."""
    return [camera.fruit(stem + dx, up + dy) for dx, dy in
            [(-40, 0), (0, -30), (35, 5), (-10, 40), (25, -60)]]  # fmt: skip


def row(camera: Camera, spacing: float, stems: float = -80.0) -> list[list[float]]:
    """Two trusses on each of three plants; stems stand `stems` mm beside their tags."""
    return [
        box
        for plant in (-1, 0, 1)
        for up in (-250, -60)
        for box in truss(camera, plant * spacing + stems, up)
    ]


@pytest.mark.parametrize("turned", [0.0, 0.52, -0.52])
@pytest.mark.parametrize("spacing", [450.0, 600.0])
def test_with_tags_on_all_plants_every_fruit_goes_to_its_plant(turned: float, spacing: float):
    camera = Camera(turned=turned)
    tags = [camera.tag(f"A1-{2 + k}", k * spacing, 90, 2 + k) for k in (0, -1, 1)]
    zone = whose(seen(row(camera, spacing)), RowTags(tuple(tags), spacing), SIZE)
    assert zone.known == "tags"
    assert zone.whose == (Whose.NEIGHBOUR,) * 10 + (Whose.THIS,) * 10 + (Whose.NEIGHBOUR,) * 10
    assert zone.names == ("A1-1",) * 10 + ("",) * 10 + ("A1-3",) * 10
    assert abs(zone.own.sum() - 10) < 0.3


def test_one_tag_and_the_spacing_tell_neighbours_whom_nobody_names():
    camera = Camera(turned=0.4)
    zone = whose(seen(row(camera, 450)), RowTags((camera.tag("A1-2", 0, 90, 2),), 450), SIZE)
    assert zone.known == "spacing"
    assert [word is Whose.THIS for word in zone.whose] == [False] * 10 + [True] * 10 + [False] * 10
    assert set(zone.names) == {""}


def test_borders_lie_half_way_between_the_stems_not_between_the_tags():
    camera = Camera()
    tags = [camera.tag(f"A1-{2 + k}", k * 500, 90, 2 + k) for k in (0, -1, 1)]
    zone = whose(seen(row(camera, 500, stems=-100)), RowTags(tuple(tags), 500), SIZE)
    assert zone.borders is not None
    for border, plant in zip(zone.borders, (-0.5, 0.5), strict=True):
        true = camera.project(plant * 500 - 100, 0)[0]
        assert abs((border[0] + border[2]) / 2 - true) < 0.05 * FOCAL * 500 / 1000
        assert (border[1], border[3]) == (0.0, SIZE[1] - 1)


def test_a_plant_without_tag_between_two_tags_keeps_its_fruit():
    camera = Camera()
    tags = [camera.tag("A1-2", 0, 90, 2), camera.tag("A1-4", 900, 60, 4)]
    zone = whose(seen(row(camera, 450)), RowTags(tuple(tags), None), SIZE)
    assert zone.whose[20:] == (Whose.NEIGHBOUR,) * 10
    assert set(zone.names[20:]) == {""}


def test_from_the_other_side_of_the_row_positions_run_from_right_to_left():
    camera = Camera()
    tags = [camera.tag(f"A1-{2 - k}", k * 450, 90, 2 - k) for k in (0, -1, 1)]
    zone = whose(seen(row(camera, 450)), RowTags(tuple(tags), 450), SIZE)
    assert zone.names[:10] == ("A1-3",) * 10
    assert zone.names[20:] == ("A1-1",) * 10


def test_without_a_plan_two_tags_part_the_fruit_half_way():
    camera = Camera()
    tags = [camera.tag("tag 7", 0, 90), camera.tag("tag 8", 500, 90)]
    zone = whose(seen(row(camera, 500)), RowTags(tuple(tags), None), SIZE)
    assert zone.whose[10:] == (Whose.THIS,) * 10 + (Whose.NEIGHBOUR,) * 10


def test_one_tag_without_spacing_leaves_the_neighbours_open():
    camera = Camera()
    zone = whose(seen(row(camera, 450)), RowTags((camera.tag("A1-2", 0, 90),), None), SIZE)
    assert zone.known == "photo"
    assert zone.borders is None
    assert set(zone.whose) == {Whose.UNKNOWN}


def test_a_loose_photo_with_only_the_next_plants_tag_is_of_the_plant_in_its_middle():
    camera = Camera()
    fruit = seen(row(camera, 450))
    zone = whose(fruit, RowTags((camera.tag("tag 7", -450, 90),), 450), SIZE)
    assert zone.known == MIDDLE
    assert zone.whose[10:20] == (Whose.THIS,) * 10
    assert zone.names[:10] == ("tag 7",) * 10
    beside = whose(fruit, RowTags((camera.tag("tag 8", 150, 90),), 450), SIZE)
    assert beside.known == "spacing"


def test_without_a_tag_everything_counts_and_nobody_knows_whose():
    zone = whose(seen(row(Camera(), 450)), RowTags((), 450), SIZE)
    assert zone.known == "photo"
    assert set(zone.whose) == {Whose.UNKNOWN}
    assert (zone.own == 1).all()


def test_small_red_fruit_near_the_height_of_the_lens_hang_behind():
    camera = Camera()
    own = truss(camera, -80, -250)
    far = [camera.fruit(dx, 90 + dy, 32, -1200) for dx, dy in [(-60, 0), (-20, 30), (20, -20)]]
    zone = whose(seen(own + far, red=0.9), RowTags((camera.tag("A1-2", 0, 300, 2),), 450), SIZE)
    assert zone.whose == (Whose.THIS,) * 5 + (Whose.BEHIND,) * 3


def test_a_photo_without_candidates_still_has_its_borders():
    camera = Camera()
    zone = whose(seen([]), RowTags((camera.tag("A1-2", 0, 90, 2),), 450), SIZE)
    assert zone.own.shape == (0,)
    assert zone.whose == zone.names == ()
    assert zone.borders is not None


@settings(max_examples=40, deadline=None)
@given(
    turned=st.floats(-0.6, 0.6),
    spacing=st.floats(300, 900),
    beside=st.floats(-130, 130),
    up=st.floats(-200, 300),
)
def test_shares_are_shares_wherever_the_phone_is_held(
    turned: float, spacing: float, beside: float, up: float
):
    camera = Camera(turned=turned)
    tags = [camera.tag("A1-2", 0, up, 2), camera.tag("A1-3", spacing, up, 3)]
    zone = whose(seen(row(camera, spacing, beside)), RowTags(tuple(tags), spacing), SIZE)
    assert ((zone.own >= 0) & (zone.own <= 1)).all()
    assert zone.borders is not None
    left, right = zone.borders
    assert left[0] < right[0]
    assert left[2] < right[2]


def soil_with_leaves() -> np.ndarray:
    """A photo of 300 x 400 px: leaves above, bare brown soil below."""
    photo = np.full((400, 300, 3), (110, 80, 60), dtype=np.uint8)
    photo[:250] = (60, 120, 40)
    return photo


def test_a_fruit_on_bare_soil_has_fallen_and_one_among_leaves_has_not():
    chance = on_ground(soil_with_leaves(), np.array([[150, 370, 20, 20], [150, 150, 20, 20]]))
    assert chance[0] > 0.9
    assert chance[1] < 0.1


def test_a_bunch_that_hangs_before_the_soil_has_not_fallen():
    photo = soil_with_leaves()
    photo[290:330, 146:154] = (60, 120, 40)  # the stalk of the upper fruit
    photo[325:330, 130:170] = (60, 120, 40)
    boxes = np.array([[150, 340, 24, 24], [150, 362, 24, 24], [60, 372, 24, 24]])
    chance = on_ground(photo, boxes)
    assert chance[1] <= chance[0] < 0.5
    assert chance[2] > 0.9


def test_no_fruit_no_ground():
    assert on_ground(soil_with_leaves(), np.empty((0, 4))).shape == (0,)


@pytest.mark.parametrize("turned", [0.0, 0.35])
@pytest.mark.parametrize("tagged", [(-1,), (1,), (-1, 1)])
def test_where_its_own_tag_is_hidden_the_next_plants_tags_tell_where_the_plant_stands(
    turned: float, tagged: tuple[int, ...]
):
    camera = Camera(turned=turned)
    tags = tuple(camera.tag(f"A1-{2 + k}", k * 450, 90, 2 + k) for k in tagged)
    zone = whose(seen(row(camera, 450)), RowTags(tags, 450, position=2), SIZE)
    assert zone.known == ("tags" if len(tagged) > 1 else "spacing")
    assert zone.whose == (Whose.NEIGHBOUR,) * 10 + (Whose.THIS,) * 10 + (Whose.NEIGHBOUR,) * 10


def test_a_tag_in_the_middle_that_names_the_next_plant_may_hang_on_the_wrong_one():
    camera = Camera()
    tags = (camera.tag("A1-3", 0, 90, 3),)
    zone = whose(seen(row(camera, 450)), RowTags(tags, 450, position=2), SIZE)
    assert zone.borders is None
