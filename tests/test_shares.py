"""Shares above a number."""

from __future__ import annotations

import math

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from references import data, expected
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from counting.analysis.compare import compare
from counting.analysis.methods.shares import newcombe, share_above, wilson
from counting.analysis.question import Question


def test_wilson_intervals_are_those_of_newcombes_table() -> None:
    # Newcombe (1998) Statist. Med. 17:857-872, Table I, method 3
    for (count, n), (low, high) in zip(
        data("newcombe-single")["r_n"], expected("newcombe-single")["wilson"], strict=True
    ):
        assert wilson(count, n) == pytest.approx((low, high), abs=5e-5)


def test_the_difference_of_two_shares_has_newcombes_published_interval() -> None:
    # Newcombe (1998) Statist. Med. 17:873-890, Table II, method 10: 56/70 against 48/80 gives
    # 0.0524 to 0.3339, and 9/10 against 3/10 gives 0.1705 to 0.8090 (from memory; statsmodels
    # 0.15.0, confint_proportions_2indep(method="newcomb"), agrees)
    for (r, n), (r0, n0), low, high in (
        ((56, 70), (48, 80), 0.0524, 0.3339),
        ((9, 10), (3, 10), 0.1705, 0.8090),
    ):
        group = share_above([1.0] * r + [0.0] * (n - r), 0.5)
        control = share_above([1.0] * r0 + [0.0] * (n0 - r0), 0.5)
        found = newcombe(group, control)
        assert (found.low, found.high) == pytest.approx((low, high), abs=5e-5)


counts = st.tuples(st.integers(0, 30), st.integers(1, 30)).filter(lambda pair: pair[0] <= pair[1])


@settings(deadline=None)
@given(counts, counts)
def test_both_intervals_are_those_of_the_reference_library(
    first: tuple[int, int], second: tuple[int, int]
) -> None:
    (r, n), (r0, n0) = first, second
    assert wilson(r, n) == pytest.approx(proportion_confint(r, n, method="wilson"), abs=1e-12)
    group = share_above([1.0] * r + [0.0] * (n - r), 0)
    control = share_above([1.0] * r0 + [0.0] * (n0 - r0), 0)
    found = newcombe(group, control)
    reference = confint_proportions_2indep(r, n, r0, n0, method="newcomb", compare="diff")
    assert (found.low, found.high) == pytest.approx(reference, abs=1e-9)


def test_above_means_strictly_above() -> None:
    assert share_above([19.0, 20.0, 21.0], 20).count == 1


def test_plants_that_are_alike_in_a_plot_widen_the_interval() -> None:
    plain = share_above([1.0] * 12 + [0.0] * 8, 0)
    clustered = share_above([1.0] * 12 + [0.0] * 8, 0, design_effect=2.0)
    assert plain.share == clustered.share
    assert (clustered.high or 0) - (clustered.low or 0) > (plain.high or 0) - (plain.low or 0)


def test_a_group_without_plants_has_no_share() -> None:
    assert share_above([], 5).share is None
    assert newcombe(share_above([], 5), share_above([6.0], 5)).difference is None


def test_the_comparison_reports_shares_of_every_group() -> None:
    table = pd.DataFrame({"value": [5, 15, 25, 10, 30, 40], "group": list("aaabbb")})
    found = compare(table, Question("fruit", above=20, control="a"))
    shares = [group.share_above for group in found.groups]
    assert [share.count for share in shares if share] == [1, 2]
    difference = found.comparisons[0].share_difference
    assert difference is not None
    assert math.isclose(difference.difference or 0, 1 / 3)
