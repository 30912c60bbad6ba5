"""Differences, shifts, several groups, the unit, surveys and grades."""

from __future__ import annotations

import json
import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from references import data, dataset, expected
from scipy import stats

from counting.analysis.compare import compare
from counting.analysis.methods.differences import dunnett, hodges_lehmann, single_step
from counting.analysis.methods.grades import superiority
from counting.analysis.question import Question
from counting.analysis.trial import _holm
from counting.errors import AnalysisError


def test_plant_growth_differences_are_welchs() -> None:
    # data of Dobson (1983); t.test of R 4.2.2
    table = dataset("datasets", "PlantGrowth", "weight", "group")
    found = compare(table, Question("weight", control="ctrl"))
    for contrast in found.comparisons:
        published = expected("plantgrowth-welch")[f"{contrast.group}_vs_ctrl"]
        # the reference's difference is control less group
        assert contrast.difference.p == pytest.approx(published["p"], abs=1e-6)
        assert contrast.difference.df == pytest.approx(published["df"], abs=1e-5)
        low, high = sorted((abs(contrast.difference.low or 0), abs(contrast.difference.high or 0)))
        assert (low, high) == pytest.approx(sorted(map(abs, published["ci95"])), abs=1e-6)


def test_within_blocks_of_two_the_difference_is_that_of_the_paired_test() -> None:
    # Student (1908): t -4.0621, p 0.002833
    table = dataset("datasets", "sleep", "extra", "group").rename(columns={"ID": "block"})
    (contrast,) = compare(table, Question("extra", control="1")).comparisons
    published = expected("sleep-paired")
    inside = contrast.within_blocks
    assert inside.value == pytest.approx(-published["mean_diff"])
    assert inside.df == published["df"]
    assert inside.p == pytest.approx(published["p"], abs=1e-8)
    assert (inside.low, inside.high) == pytest.approx(
        [-end for end in reversed(published["ci95"])], abs=1e-6
    )


def test_within_blocks_of_four_the_difference_is_that_of_least_squares() -> None:
    # peas of Rothamsted (npk), yield ~ N + block, R 4.2.2: 5.6166667, p 0.0070954988
    table = dataset("datasets", "npk", "yield", "N")
    (contrast,) = compare(table, Question("yield", control="0")).comparisons
    assert contrast.within_blocks.value == pytest.approx(5.616666666667)
    assert contrast.within_blocks.p == pytest.approx(0.007095498806, abs=1e-9)


def test_the_shift_has_the_published_interval_without_ties() -> None:
    # Hollander & Wolfe (1973) p. 69f, permeability of membranes, as in R's help of wilcox.test;
    # R 4.2.2: 0.305, -0.15 to 0.76
    term = np.array([0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46])
    early = np.array([1.15, 0.88, 0.90, 0.74, 1.21])
    found = hodges_lehmann(term, early)
    assert (found.value, found.low, found.high) == pytest.approx((0.305, -0.15, 0.76))


def test_the_shift_has_the_reference_interval_with_ties() -> None:
    # wilcox.test(conf.int = TRUE, exact = FALSE), R 4.2.2: sprays A and F -7 to 3 (its root
    # finding prints -6.99995 and 3.00003), plants ctrl and trt1 -0.29 to 1.01
    sprays = dataset("datasets", "InsectSprays", "count", "spray")
    a, f = (sprays.loc[sprays["group"] == name, "value"].to_numpy("float64") for name in "AF")
    found = hodges_lehmann(a, f)
    assert (found.value, found.low, found.high) == (-2.0, -7.0, 3.0)
    plants = dataset("datasets", "PlantGrowth", "weight", "group")
    ctrl, trt = (
        plants.loc[plants["group"] == name, "value"].to_numpy("float64")
        for name in ("ctrl", "trt1")
    )
    found = hodges_lehmann(ctrl, trt)
    assert (found.low, found.high) == pytest.approx((-0.29, 1.01))


@settings(deadline=None)
@given(
    st.lists(st.integers(-50, 50), min_size=1, max_size=12),
    st.lists(st.integers(-50, 50), min_size=1, max_size=12),
)
def test_the_shift_is_the_median_of_all_differences(a: list[int], b: list[int]) -> None:
    found = hodges_lehmann(np.array(a, "float64"), np.array(b, "float64"))
    assert found.value == pytest.approx(float(np.median(np.subtract.outer(a, b))))
    if found.low is not None and found.high is not None:
        assert found.low <= (found.value or 0) <= found.high


