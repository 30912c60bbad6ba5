"""The randomisation test: exact counts, blocks, draws."""

from __future__ import annotations

from itertools import combinations
from math import comb

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from references import dataset, expected
from scipy.stats import chisquare

from counting.analysis.compare import compare
from counting.analysis.methods.randomisation import _drawn_sets, randomisation_test
from counting.analysis.question import Question


def test_the_sleep_data_give_the_enumerated_p_with_and_without_pairs() -> None:
    # Student (1908); counts of arrangements by enumeration, cross-checked with exactRankTests
    table = dataset("datasets", "sleep", "extra", "group")
    published = expected("sleep-permutation")
    (unpaired,) = compare(table, Question("extra", control="1")).comparisons
    assert unpaired.randomisation.arrangements == published["unpaired_all_splits"]
    share = published["unpaired_as_extreme"] / published["unpaired_all_splits"]
    assert unpaired.randomisation.p == pytest.approx(share, abs=1e-12)
    blocked = table.rename(columns={"ID": "block"})
    (paired,) = compare(blocked, Question("extra", control="1")).comparisons
    assert paired.randomisation.arrangements == published["paired_sign_flips"]
    assert paired.randomisation.p == pytest.approx(published["p_paired"], abs=1e-15)


def test_plant_growth_gives_the_enumerated_p() -> None:
    table = dataset("datasets", "PlantGrowth", "weight", "group")
    found = compare(table, Question("weight", control="ctrl"))
    p = [contrast.randomisation.p for contrast in found.comparisons]
    assert p == pytest.approx(expected("plantgrowth-permutation")["p"], abs=1e-12)
    assert all(contrast.randomisation.exact for contrast in found.comparisons)


def by_enumeration(values: list[int], treated: int) -> float:
    total, n = sum(values), len(values)
    real = abs(sum(values[:treated]) * n - total * treated)
    picks = list(combinations(values, treated))
    return sum(abs(sum(pick) * n - total * treated) >= real for pick in picks) / len(picks)


@settings(deadline=None)
@given(st.lists(st.integers(0, 9), min_size=3, max_size=9), st.data())
def test_the_exact_count_is_that_of_enumeration(values: list[int], pick: st.DataObject) -> None:
    taken = pick.draw(st.integers(1, len(values) - 1))
    treated = np.arange(len(values)) < taken
    found = randomisation_test(np.array(values, "float64"), treated, None, draws=100, seed=1)
    assert found.exact
    assert found.p == pytest.approx(by_enumeration(values, taken), abs=1e-12)


@settings(deadline=None)
@given(st.lists(st.integers(0, 50), min_size=4, max_size=12), st.integers(1, 7))
def test_values_that_are_means_of_plants_lose_no_ties(values: list[int], plants: int) -> None:
    treated = np.arange(len(values)) % 2 == 0
    whole = randomisation_test(np.array(values, "float64"), treated, None, draws=100, seed=1)
    means = randomisation_test(np.array(values) / plants, treated, None, draws=100, seed=1)
    assert means.exact
    assert means.p == pytest.approx(whole.p, abs=1e-12)


def test_four_blocks_of_two_plots_cannot_give_a_small_p_and_it_says_so() -> None:
    table = dataset("datasets", "sleep", "extra", "group").rename(columns={"ID": "block"})
    few = table[table["block"].astype(int) <= 4]
    found = compare(few, Question("extra", control="1"))
    assert found.comparisons[0].randomisation.smallest_p == 2 / 16
    assert any("16 ways" in text and "0.125" in text for text in found.cautions)


def test_the_order_of_the_table_changes_nothing() -> None:
    table = dataset("datasets", "sleep", "extra", "group").rename(columns={"ID": "block"})
    shuffled = table.sample(frac=1, random_state=3)
    first = compare(table, Question("extra", control="1")).comparisons[0].randomisation
    assert compare(shuffled, Question("extra", control="1")).comparisons[0].randomisation == first


