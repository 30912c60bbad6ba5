"""Fruit grouped into trusses, and fruit sizes, against drawn and rendered truth."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rendered import (
    SMALL_TRUTH,
    found,
    near_plane,
    photos,
    same_grouping,
    scale_errors,
    shows,
    size_errors,
    true_candidates,
    truss_figures,
    wrong_side,
)

from counting.finding.trusses import number_trusses

FRUIT_PX = 30.0


def _candidates(places, confidence=0.9, diameter=FRUIT_PX):
    table = pd.DataFrame(places, columns=["x", "y"], dtype="float64")
    return table.assign(diameter_px=diameter, confidence=confidence)


def _vine(rng, trusses=3, apart_px=260.0):
    """Places of fruit on trusses above one another; y grows downwards."""
    places, numbers = [], []
    for truss in range(1, trusses + 1):
        for _ in range(int(rng.integers(3, 7))):
            x = 300 + rng.uniform(-2, 2) * FRUIT_PX
            places.append((x, 2000 - apart_px * truss + rng.uniform(-1.8, 1.8) * FRUIT_PX))
            numbers.append(truss)
    return _candidates(places), np.array(numbers)


# reckoned by hand from the definition in Hubert & Arabie 1985, J. Classification 2:193
@pytest.mark.parametrize(
    ("one", "two", "index"),
    [
        ([0, 0, 1, 1], [0, 0, 1, 1], 1.0),
        ([0, 0, 1, 1], [1, 1, 0, 0], 1.0),
        ([0, 0, 1, 1], [0, 0, 1, 2], 4 / 7),
        ([0, 0, 1, 1], [0, 1, 0, 1], -0.5),
    ],
)
def test_the_index_of_two_groupings_follows_its_definition(one, two, index):
    assert same_grouping(one, two) == pytest.approx(index)


def test_trusses_are_numbered_from_the_lowest_up():
    candidates, truth = _vine(np.random.default_rng(1))
    assert number_trusses(candidates, 0.5).tolist() == truth.tolist()


def test_drawn_vines_are_grouped_as_they_were_drawn():
    rng = np.random.default_rng(2)
    indices = []
    for _ in range(60):
        candidates, truth = _vine(rng, int(rng.integers(1, 6)))
        indices.append(same_grouping(truth, number_trusses(candidates, 0.5)))
    # a sparse truss now and then falls in two
    assert np.mean(indices) > 0.95


def test_one_close_truss_is_one_truss():
    rng = np.random.default_rng(3)
    places = rng.uniform(-2, 2, (9, 2)) * 200 + 800
    assert set(number_trusses(_candidates(places, diameter=200.0), 0.5)) == {1}


def test_a_scale_joins_the_small_fruit_of_a_young_truss():
    # 8 fruit of 9 mm along 13 cm: nearer together than trusses, though many fruit apart
    places = [(100.0, 1000 + 18.0 * step) for step in range(8)]
    candidates = _candidates(places, diameter=9.0)
    assert set(number_trusses(candidates, 0.5, typical_px=30.0)) == {1}


def test_no_candidates_and_no_sure_ones_give_no_trusses():
    none = number_trusses(_candidates([]), 0.5)
    assert (len(none), str(none.dtype)) == (0, "Int64")
    assert number_trusses(_candidates([(1, 1), (2, 2)], confidence=0.2), 0.5).isna().all()
    assert number_trusses(_candidates([(1, 1)]), 0.5).tolist() == [1]


def test_an_unsure_fruit_joins_the_truss_it_hangs_on_and_a_far_one_none():
    candidates = _candidates([(0, 0), (30, 0), (20, 20), (900, 900)])
    candidates["confidence"] = [0.9, 0.9, 0.2, 0.2]
    assert number_trusses(candidates, 0.5).tolist() == [1, 1, 1, pd.NA]


@given(
    st.lists(st.tuples(st.integers(0, 2000), st.integers(0, 2000)), min_size=1, max_size=30),
    st.randoms(use_true_random=False),
)
def test_the_order_of_the_candidates_and_the_photo_s_scale_change_nothing(places, order):
    table = _candidates(places)
    numbers = number_trusses(table, 0.5)
    assert sorted(set(numbers)) == list(range(1, numbers.max() + 1))
    larger = table.assign(x=table["x"] * 4, y=table["y"] * 4, diameter_px=FRUIT_PX * 4)
    assert number_trusses(larger, 0.5).tolist() == numbers.tolist()


@pytest.fixture(scope="module")
def listed():
    everything = photos()
    if not everything:
        pytest.skip("needs the rendered photos with their truth.json")
    return everything


@pytest.fixture(scope="module")
def looked(listed):
    """Every third rendered photo: its truth and what the finder sees."""
    return [(truth, *found(path)) for path, truth in listed[::3]]


def test_fruit_of_rendered_plants_fall_into_their_trusses(listed):
    figures = truss_figures([(truth, true_candidates(truth)) for _, truth in listed])
    # the aims are 0.90 and 0.85; measured 1.00 and 1.00 on 149 trusses
    assert figures["index"] >= 0.98
    assert figures["within_one"] >= 0.95


@pytest.mark.slow
def test_fruit_found_on_rendered_plants_fall_into_their_trusses(looked):
    figures = truss_figures([(truth, seen.candidates) for truth, seen, _ in looked])
    assert figures["index"] >= 0.95
    # the aim is 0.85; measured 0.83 on all 60 photos, 0.34 exact: no truss is split or joined to
    # another, but 118 of 578 fruit that show are not proposed, 105 of them less than 70 % visible
    assert figures["within_one"] >= 0.7


@pytest.mark.slow
def test_fruit_well_seen_are_proposed_and_half_hidden_ones_are_why_trusses_fall_short(looked):
    there, _ = shows(looked)
    well = there["visible_share"] >= 0.9
    # measured 0.98 of fruit at least 90 % visible, 0.62 of those less than 70 %
    assert there.loc[well, "proposed"].mean() >= 0.9
    missed = there[~there["proposed"]]
    assert (missed["visible_share"] < 0.7).mean() >= 0.7


@pytest.mark.slow
def test_fruit_found_on_photos_of_one_truss_fall_into_their_trusses():
    close = [pair for pair in photos(SMALL_TRUTH) if pair[0].name.startswith("truss-")]
    figures = truss_figures([(truth, found(path)[0].candidates) for path, truth in close])
    # 3 photos with 6 trusses in sight: measured index 1.00, none exact, 5 within one
    assert figures["trusses"] == 6
    assert figures["index"] >= 0.95
    assert figures["within_one"] >= 4 / 6


@pytest.mark.slow
def test_the_tag_gives_the_true_scale_and_its_interval_holds_it(looked):
    scale = scale_errors(looked)
    assert len(scale) == len(looked)
    # measured on all 60 photos: 0.0013 off in the middle, 0.005 at most, every interval holds
    assert scale["error"].abs().median() <= 0.0025
    assert scale["held"].mean() >= 0.95


@pytest.mark.slow
def test_diameters_of_fruit_well_seen_in_the_tag_s_plane_are_right(looked):
    flat = near_plane(size_errors(looked))
    assert len(flat) >= 20
    # the aim is 0.05; measured 0.040 on the 97 such fruit of all 60 photos
    assert flat["error"].abs().median() <= 0.065
    assert abs(flat["error"].median()) <= 0.04


@pytest.mark.slow
def test_fruit_before_the_tag_measure_too_large_and_fruit_behind_it_too_small(looked):
    # one scale for the whole photo: measured +19 % nearer and -13 % farther than 60 mm
    errors = size_errors(looked)
    clear = errors[errors["visible_share"] > 0.9]
    before = clear.loc[clear["depth_from_tag_mm"] < -60, "error"].median()
    behind = clear.loc[clear["depth_from_tag_mm"] > 60, "error"].median()
    assert 0.05 <= before <= 0.30
    assert -0.25 <= behind <= -0.05


@pytest.mark.slow
def test_few_fruit_found_are_on_the_wrong_side_of_the_counting_rule_s_size(looked):
    # measured 21 of 509, 19 of them among the 47 that are truly smaller than 10 mm: size alone
    # keeps about half the fruit that are too small from being counted, so a person has to look
    assert wrong_side(size_errors(looked)).mean() <= 0.07