@pytest.mark.parametrize("values", [4, 1000])
def test_the_shift_of_many_values_is_their_median_however_often_they_repeat(values: int) -> None:
    rng = np.random.default_rng(values)
    a, b = (rng.integers(0, values, size).astype("float64") for size in (70, 90))
    found = hodges_lehmann(a, b)
    every = np.sort(np.subtract.outer(a, b).ravel())
    assert found.value == float(np.median(every))
    assert found.low in every
    assert found.high in every
    assert (found.low or 0) <= float(np.median(every)) <= (found.high or 0)


def test_dunnetts_own_example_has_its_p_values() -> None:
    # Dunnett (1955) J. Am. Statist. Ass. 50:1096-1121, breaking strength of fabric
    example = {name: np.array(values, "float64") for name, values in data("dunnett-fabric").items()}
    found = dunnett(example, "control", seed=1)
    p = [found[name] for name in ("A", "B", "C")]
    assert p == pytest.approx(expected("dunnett-fabric")["p_two_sided"], abs=1e-3)


def test_several_groups_are_adjusted_by_dunnett() -> None:
    table = dataset("datasets", "PlantGrowth", "weight", "group")
    found = compare(table, Question("weight", control="ctrl"))
    p = [contrast.to_json()["p_adjusted"] for contrast in found.comparisons]
    assert p == pytest.approx(expected("dunnett-plantgrowth")["p_dunnett"], abs=1e-3)
    assert {contrast.adjustment for contrast in found.comparisons} == {"Dunnett"}


def test_differences_of_groups_that_vary_unlike_are_adjusted_with_their_own_variances() -> None:
    # sprays that leave few insects vary little: Welch's p of D against C is 0.006, and Dunnett's
    # with one variance for all would be 0.28
    table = dataset("datasets", "InsectSprays", "count", "spray")
    found = compare(table, Question("count", control="C", kind="length"))
    d = next(each for each in found.comparisons if each.group == "D")
    told = d.p_told()
    assert told == d.headline().p_adjusted == d.to_json()["difference_p_adjusted"]
    groups = {name: rows.to_numpy("float64") for name, rows in table.groupby("group")["value"]}
    assert told == pytest.approx(_by_quadrature(groups, "C", "D"), abs=2e-4)
    assert d.to_json()["p_adjusted"] == pytest.approx(0.276, abs=2e-3)
    assert d.verdict == "more"
    low, high = d.headline().low_joint, d.headline().high_joint
    assert low is not None
    assert high is not None
    assert 0 < low < (d.headline().low or 0)


def _by_quadrature(groups: dict[str, np.ndarray], control: str, group: str) -> float:
    """Hasler and Hothorn's p by another way: over the control's mean and the scale of t."""
    share = {name: each.var(ddof=1) / len(each) for name, each in groups.items()}
    base = share.pop(control)
    mine = groups[group].mean() - groups[control].mean()
    own, n = share[group], len(groups[control])
    t = mine / np.sqrt(own + base)
    df = (own + base) ** 2 / (own**2 / (len(groups[group]) - 1) + base**2 / (n - 1))
    z = np.linspace(-8, 8, 801)
    s = np.linspace(1e-4, 4, 1201)
    loading = np.array([np.sqrt(base / (each + base)) for each in share.values()])
    rest = np.sqrt(1 - loading**2)
    density = stats.chi.pdf(s * np.sqrt(df), df) * np.sqrt(df)
    inside = np.ones((len(s), len(z)))
    for a, b in zip(loading, rest, strict=True):
        upper, lower = ((sign * t * s[:, None] - a * z) / b for sign in (1, -1))
        inside *= stats.norm.cdf(upper) - stats.norm.cdf(lower)
    over = np.trapezoid(inside * stats.norm.pdf(z), z, axis=1)
    return float(1 - np.trapezoid(over * density, s))


def test_groups_without_variation_leave_the_others_their_adjustment() -> None:
    rng = np.random.default_rng(3)
    values = {"a": [5.5] * 4, "b": [5.5] * 4, "c": rng.normal(15, 1, 4), "d": rng.normal(5, 1, 4)}
    rows = [{"value": v, "group": g} for g, each in values.items() for v in each]
    found = compare(pd.DataFrame(rows), Question("height", control="a"))
    told = {each.group: each.p_told() for each in found.comparisons}
    assert told["b"] is None
    assert (told["c"] or 1) < 0.05 < (told["d"] or 1)


