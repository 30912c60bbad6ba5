"""Models of counts against published fits."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from references import data, dataset, expected
from scipy import optimize, stats

from counting.analysis.compare import compare
from counting.analysis.methods.count_model import dispersion, extra_zeros, fit_counts
from counting.analysis.methods.design import Design, design_of
from counting.analysis.methods.log_linear import Cells
from counting.analysis.question import Question


def spread(frequencies: dict[int, int]) -> pd.DataFrame:
    counts = np.repeat(list(frequencies), list(frequencies.values()))
    return pd.DataFrame({"value": counts, "group": "all"})


def test_mites_on_apple_leaves_have_the_published_k() -> None:
    # Bliss & Fisher (1953) Biometrics 9:176-200: mean 1.1467, k 1.0246
    counts = dict(zip(data("redmite-nb")["counts"], data("redmite-nb")["leaves"], strict=True))
    found = compare(spread(counts), Question("mites"))
    published, index = expected("redmite-nb"), expected("redmite-dispersion")
    assert found.dispersion.k == pytest.approx(published["k_ml"], abs=1e-5)
    assert found.dispersion.k_se == pytest.approx(published["se_k_observed_info"], abs=1e-4)
    assert found.dispersion.index == pytest.approx(index["var_over_mean"], abs=1e-5)
    assert found.dispersion.chi2 == pytest.approx(index["index_chi2"], abs=1e-4)
    assert found.dispersion.p == pytest.approx(index["p"], rel=1e-3)
    assert found.zeros is not None
    assert found.zeros.expected == pytest.approx(published["expected_nb_0_to_8"][0], abs=0.01)


def test_yeast_cells_that_are_poisson_are_not_called_over_dispersed() -> None:
    # Student (1907) Biometrika 5:351-360, sample D
    frequencies = dict(enumerate(data("student-yeast")["D"]))
    found = compare(spread(frequencies), Question("cells"))
    published = expected("student-yeast")
    assert found.dispersion.chi2 == pytest.approx(published["D_index_chi2"], abs=1e-4)
    assert found.dispersion.df == published["D_df"]
    assert found.dispersion.p == pytest.approx(published["D_p"], abs=1e-5)
    assert found.dispersion.k is None
    assert any("no more than chance" in text for text in found.cautions)


def test_deaths_by_horse_kick_have_the_published_index() -> None:
    # von Bortkiewicz (1898), as in Fisher (1925)
    example = data("horse-kicks")
    found = compare(
        spread(dict(zip(example["counts"], example["freq"], strict=True))), Question("deaths")
    )
    assert found.dispersion.chi2 == pytest.approx(expected("horse-kicks")["index_chi2"], abs=1e-4)


def test_fir_seedlings_have_the_published_index() -> None:
    # Davison & Hinkley (1997), data set fir
    table = dataset("boot", "fir", "count", "none").assign(group="all")
    published = expected("fir-quadrats")
    found = compare(table, Question("seedlings"))
    assert found.dispersion.chi2 == pytest.approx(published["index_chi2"], abs=1e-5)
    assert found.dispersion.p == pytest.approx(published["p"], abs=1e-5)


def test_days_absent_have_the_published_negative_binomial_fit() -> None:
    # Aitkin (1978); Venables & Ripley: theta 1.275, SE 0.161; four factors at once
    table = dataset("MASS", "quine", "Days", "Eth")
    factors = pd.get_dummies(table[["Sex", "Age", "Lrn"]], drop_first=True, dtype="float64")
    treated = (table["group"] == "N").to_numpy("float64")
    design = Design(
        np.column_stack([np.ones(len(table)), treated, factors.to_numpy()]), ("N",), blocked=False
    )
    counts = table["value"].to_numpy("float64")
    model = fit_counts(counts, np.ones(len(counts)), design)
    published = expected("quine-glmnb-main")
    assert model.k == pytest.approx(published["theta"], abs=1e-5)
    assert model.k_se == pytest.approx(published["se_theta"], abs=1e-3)
    assert model.log_ratios["N"] == pytest.approx(published["coef_EthN"], abs=1e-6)
    likely = model.likely_ratio("N", 0.95)
    assert likely.se == pytest.approx(published["se_EthN"], abs=1e-6)
    assert likely.value == pytest.approx(published["rate_ratio_EthN"], abs=1e-6)
    assert (likely.low, likely.high) == pytest.approx(published["wald_ci95"], abs=1e-6)
    # t and the adjusted k: wider than the published intervals, Wald's and profile, by little
    ratio = model.ratio("N", 0.95)
    assert published["profile_ci95"][0] * 0.98 < (ratio.low or 0) < published["wald_ci95"][0]
    assert published["wald_ci95"][1] < (ratio.high or 0) < published["profile_ci95"][1] * 1.02


def test_days_absent_by_one_factor_and_with_a_block_match_the_reference_fit() -> None:
    # MASS::glm.nb(Days ~ Eth, quine) and (Days ~ Eth + Age, quine), R 4.2.2, MASS 7.3-58.2
    table = dataset("MASS", "quine", "Days", "Eth")
    alone = compare(table, Question("days", control="A")).comparisons[0]
    assert math.log(alone.ratio.value or 0) == pytest.approx(-0.5555594897, abs=1e-6)
    assert alone.likelihood.se == pytest.approx(0.1596752173, abs=1e-6)
    assert math.log((alone.ratio.high or 0) / (alone.ratio.low or 1)) / 2 / 1.976575 == (
        pytest.approx(0.1596752173, rel=0.01)
    )
    blocked = compare(table.rename(columns={"Age": "block"}), Question("days", control="A"))
    assert math.log(blocked.comparisons[0].ratio.value or 0) == pytest.approx(
        -0.5610874817, abs=1e-6
    )
    assert blocked.dispersion.k == pytest.approx(1.249142793, abs=1e-5)
    assert blocked.comparisons[0].likelihood.se == pytest.approx(0.1546672, abs=1e-6)


def test_insect_sprays_match_both_count_models_of_the_reference() -> None:
    # Beall (1942) Biometrika 32:243-262
    published = expected("insectsprays-glm")
    table = dataset("datasets", "InsectSprays", "count", "spray")
    found = compare(table, Question("insects", control="A"))
    contrast = next(each for each in found.comparisons if each.group == "C")
    assert contrast.ratio.value == pytest.approx(published["ratio_C_over_A"], abs=1e-6)
    assert found.dispersion.k == pytest.approx(published["nb_theta"], abs=1e-4)
    assert found.dispersion.index == pytest.approx(published["quasi_dispersion"], abs=1e-5)
    likely = contrast.likelihood
    assert (likely.low, likely.high) == pytest.approx(published["nb_ci95"], abs=1e-5)
    # t with 66 degrees of freedom and a k adjusted for six groups are a little wider
    assert contrast.ratio.low == pytest.approx(published["nb_ci95"][0], rel=0.02)
    assert contrast.ratio.high == pytest.approx(published["nb_ci95"][1], rel=0.02)
    # glm(count ~ spray, quasipoisson), R 4.2.2: SE of sprayC 0.26262798617, p 3.300469612e-10
    assert contrast.quasi_poisson.se == pytest.approx(0.26262798617, abs=1e-6)
    assert contrast.quasi_poisson.p == pytest.approx(3.300469612e-10, rel=1e-5)


def test_warp_breaks_match_the_reference() -> None:
    # Tippett (1950); wool with tension as the block
    published = expected("warpbreaks")
    table = dataset("datasets", "warpbreaks", "breaks", "wool").rename(columns={"tension": "block"})
    found = compare(table, Question("breaks", control="A"))
    (contrast,) = found.comparisons
    assert math.log(contrast.ratio.value or 0) == pytest.approx(
        published["nb_coef_woolB"], abs=1e-6
    )
    assert found.dispersion.k == pytest.approx(published["nb_theta"], abs=1e-4)
    assert contrast.likelihood.se == pytest.approx(published["nb_se_woolB"], abs=1e-6)
    # glm(..., quasipoisson), R 4.2.2: SE of woolB 0.10646089437
    assert contrast.quasi_poisson.se == pytest.approx(0.10646089437, abs=1e-6)


def test_totals_of_plots_are_compared_and_not_their_plants() -> None:
    table = dataset("datasets", "warpbreaks", "breaks", "wool").rename(columns={"tension": "block"})
    table = table.assign(plot=table["group"].astype(str) + table["block"].astype(str))
    (contrast,) = compare(table, Question("breaks", control="A")).comparisons
    assert contrast.ratio.method == "negative binomial, on plot totals"
    # the constant variation of glm(breaks ~ wool + tension + offset(log(n)), Gamma("log")) on the
    # six totals, R 4.2.2, is what the negative binomial comes to for large totals
    assert math.log(contrast.ratio.value or 0) == pytest.approx(-0.1818394421, abs=0.005)
    assert contrast.ratio.p == pytest.approx(0.43471013824, abs=0.01)


@settings(deadline=None, max_examples=50)
@given(
    st.lists(
        st.tuples(
            st.integers(1, 60), st.booleans(), st.integers(0, 2), st.sampled_from([1.0, 2.5])
        ),
        min_size=4,
        max_size=30,
    ),
    st.sampled_from([None, 0.3, 4.0, 50.0]),
)
def test_the_fit_is_that_of_statsmodels(
    plants: list[tuple[int, bool, int, float]], size: float | None
) -> None:
    from statsmodels.genmod import families
    from statsmodels.genmod.generalized_linear_model import GLM

    counts, treated, block, exposure = (
        np.array(column, "float64") for column in zip(*plants, strict=True)
    )
    matrix = np.column_stack([np.ones(len(counts)), treated, block == 1, block == 2])
    matrix = matrix[:, [0, *(at for at in (1, 2, 3) if 0 < matrix[:, at].sum() < len(counts))]]
    if np.linalg.matrix_rank(matrix) < matrix.shape[1] or len(counts) == matrix.shape[1]:
        return
    family = families.NegativeBinomial(alpha=1 / size) if size else families.Poisson()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of counts that are fitted exactly
        reference = GLM(counts, matrix, family=family, offset=np.log(exposure)).fit(
            tol=1e-12, scale=1.0
        )
    # the reference stops when the deviance does, before the coefficients have their fifth digit
    cells = Cells.of(counts, exposure, matrix)
    fit = cells.fit(size)
    assert fit.coefficients == pytest.approx(reference.params, rel=1e-4, abs=1e-4)
    own = fit.fitted + (fit.fitted**2 / size if size else 0)
    assert cells.covariance(fit, own) == pytest.approx(reference.cov_params(), rel=1e-4, abs=1e-4)
    assert cells.leverage(fit.fitted, size) == pytest.approx(
        reference.get_hat_matrix_diag(observed=False), rel=1e-4, abs=1e-4
    )


def test_the_adjusted_size_is_where_the_adjusted_likelihood_is_highest() -> None:
    # Cox & Reid (1987): log-likelihood less half the log determinant of the information
    table = dataset("datasets", "warpbreaks", "breaks", "wool").rename(columns={"tension": "block"})
    design = design_of(table["group"].tolist(), table["block"].tolist(), ("A", "B"))
    assert design is not None
    counts = table["value"].to_numpy("float64")
    model = fit_counts(counts, np.ones(len(counts)), design)

    def adjusted(k: float) -> float:
        weight = model.fitted / (1 + model.fitted / k)
        information = (design.matrix.T * weight) @ design.matrix
        likelihood = stats.nbinom.logpmf(counts, k, k / (k + model.fitted)).sum()
        return float(likelihood - np.linalg.slogdet(information)[1] / 2)

    best = optimize.minimize_scalar(lambda k: -adjusted(k), bounds=(1, 50), method="bounded")
    assert model.k_adjusted == pytest.approx(best.x, rel=1e-4)
    assert model.k_adjusted < (model.k or 0)


def test_webworms_of_two_sprays_have_the_published_frequencies_and_ratio() -> None:
    # Beall (1940) Ecology 21:460-474 Table 6, without its blocks: the ratio of totals 164 / 455
    example, published = data("webworms-loglik"), expected("webworms-loglik")
    rows = [
        spread(dict(enumerate(example[f"freq_{name}"]))).assign(group=name)
        for name in ("T1", "T2", "T3", "T4")
    ]
    found = compare(pd.concat(rows), Question("webworms", control="T1"))
    assert [group.n for group in found.groups] == [325] * 4
    assert found.groups[0].mean == pytest.approx(published["mean_T1"])
    assert (found.groups[0].sd or 0) ** 2 == pytest.approx(published["var_T1"], abs=1e-5)
    ratios = [contrast.ratio.value for contrast in found.comparisons]
    assert ratios == pytest.approx([total / 455 for total in (164, 277, 134)], abs=1e-6)
    # with the blocks the published model gives 0.36398, 0.60610 and 0.29508
    assert ratios == pytest.approx(
        [published[name] for name in ("rr_T2", "rr_T3", "rr_T4")], rel=0.015
    )


def test_counts_without_excess_variation_have_no_k_and_the_variation_that_they_show() -> None:
    # Pearson's chi-squared by hand; Student's t with 10 degrees of freedom
    values = [5, 5, 6, 4, 5, 5, 9, 10, 10, 11, 10, 10]
    table = pd.DataFrame({"value": values, "group": list("aaaaaabbbbbb")})
    found = compare(table, Question("fruit"))
    (contrast,) = found.comparisons
    assert contrast.ratio.method == "quasi-Poisson"
    assert contrast.ratio.value == pytest.approx(2.0)
    assert found.dispersion.k is None
    chi2 = (0 + 0 + 1 + 1) / 5 + (1 + 0 + 0 + 1) / 10
    half = stats.t.ppf(0.975, 10) * math.sqrt(chi2 / 10 * (1 / 30 + 1 / 60))
    assert contrast.ratio.low == pytest.approx(2 * math.exp(-half))
    assert contrast.likelihood.se == pytest.approx(math.sqrt(1 / 30 + 1 / 60))


def test_a_few_counts_that_lie_close_give_no_ratio_more_exact_than_fruit_can_be_counted() -> None:
    # two blocks of single plots, 1 degree of freedom: by chance both give nearly the same ratio
    table = pd.DataFrame(
        {"value": [100, 163, 80, 130], "group": list("abab"), "block": list("1122")}
    )
    (contrast,) = compare(table, Question("fruit")).comparisons
    half = stats.norm.ppf(0.975) * math.sqrt(1 / 180 + 1 / 293)
    assert contrast.ratio.method == "Poisson"
    assert contrast.ratio.low == pytest.approx(293 / 180 * math.exp(-half))
    assert contrast.ratio.high == pytest.approx(293 / 180 * math.exp(half))


def test_extra_zeros_are_noticed() -> None:
    rng = np.random.default_rng(4)
    counts = np.where(rng.random(120) < 0.3, 0, rng.poisson(20, 120))
    table = pd.DataFrame({"value": counts, "group": ["a", "b"] * 60})
    found = compare(table, Question("fruit"))
    assert found.zeros is not None
    assert found.zeros.observed > 2 * (found.zeros.expected or 0)
    assert any("dead, broken or not yet setting" in text for text in found.cautions)


def test_fruit_per_truss_divides_by_the_trusses() -> None:
    table = pd.DataFrame(
        {"value": [10, 20, 12, 30, 45, 28], "group": list("aaabbb"), "exposure": [2, 4, 3, 4, 6, 4]}
    )
    (contrast,) = compare(table, Question("fruit", per="trusses")).comparisons
    assert contrast.ratio.value == pytest.approx((103 / 14) / (42 / 9), rel=1e-6)


counts_of = st.lists(st.integers(0, 40), min_size=3, max_size=12)


@settings(deadline=None)
@given(counts_of, counts_of)
def test_the_ratio_of_two_groups_is_the_ratio_of_their_means(a: list[int], b: list[int]) -> None:
    table = pd.DataFrame({"value": a + b, "group": ["a"] * len(a) + ["b"] * len(b)})
    (contrast,) = compare(table, Question("fruit", control="a", draws=1)).comparisons
    if sum(a) and sum(b):
        assert contrast.ratio.value == pytest.approx(np.mean(b) / np.mean(a), rel=1e-6)
    else:
        assert contrast.ratio.value is None


@settings(deadline=None)
@given(st.lists(st.integers(0, 30), min_size=4, max_size=30), st.integers(2, 5))
def test_with_a_k_the_ratio_is_never_surer_than_the_poissons(
    counts: list[int], treated: int
) -> None:
    values: NDArray[np.float64] = np.array(counts, dtype="float64")
    group = np.where(np.arange(len(values)) % treated == 0, "t", "c")
    table = pd.DataFrame({"group": group, "block": "", "total": values})
    live = table.groupby("group")["total"].transform("sum") > 0
    if table[live]["group"].nunique() < 2:
        return
    design = design_of(table[live]["group"].tolist(), None, ("c", "t"))
    assert design is not None
    kept = values[live.to_numpy()]
    model = fit_counts(kept, np.ones(len(kept)), design)
    poisson = (1 / kept[group[live] == "c"].sum()) + (1 / kept[group[live] == "t"].sum())
    assert model.likely_covariance[0, 0] >= poisson * (1 - 1e-6)
    if model.k_adjusted is not None:
        assert model.covariance[0, 0] >= model.likely_covariance[0, 0] * (1 - 1e-6)
    index = dispersion(kept, np.ones(len(kept)), design, model.k)
    assert index.index is None or index.index >= 0
    assert extra_zeros(kept, model).observed == int((kept == 0).sum())
