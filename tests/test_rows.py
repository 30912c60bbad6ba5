"""Figures on rendered rows: what counts as whose, on a truth written by hand."""

import numpy as np
import pytest
from test_whose import candidates
from test_zone import SIZE

from counting.accuracy.rows import RowPhoto, row_figures, seen_rows
from counting.errors import CountingError
from counting.finding.candidates import Found
from counting.finding.zone import Zone
from counting.settings import Settings

OWN, NEXT, BEHIND, FALLEN, LEAF = (
    [500.0, 500.0, 40.0, 40.0],
    [900.0, 500.0, 40.0, 40.0],
    [700.0, 300.0, 20.0, 20.0],
    [500.0, 990.0, 40.0, 40.0],
    [100.0, 100.0, 30.0, 30.0],
)


def fruit(box: list[float], whose: str, **more: object) -> dict[str, object]:
    """A fruit of the truth."""
    told = dict(zip(("x", "y", "width", "height"), box, strict=True))
    return told | {"whose": whose, "visible_share": 0.9, "diameter_mm": 30.0} | more


def photo(shares: list[float]) -> RowPhoto:
    """Five candidates of which a way says how likely each is the plant's own."""
    table = candidates([OWN, NEXT, BEHIND, FALLEN, LEAF])
    table["own_share"] = np.array(shares)
    truth = {
        "width": SIZE[0],
        "height": SIZE[1],
        "skin": [[[80, 80], [120, 80], [120, 120], [80, 120]]],
        "fruit": [
            fruit(OWN, "this"),
            fruit(NEXT, "neighbour"),
            fruit(BEHIND, "behind"),
            fruit(FALLEN, "fallen"),
            fruit([1500, 1500, 40, 40], "this"),
            fruit([1600, 1500, 40, 40], "this", visible_share=0.1),
            fruit([1700, 1500, 12, 12], "this", diameter_mm=8.0),
        ],
    }
    nobody = Zone("photo", None, np.array(shares), (), ())
    return RowPhoto(truth, {"way": Found(table, 1, 3.0, 1, 5, (), nobody, 0.0)})


def test_everything_counted_counts_strangers_fallen_fruit_and_leaves():
    figures = row_figures([photo([1, 1, 1, 1, 1])], "way", Settings())
    assert (figures.own, figures.strangers, figures.fallen) == (1, 2, 1)
    assert (figures.lost, figures.no_fruit, figures.on_skin) == (0, 1, 1)
    assert figures.taps == 1 + 4 + 1  # next; four rings too many; one fruit without a ring


def test_a_way_that_tells_whose_is_whose_counts_the_plants_fruit_alone():
    figures = row_figures([photo([0.9, 0.1, 0.2, 0, 0])], "way", Settings())
    assert (figures.own, figures.strangers, figures.fallen, figures.lost) == (1, 0, 0, 0)
    assert figures.taps == 2


def test_an_own_fruit_that_is_not_counted_is_lost():
    assert row_figures([photo([0.4, 0, 0, 0, 0])], "way", Settings()).lost == 1


def test_the_count_is_held_against_fruit_that_show_and_are_large_enough():
    figures = row_figures([photo([1, 0, 0, 0, 0])], "way", Settings())
    assert figures.errors.tolist() == [(3.0 - 2) / 2]
    assert figures.held == 1.0


def test_a_folder_without_its_truth_says_how_to_make_it(tmp_path):
    with pytest.raises(CountingError, match=r"make\.py rows"):
        seen_rows([tmp_path], Settings())


def test_a_fruit_beside_one_that_is_taken_is_matched_all_the_same():
    # the second candidate's middle is nearer to the first fruit, which the first candidate has
    table = candidates([[500.0, 500.0, 40.0, 40.0], [508.0, 500.0, 40.0, 40.0]])
    table["own_share"] = 1.0
    boxes = [[500.0, 500.0, 40.0, 40.0], [520.0, 500.0, 40.0, 40.0]]
    truth = {"width": SIZE[0], "height": SIZE[1], "fruit": [fruit(box, "this") for box in boxes]}
    nobody = Zone("photo", None, np.ones(2), (), ())
    found = Found(table, 2, 2.0, 1, 3, (), nobody, 0.0)
    figures = row_figures([RowPhoto(truth, {"way": found})], "way", Settings())
    assert (figures.own, figures.no_fruit) == (2, 0)