def test_the_adjustment_from_a_covariance_is_dunnetts() -> None:
    table = dataset("datasets", "PlantGrowth", "weight", "group")
    published = expected("dunnett-plantgrowth")
    found = single_step(
        dict(zip(("trt1", "trt2"), published["t"], strict=True)),
        np.array([[2.0, 1.0], [1.0, 2.0]]),
        len(table) - 3,
        seed=1,
    )
    assert list(found.values()) == pytest.approx(published["p_dunnett"], abs=1e-3)


def test_other_measures_are_adjusted_by_holm() -> None:
    # p values of Benjamini & Hochberg (1995) J. R. Statist. Soc. B 57:289-300
    example = expected("bh95-pvalues")["holm"]
    p = data("bh95-pvalues")["p"]
    comparisons = []
    for value in p:
        table = pd.DataFrame({"value": [1.0, 2.0, 1.5, 2.5], "group": list("aabb")})
        result = compare(table, Question("height"))
        from dataclasses import replace

        first = result.comparisons[0]
        contrast = replace(first, difference=replace(first.difference, p=value))
        comparisons.append(replace(result, comparisons=(contrast,)))
    found = _holm(comparisons)
    adjusted = [each.comparisons[0].p_told() for each in found]
    assert adjusted == pytest.approx(example, abs=5e-5)
    assert found[0].comparisons[0].adjustment == "Holm"


def test_grades_are_compared_by_mann_and_whitney() -> None:
    # airquality, ozone of May and August: W 127.5, p 0.0001208 (R's help of wilcox.test)
    air = dataset("datasets", "airquality", "Ozone", "Month")
    air = air[air["group"].isin([5, 8])]
    found = compare(air, Question("ozone", kind="grade", control="8"))
    (contrast,) = found.comparisons
    n, m = (group.n for group in found.groups)
    published = expected("airquality-wilcoxon")
    assert contrast.superiority.value == pytest.approx(published["W"] / (n * m))
    assert contrast.superiority.p == pytest.approx(published["p_normal_cc"], abs=1e-9)
    assert contrast.difference.value is None
    assert any("not averaged" in text for text in found.cautions)


def test_the_chance_of_lying_higher_has_an_interval_that_covers() -> None:
    rng = np.random.default_rng(8)
    truth = stats.norm.cdf(0.8 / 2**0.5)
    inside = 0
    for _ in range(400):
        found = superiority(rng.normal(0.8, 1, 25), rng.normal(0, 1, 25))
        inside += (found.low or 0) <= truth <= (found.high or 1)
    assert inside / 400 == pytest.approx(0.95, abs=0.025)


