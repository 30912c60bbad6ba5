"""Whose fruit it is, on its way from the photo through ledger, count, sheet and export."""

from dataclasses import replace

import numpy as np
import pytest
from test_zone import SIZE, Camera, truss
from trials import Beds, make_trial

from counting.errors import PlanError
from counting.finding.candidates import counted
from counting.finding.in_row import Rows
from counting.finding.proposal import Task, same
from counting.finding.zone import NO_TAGS, Fruit, RowTags, Whose, whose
from counting.flags import Flag
from counting.ledger.facts import Candidate, Photo, Proposal, Tag
from counting.photos.image import Image
from counting.photos.places.remarks import about_neighbours
from counting.plan.form import read_form
from counting.plan.map import map_picture
from counting.plan.questions import Answers, plan_entries
from counting.plan.trial import load_trial, make_plan, plan_text
from counting.review.frames import Frame, doubtful
from counting.review.sheet import SheetOptions, sheet_data
from counting.settings import Settings
from counting.tables import CANDIDATES, frame

CAMERA = Camera()
OWN = CAMERA.tag("A1-1", 0, 90, 1)
NEXT = CAMERA.tag("A1-2", 450, 90, 2)


def candidates(boxes: list[list[float]]):
    """Candidates that are surely fruit."""
    rows = [
        {
            "candidate": number,
            **dict(zip(("x", "y", "width", "height"), box, strict=True)),
            "diameter_px": max(box[2:]),
            "colour": "green",
            "red_share": 0.0,
            "confidence": 0.98,
            "stages": "scorer",
        }
        for number, box in enumerate(boxes)
    ]
    return frame(rows, CANDIDATES)


