"""What each group shows."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from references import data, dataset, expected

from counting.analysis.compare import compare
from counting.analysis.describe import mean_interval
from counting.analysis.question import Question


def test_real_fruit_counts_per_plant_are_described_as_published() -> None:
    # Banta et al. (2010), data of Bolker et al. (2009) Trends Ecol. Evol. 24:127-135
    table = dataset("lme4", "Arabidopsis", "total.fruits", "amd")
    found = compare(table, Question("fruits", control="unclipped"))
    for group in found.groups:
        n, mean, variance = expected("arabidopsis-fruits")["by_clipping"][group.group]
        assert group.n == n
        assert group.mean == pytest.approx(mean, abs=1e-3)
        assert group.sd == pytest.approx(variance**0.5, rel=1e-6)


def test_the_interval_of_a_mean_is_students() -> None:
    # Student (1908), first of the two drugs; 0.75 +- 1.28 by hand: t(9) 2.262157, SD 1.789010
    low, high = mean_interval(np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0])) or (
        0.0,
        0.0,
    )
    half = 2.262157 * 1.789010 / 10**0.5
    assert (low, high) == pytest.approx((0.75 - half, 0.75 + half), abs=1e-5)


def test_one_plant_has_a_mean_but_no_interval() -> None:
    found = compare(pd.DataFrame({"value": [3.0, 4.0], "group": ["a", "b"]}))
    assert found.groups[0].mean == 3.0
    assert found.groups[0].mean_low is None
    assert found.groups[0].sd is None
    assert any("Only one plant in a and b" in text for text in found.cautions)


def test_with_plots_the_figures_are_of_plots_and_the_plants_stand_beside_them() -> None:
    # Pinheiro & Bates (2000) sec. 1.1: six rails, three readings each; SE of the mean by REML
    published = expected("rail-cluster")
    rows = [
        {"value": value, "group": "rails", "plot": str(rail)}
        for rail, readings in enumerate(data("rail-cluster")["clusters"])
        for value in readings
    ]
    found = compare(pd.DataFrame(rows), Question("travel", kind="length"))
    (group,) = found.groups
    assert (group.n, group.plants.n) == (6, 18)
    assert group.mean == pytest.approx(published["mean"])
    assert group.se == pytest.approx(published["reml"]["se"], abs=1e-4)
    assert found.cluster.icc == pytest.approx(published["icc"], abs=1e-6)
    assert found.cluster.design_effect == pytest.approx(published["design_effect"], abs=1e-6)


def test_the_dyestuff_batches_have_the_published_standard_error() -> None:
    # Davies (1947); figures of the lme4 documentation
    published = expected("dyestuff")
    table = dataset("lme4", "Dyestuff", "Yield", "none").rename(columns={"Batch": "plot"})
    found = compare(table.assign(group="all"), Question("yield", kind="length"))
    assert found.groups[0].mean == pytest.approx(published["mean"])
    assert found.groups[0].se == pytest.approx(published["se"], abs=1e-4)
    between, within = published["var_batch"], published["var_res"]
    assert found.cluster.icc == pytest.approx(between / (between + within), abs=1e-5)


def test_grades_have_a_median_and_no_mean() -> None:
    table = pd.DataFrame({"value": [1, 2, 2, 3, 3, 4], "group": list("aaabbb")})
    found = compare(table, Question("vigour", kind="grade"))
    assert [group.median for group in found.groups] == [2.0, 3.0]
    assert all(group.mean is None and group.sd is None for group in found.groups)