def plots(values: list[list[int]]) -> pd.DataFrame:
    """Plots of plants, groups in turn, two plots to a block."""
    return pd.DataFrame(
        [
            {"value": value, "group": "ab"[plot % 2], "block": str(plot // 2), "plot": str(plot)}
            for plot, plants in enumerate(values)
            for value in plants
        ]
    )


EIGHT = [[10, 12], [16, 14], [20, 18], [25, 24], [12, 9], [17, 13], [15, 16], [22, 21]]


def test_with_plots_the_difference_is_welchs_of_plot_means() -> None:
    found = compare(plots(EIGHT), Question("fruit", control="a"))
    means = [float(np.mean(plants)) for plants in EIGHT]
    reference = stats.ttest_ind(means[1::2], means[::2], equal_var=False)
    (contrast,) = found.comparisons
    assert contrast.difference.p == pytest.approx(reference.pvalue)
    inside = stats.ttest_rel(means[1::2], means[::2])
    assert contrast.within_blocks.p == pytest.approx(inside.pvalue)
    assert (found.unit_of_analysis, found.plants, found.plots, found.blocks) == ("plot", 16, 8, 4)
    assert any("so plots and not plants are compared" in text for text in found.cautions)


def test_plants_of_a_plot_are_no_further_plots() -> None:
    once = compare(plots(EIGHT), Question("height", kind="length", control="a"))
    thrice = compare(
        pd.concat([plots(EIGHT)] * 3, ignore_index=True),
        Question("height", kind="length", control="a"),
    )
    assert thrice.comparisons[0].difference.p == pytest.approx(once.comparisons[0].difference.p)


def test_one_plot_for_each_group_is_described_and_not_tested() -> None:
    table = plots([[10, 12, 15, 9, 11], [16, 14, 20, 19, 13]])
    found = compare(table, Question("fruit", control="a"))
    (contrast,) = found.comparisons
    assert contrast.ratio.low is not None
    assert contrast.difference.low is not None
    for p in (
        contrast.difference.p,
        contrast.ratio.p,
        contrast.randomisation.p,
        contrast.p_told(),
        contrast.superiority.p,
        contrast.quasi_poisson.p,
        contrast.within_blocks.p,
    ):
        assert p is None
    assert "each group has only one" in found.cautions[0]
    assert "for these plants only" in found.sentence
    assert "could not tell the treatment from the place" in found.sentence


def test_plants_allotted_one_by_one_stay_plants_even_where_plots_are_known() -> None:
    found = compare(plots(EIGHT), Question("fruit", control="a", allotted_to="plant"))
    assert found.unit_of_analysis == "plant"
    assert found.groups[0].n == 8


def test_blocks_that_got_the_treatment_whole_are_the_units() -> None:
    table = plots(EIGHT).assign(group=lambda t: np.where(t["block"].astype(int) < 2, "a", "b"))
    found = compare(table, Question("fruit", control="a", allotted_to="block"))
    assert found.unit_of_analysis == "block"
    assert [group.n for group in found.groups] == [2, 2]


def surveyed() -> pd.DataFrame:
    rng = np.random.default_rng(3)
    return pd.DataFrame(
        [
            {
                "survey": survey,
                "plant": f"{group}{plant}",
                "truss": pd.NA,
                "measure": "fruit",
                "value": float(rng.poisson(mean * level)),
                "unit": "count",
                "source": "tally",
                "by": "",
                "at": "",
                "note": "",
                "group": group,
                "block": "",
                "plot": "",
            }
            for group, mean in (("a", 10), ("b", 20))
            for plant in range(10)
            for survey, level in (("2026-07-01", 1), ("2026-07-08", 2))
        ]
    )


def test_of_several_surveys_the_last_is_compared_and_that_is_said() -> None:
    found = compare(surveyed(), Question("fruit", control="a"))
    assert found.survey == "2026-07-08"
    assert any("The last survey" in text for text in found.cautions)
    assert found.groups[0].n == 10


def test_all_surveys_together_count_each_plant_once() -> None:
    table = surveyed()
    found = compare(table, Question("fruit", control="a", survey="all"))
    sums = table.groupby("group")["value"].sum()
    assert found.groups[0].n == 10
    assert found.comparisons[0].ratio.value == pytest.approx(sums["b"] / sums["a"], rel=1e-6)
    assert found.groups[0].mean == pytest.approx(sums["a"] / 20)


def test_a_plant_missing_at_the_rich_survey_is_not_called_poor() -> None:
    table = surveyed()
    gone = (table["plant"] == "b0") & (table["survey"] == "2026-07-08")
    found = compare(table[~gone], Question("fruit", control="a", survey="all"))
    whole = compare(table, Question("fruit", control="a", survey="all"))
    assert found.comparisons[0].ratio.value == pytest.approx(
        whole.comparisons[0].ratio.value, rel=0.05
    )
    assert any("1 plant is not seen at every survey" in text for text in found.cautions)


def test_disease_over_time_is_the_area_under_its_curve() -> None:
    # trapezoids (Shaner & Finney 1977): 40, 80, 90 % on days 0, 7 and 14 give
    # 7 * (40 + 80) / 2 + 7 * (80 + 90) / 2 = 1015
    rows = [
        {"survey": day, "plant": f"{group}{plant}", "measure": "disease", "value": value + plant,
         "group": group}
        for group in "ab"
        for plant in (0, 1)
        for day, value in (("2026-07-01", 40), ("2026-07-08", 80), ("2026-07-15", 90))
    ]  # fmt: skip
    found = compare(pd.DataFrame(rows), Question("disease", control="a", survey="all"))
    assert found.groups[0].min == 1015
    assert found.groups[0].max == 1015 + 14
    assert found.unit == "percent days"


def test_hand_counts_and_photo_counts_are_not_mixed() -> None:
    tallies = surveyed()
    photos = tallies[tallies["plant"] != "a0"].assign(source="photo", value=1.0)
    found = compare(pd.concat([tallies, photos]), Question("fruit", control="a"))
    assert found.source == "tally"
    assert any("those by photo of" in text for text in found.cautions)


DEGENERATE: dict[str, dict[str, list[object]]] = {
    "one plant": {"value": [3], "group": ["a"]},
    "one plant in each group": {"value": [3, 4], "group": ["a", "b"]},
    "all zeros": {"value": [0, 0, 0, 0], "group": list("aabb")},
    "zeros in one group": {"value": [0, 0, 0, 4, 5, 6], "group": list("aaabbb")},
    "zeros in the other": {"value": [4, 5, 6, 0, 0, 0], "group": list("aaabbb")},
    "identical values": {"value": [7, 7, 7, 7, 7, 7], "group": list("aaabbb")},
    "identical within groups": {"value": [7, 7, 7, 9, 9, 9], "group": list("aaabbb")},
    "missing values": {"value": [1, None, 3, 4, None, 6], "group": list("aaabbb")},
    "nothing but missing": {"value": [None, None], "group": list("ab")},
    "no rows": {"value": [], "group": []},
    "a missing group name": {"value": [1, 2, 3, 4], "group": ["a", "a", None, "b"]},
    "a block with one group": {
        "value": [1, 2, 3, 4, 5],
        "group": list("ababa"),
        "block": list("11223"),
    },
    "blocks that hold one group each": {
        "value": [1, 2, 3, 4],
        "group": list("aabb"),
        "block": list("1122"),
    },
    "negative values": {"value": [-1.5, 2, 3, -4], "group": list("aabb")},
    "huge counts": {"value": [10**9, 10**9 + 5, 2 * 10**9, 3 * 10**9], "group": list("aabb")},
    "infinite": {"value": [1, math.inf, 3, 4], "group": list("aabb")},
    "zeros in one group, with blocks": {
        "value": [0, 0, 0, 4, 5, 6],
        "group": list("aaabbb"),
        "block": list("123123"),
    },
    "a group that shares no fruit with the others": {
        "value": [0, 5, 5, 3, 4],
        "group": list("abaaa"),
        "block": list("11222"),
    },
    "two plants in each group": {"value": [4, 9, 12, 15], "group": list("aabb")},
    "two plants alike in each group": {"value": [4, 4, 12, 12], "group": list("aabb")},
    "one plot for each group, one of zeros": {
        "value": [0, 0, 0, 15, 3, 6],
        "group": list("aaabbb"),
        "plot": list("111222"),
    },
    "one plot against two": {
        "value": [4, 9, 12, 15, 3, 6],
        "group": list("aabbbb"),
        "plot": list("112233"),
    },
    "a block of zeros": {
        "value": [0, 0, 4, 5, 6, 9],
        "group": list("ababab"),
        "block": list("112233"),
    },
    "wildly different counts": {
        "value": [0, 0, 0, 10**6, 0, 3, 0, 10**7],
        "group": list("aaaabbbb"),
    },
    "a group of three alone": {"value": [1, 5, 2, 6, 9], "group": list("aabbc")},
}


@pytest.mark.parametrize("name", DEGENERATE)
@pytest.mark.parametrize("kind", [None, "length", "grade", "percent"])
def test_degenerate_input_gives_a_worded_answer(name: str, kind: str | None) -> None:
    table = pd.DataFrame(DEGENERATE[name])
    found = compare(table, Question("reading", kind=kind, above=3, groups=("a", "b")))  # type: ignore[arg-type]
    text = json.dumps(found.to_json(), allow_nan=False)
    assert "nan" not in (found.sentence + " ".join(found.cautions)).lower()
    assert "null" in text or found.comparisons[0].difference.value is not None
    assert found.sentence.endswith(".")
    assert found.cautions


def test_a_group_that_shares_no_fruit_with_the_others_has_no_ratio() -> None:
    # in block 1 the control carries none, and the group is nowhere else: the fit has no end
    table = pd.DataFrame(DEGENERATE["a group that shares no fruit with the others"])
    (contrast,) = compare(table, Question("fruit", control="a")).comparisons
    assert contrast.ratio.value is None
    assert contrast.ratio.method is None
    assert "a ratio cannot be given" in contrast.sentence


def test_counts_without_variation_get_the_interval_that_chance_alone_would_give() -> None:
    # 7, 7, 7 and 9, 9, 9: Poisson totals 21 and 27, Student's t with 4 degrees of freedom
    table = pd.DataFrame(DEGENERATE["identical within groups"])
    found = compare(table, Question("fruit", control="a"))
    (contrast,) = found.comparisons
    half = stats.t.ppf(0.975, 4) * math.sqrt(1 / 21 + 1 / 27)
    assert contrast.ratio.method == "Poisson"
    assert contrast.ratio.low == pytest.approx(9 / 7 * math.exp(-half))
    assert contrast.ratio.high == pytest.approx(9 / 7 * math.exp(half))
    assert contrast.difference.p is None
    assert any("as wide as chance alone would make it" in text for text in found.cautions)
    same = compare(pd.DataFrame(DEGENERATE["identical values"]), Question("fruit", control="a"))
    assert "no difference (between" in same.sentence


def test_plants_without_any_fruit_are_told_so() -> None:
    found = compare(pd.DataFrame(DEGENERATE["all zeros"]), Question("fruit", control="a"))
    assert found.sentence == (
        "Neither plants of group b nor plants of group a carried any fruit, 4 plants."
    )


def test_an_endless_interval_is_not_read_out() -> None:
    table = pd.DataFrame(DEGENERATE["wildly different counts"])
    found = compare(table, Question("fruit", control="a"))
    assert "over 1000 times as many" in found.sentence


def test_a_group_of_the_plan_without_values_is_named() -> None:
    table = pd.DataFrame({"value": [1, 2, 3], "group": list("aaa")})
    found = compare(table, Question("fruit", control="a", groups=("a", "seaweed")))
    assert any("No values of seaweed" in text for text in found.cautions)
    assert found.comparisons[0].ratio.value is None


def test_what_cannot_be_asked_is_an_error_of_one_line() -> None:
    table = surveyed()
    for question, part in (
        (Question("height"), "nothing recorded"),
        (Question("fruit", survey="2026-01-01"), "no fruit at this survey"),
        (Question("fruit", source="photo"), "no values from 'photo'"),
        (Question("fruit", control="c"), "no group 'c'"),
    ):
        with pytest.raises(AnalysisError, match=part):
            compare(table, question)
    with pytest.raises(AnalysisError, match="not a number: 'many'"):
        compare(pd.DataFrame({"value": ["many", "3"], "group": ["a", "b"]}))
    with pytest.raises(AnalysisError, match="no column 'group'"):
        compare(pd.DataFrame({"value": [1]}))


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 60), st.sampled_from("abc"), st.sampled_from("123")),
        min_size=1,
        max_size=30,
    ),
    st.booleans(),
)
def test_no_table_of_counts_gives_a_nan_or_a_traceback(
    rows: list[tuple[int, str, str]], plots: bool
) -> None:
    table = pd.DataFrame(rows, columns=["value", "group", "block"])
    if plots:
        table = table.assign(plot=table["value"] % 3)
    found = compare(table, Question("fruit", above=20))
    json.dumps(found.to_json(), allow_nan=False)
    for contrast in found.comparisons:
        for p in (contrast.difference.p, contrast.ratio.p, contrast.randomisation.p):
            assert p is None or 0 <= p <= 1
        if contrast.ratio.low is not None:
            assert contrast.ratio.low <= (contrast.ratio.value or 0) <= (contrast.ratio.high or 0)


def test_the_json_has_the_keys_that_others_read() -> None:
    found = compare(plots(EIGHT), Question("fruit", control="a", above=15)).to_json()
    assert {"measure", "unit", "level", "control", "groups", "comparisons", "dispersion",
            "cautions", "sentence"} <= set(found)  # fmt: skip
    assert {"group", "n", "mean", "mean_low", "mean_high", "sd", "se", "median", "min", "max",
            "share_above"} <= set(found["groups"][0])  # fmt: skip
    assert set(found["groups"][0]["share_above"]) == {
        "above", "count", "n", "share", "low", "high"}  # fmt: skip
    assert {"group", "control", "difference", "difference_low", "difference_high", "difference_p",
            "ratio", "ratio_low", "ratio_high", "ratio_p", "ratio_method", "randomisation_p",
            "shift", "shift_low", "shift_high", "p_adjusted", "adjustment",
            "share_difference"} <= set(found["comparisons"][0])  # fmt: skip
    assert set(found["comparisons"][0]["share_difference"]) == {"difference", "low", "high"}
    assert {"index", "p", "k"} <= set(found["dispersion"])