def leaves() -> Image:
    """A photo that is green all over, a tenth of the full size."""
    rgb = np.full((SIZE[1] // 10, SIZE[0] // 10, 3), (60, 120, 40), dtype=np.uint8)
    return Image(rgb, 10.0, *SIZE)


def test_the_count_and_its_interval_leave_the_neighbours_fruit_out():
    table = candidates(truss(CAMERA, -80, -200) + truss(CAMERA, 370, -200))
    settings = Settings(stages=("scorer",))
    every = counted(table, leaves(), settings, NO_TAGS)
    mine = counted(table, leaves(), settings, RowTags((OWN, NEXT), 450))
    assert every.proposed == 10
    assert mine.proposed == 5
    assert abs(mine.count - every.count / 2) < 0.5
    assert mine.count_high < every.count
    assert Flag.NEIGHBOURS in every.flags
    assert Flag.NEIGHBOURS not in mine.flags
    assert [each.own for each in mine.records()] == [True] * 5 + [False] * 5
    assert {each.neighbour for each in mine.records()[5:]} == {"A1-2"}


def test_fallen_fruit_count_where_the_rule_says_so():
    image = leaves()
    image.rgb[int(SIZE[1] * 0.07) :] = (110, 80, 60)
    table = candidates([*truss(CAMERA, -80, 100), CAMERA.fruit(60, -620)])
    settings = Settings(stages=("scorer",))
    row = RowTags((OWN,), 450)
    assert counted(table, image, settings, row).proposed == 5
    fallen = counted(table, image, settings, replace(row, count_fallen=True))
    assert fallen.proposed == 6
    assert fallen.candidates["whose"].iloc[-1] == "fallen"


def test_no_candidates_give_a_count_of_none():
    found = counted(candidates([]), leaves(), Settings(), RowTags((OWN,), 450))
    assert (found.proposed, found.count) == (0, 0.0)
    assert found.records() == ()


def test_what_is_known_of_a_fruit_comes_back_from_the_ledgers_body():
    one = Candidate(0, 10, 10, 5, 5, 0.9, whose="neighbour", neighbour="A1-2", own_share=0.125)
    zone = ((1.0, 0.0, 2.0, 9.0), (7.0, 0.0, 8.0, 9.0))
    made = Proposal("p", (one,), known="tags", zone=zone, spacing_mm=450.0)
    assert Proposal.of_body(made.to_body()) == made
    assert made.counted == ()


def test_a_body_from_before_the_zone_was_asked_counts_as_it_did():
    body = Proposal("p", (Candidate(0, 10, 10, 5, 5, 0.9),)).to_body()
    for name in ("whose", "neighbour", "own_share"):
        del body["candidates"][0][name]
    for name in ("known", "zone", "spacing_mm"):
        del body[name]
    old = Proposal.of_body(body)
    assert len(old.counted) == 1
    assert old.zone is None


def tag(code: str, number: int) -> Tag:
    """A tag as a photo's record has it."""
    return Tag(code, number, 0.3, corners=OWN.corners)


def test_only_tags_of_the_photos_own_row_part_its_fruit(tmp_path):
    trial = make_trial(tmp_path, Beds(blocks=2, plants_per_plot=2))
    rows = Rows.of(trial)
    photo = Photo("p", "p.jpg", *SIZE, plant="A1-2", tag=tag("A1-2", 1))
    photo = replace(photo, others=(tag("B1-1", 4), tag("A2-1", 2)))
    seen = rows.of_photo(photo).tags
    assert [each.plant for each in seen] == ["A1-2", "A2-1"]
    assert [each.position for each in seen] == [2, 3]


@pytest.mark.parametrize("own", [None, tag("A1-1", 0)])
def test_a_photo_without_its_own_tag_goes_by_those_of_the_next_plants(tmp_path, own):
    rows = Rows.of(make_trial(tmp_path, Beds(blocks=2, plants_per_plot=3)))
    others = (tag("A2-2", 4), tag("A2-1", 3), tag("B1-1", 6))
    photo = Photo("p", "p.jpg", *SIZE, plant="A1-2", tag=own, others=others)
    told = rows.of_photo(photo)
    near = [] if own is None else ["A1-1"]
    assert [each.plant for each in told.tags] == [*near, "A2-1"]
    assert told.position == 2
    assert rows.of_photo(replace(photo, plant="B1-2", others=())).tags == ()


def test_a_photo_without_any_tag_is_taken_to_show_its_plant_in_the_middle(tmp_path):
    plain = make_trial(tmp_path, Beds(blocks=2, plants_per_plot=3))
    tagged = [Photo(f"{n}", "p.jpg", *SIZE, survey="a", plant="A1-2", tag=tag("A1-2", 1))
              for n in range(3)]  # fmt: skip
    hidden = Photo("p", "p.jpg", SIZE[0] // 2, SIZE[1] // 2, survey="b", plant="A1-2")
    assert Rows.of(plain, tagged[:2]).of_photo(hidden).usual_mm_per_px is None
    # half as large a photo shows as much with half the pixels
    row = Rows.of(plain, tagged).of_photo(hidden)
    assert row.usual_mm_per_px == pytest.approx(0.6)
    middle = SIZE[0] / 4
    boxes = np.array([[middle, 300.0, 30.0, 30.0], [middle - 20, 340.0, 30.0, 30.0],
                      [middle + 700, 300.0, 30.0, 30.0]])  # fmt: skip
    fruit = Fruit(boxes, np.ones(3), np.full(3, 0.9), np.zeros(3))
    told = whose(fruit, replace(row, spacing_mm=450.0), (hidden.width, hidden.height))
    assert told.known == "middle"
    left, right = told.borders
    assert right[0] - left[0] == pytest.approx(450 / 0.6, rel=0.02)
    assert (left[0] + right[0]) / 2 == pytest.approx(middle, abs=60)
    assert told.whose[0] is Whose.THIS
    # without the plan's spacing nobody knows how wide the plant's part is
    assert whose(fruit, row, (hidden.width, hidden.height)).borders is None


def test_a_photo_that_does_not_say_whose_its_fruit_are_is_looked_at_by_itself():
    plain = Frame("p", "p.jpg", *SIZE, "a", "A1-1", "g", "", None, "e", (), frozenset(), (), ())
    told = [
        replace(plain, photo=str(number), flags=tuple(each.value for each in flags))
        for number, flags in enumerate(
            [
                (),
                (Flag.NEIGHBOURS,),  # no photo of the trial has a tag: nothing new
                (Flag.NO_TAG, Flag.NEIGHBOURS),
                (Flag.NO_TAG, Flag.TAG_HIDDEN),
            ]
        )
    ]
    assert doubtful(told) == {"2", "3"}


def test_a_photo_comes_back_with_its_other_tags():
    photo = Photo("p", "p.jpg", *SIZE, plant="A1-2", tag=tag("A1-2", 1), others=(tag("A2-1", 2),))
    assert Photo.of_body(photo.to_body()) == photo
    assert "other_tags" not in replace(photo, others=()).to_body()


def test_plants_that_stand_in_a_neighbours_photo_only_are_named():
    photo = Photo("p", "a/A1-2.jpg", *SIZE, plant="A1-2", tag=tag("A1-2", 1))
    photo = replace(photo, others=(tag("A2-1", 2), tag("A1-1", 0)))
    (said,) = about_neighbours(["A2-1", "B1-1"], [photo])
    assert "A2-1 in a/A1-2.jpg." in said
    assert "A1-1" not in said
    assert about_neighbours(["B1-1"], [photo]) == []


def test_another_spacing_in_the_plan_asks_for_new_candidates():
    photo = Photo("p", "p.jpg", *SIZE)
    task = Task.of(photo, Settings(), 10.0, "tomato", RowTags((), 450))
    made = Proposal("p", smallest_mm=10.0, crop="tomato", spacing_mm=600.0)
    made = replace(made, settings=task.settings.hash)
    from counting.finding.proposal import finder_version

    made = replace(made, version=finder_version())
    assert not same(made, task)
    assert same(replace(made, spacing_mm=450.0), task)


@pytest.mark.parametrize("blind", [True, False])
def test_the_sheet_tells_what_is_not_the_plants_and_never_the_neighbours_name(tmp_path, blind):
    trial = make_trial(tmp_path)
    fruit = (
        Candidate(0, 10, 10, 5, 5, 0.9, whose="this plant", own_share=0.97),
        Candidate(1, 90, 10, 5, 5, 0.9, whose="neighbour", neighbour="A1-2", own_share=0.02),
    )
    zone = ((1.0, 0.0, 2.0, 99.0), (70.0, 0.0, 72.0, 99.0))
    one = Frame(
        photo="p",
        file="p.jpg",
        width=100,
        height=100,
        survey="2026-07-01",
        plant="A1-1",
        group="own-rooted",
        side="path",
        truss=None,
        proposal="",
        candidates=fruit,
        shown=frozenset({0, 1}),
        flags=(),
        card=(),
        zone=zone,
    )
    (told,) = sheet_data(trial, SheetOptions(blind=blind), [one])["photos"]
    assert [each[-1] for each in told["candidates"]] == ["", "neighbour"]
    assert told["zone"] == [list(line) for line in zone]
    assert "A1-2" not in str(told)


def test_the_spacing_stands_in_the_plan_and_on_the_map(tmp_path):
    trial = make_trial(tmp_path)
    plan = trial.plan.model_copy(
        update={"layout": trial.plan.layout.model_copy(update={"spacing_mm": 450.0})}
    )
    (tmp_path / "trial.toml").write_text(plan_text(plan), encoding="utf-8")
    again = load_trial(tmp_path)
    assert again.plan.layout.spacing_mm == 450.0
    assert map_picture(again) != map_picture(trial)
    assert "spacing_mm" not in plan_text(trial.plan)


def known(**more):
    return Answers({"groups": ["a", "b"], "control": "a", "allotted_to": "plot", **more})


def test_a_spacing_given_stands_in_the_plan_and_an_unknown_one_does_not():
    assert plan_entries(known(spacing_mm=450.0))["layout"]["spacing_mm"] == 450.0
    assert "spacing_mm" not in plan_entries(known(spacing_mm=0.0))["layout"]
    assert "spacing_mm" not in plan_entries(known())["layout"]


@pytest.mark.parametrize(
    ("typed", "mm"), [("45 cm", 450.0), ("600", 600.0), ("unknown", None), ("", None)]
)
def test_a_spacing_is_read_in_any_unit(typed, mm):
    texts = {"title": "t", "groups": ["a", "b"], "control": "a", "spacing_mm": typed}
    entries, faults = read_form(texts)
    assert not faults
    assert entries["layout"].get("spacing_mm") == mm


def test_a_spacing_that_no_bed_has_is_refused_with_the_mend():
    texts = {"title": "t", "groups": ["a", "b"], "control": "a", "spacing_mm": "4 mm"}
    _, faults = read_form(texts)
    assert "write 45 cm" in faults["spacing_mm"]


def test_a_plan_with_a_spacing_out_of_reach_is_refused(tmp_path):
    plan = make_trial(tmp_path).plan.model_dump(mode="json", exclude_none=True)
    plan["layout"]["spacing_mm"] = 4
    with pytest.raises(PlanError, match="spacing_mm"):
        make_plan(plan, where="trial.toml")