def test_a_large_trial_is_drawn_at_random_with_the_seed_kept() -> None:
    rng = np.random.default_rng(11)
    values = rng.normal(size=400)
    treated = np.arange(400) % 2 == 0
    found = randomisation_test(values, treated, None, draws=10_000, seed=5)
    assert not found.exact
    assert (found.draws, found.seed) == (10_000, 5)
    assert found.p == randomisation_test(values, treated, None, draws=10_000, seed=5).p
    # against the normal limit of the randomisation distribution
    t = (values[treated].mean() - values[~treated].mean()) / (values.std(ddof=1) * (2 / 200) ** 0.5)
    from scipy.stats import norm

    assert found.p == pytest.approx(2 * norm.sf(abs(t)), abs=0.015)


@settings(deadline=None, max_examples=30)
@given(st.integers(1, 30), st.data())
def test_drawn_sets_have_their_size(n: int, pick: st.DataObject) -> None:
    taken = pick.draw(st.integers(0, n))
    sets = _drawn_sets(np.random.default_rng(n), n, taken, 50)
    assert sets.shape == (50, n)
    assert set(np.unique(sets)) <= {0.0, 1.0}
    assert np.all(sets.sum(axis=1) == taken)


@pytest.mark.parametrize("taken", [1, 2, 3, 4])
def test_all_sets_are_drawn_equally_often(taken: int) -> None:
    sets = _drawn_sets(np.random.default_rng(6), 5, taken, 40_000)
    times = np.unique(sets @ 2.0 ** np.arange(5), return_counts=True)[1]
    assert len(times) == comb(5, taken)
    # chi-squared of equal frequencies
    assert chisquare(times).pvalue > 0.001


def test_draws_keep_to_the_blocks() -> None:
    # irrational values defeat the exact count; blocks of two give 2**12 arrangements
    rng = np.random.default_rng(2)
    values = rng.normal(size=24) + np.repeat(rng.normal(size=12) * 100, 2)
    treated = np.tile([True, False], 12)
    blocks = [str(block) for block in np.repeat(np.arange(12), 2)]
    found = randomisation_test(values, treated, blocks, draws=20_000, seed=9)
    signs = np.array([[1 - 2 * (pick >> bit & 1) for bit in range(12)] for pick in range(4096)])
    differences = values[::2] - values[1::2]
    real = abs(differences.sum())
    exact = (np.abs(signs @ differences) >= real - 1e-9).mean()
    assert found.p == pytest.approx(exact, abs=0.012)
    assert found.arrangements == 4096


def test_unequal_blocks_are_centred_on_what_the_draw_expects() -> None:
    # one of three treated in block a, two of three in block b: 9 arrangements, by hand
    values = np.array([1.0, 2.0, 3.0, 10.0, 20.0, 30.0])
    treated = np.array([False, False, True, False, True, True])
    found = randomisation_test(values, treated, list("aaabbb"), draws=10, seed=1)
    # totals: block a 1, 2, 3 (expected 2); block b 30, 40, 50 (expected 40); real 3 + 50
    assert found.p == pytest.approx(2 / 9)


def test_one_arrangement_is_no_test() -> None:
    values, treated = np.array([1.0, 2.0]), np.array([True, False])
    found = randomisation_test(values, treated, ["a", "b"], draws=10, seed=1)
    assert found.p is None


@pytest.mark.parametrize("blocks", [None, list("aaabbb")])
def test_values_without_a_common_denominator_are_listed_one_by_one(
    blocks: list[str] | None,
) -> None:
    values = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0]) * np.pi
    treated = np.array([True, False, True, False, True, True])
    found = randomisation_test(values, treated, blocks, draws=10, seed=1)
    whole = randomisation_test(values / np.pi, treated, blocks, draws=10, seed=1)
    assert found.exact
    assert found.p == pytest.approx(whole.p, abs=1e-12)
