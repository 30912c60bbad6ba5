"""Plants needed, held against published tables and against simulated trials."""

import json
import math

import numpy as np
import pytest
from commanded import Done, counting
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from trials import Beds, make_trial

from counting.errors import PlanError
from counting.plan.needed.equivalence import alike, power_within
from counting.plan.needed.picture import needed_picture
from counting.plan.needed.pilot import spread_from_pilot
from counting.plan.needed.plants import Aim, Spread, need, pair_variance, plots_for, power_for
from counting.plan.needed.text import needed_text, typed_spread
from counting.records.tallies import take_tallies

UNIT = Spread("measure", 1.0, sd=1.0)


def test_cohens_table_gives_64_for_half_a_standard_deviation():
    # Cohen (1988), Statistical Power Analysis, Table 2.4.1; R help power.t.test
    assert plots_for(UNIT, Aim(0.5)) == pytest.approx(63.76561, abs=5e-4)
    assert need(UNIT, Aim(0.5)).plots_per_group == 64


def test_the_examples_of_the_handbook_of_r_are_reproduced():
    # R help, power.t.test: n = 20, delta = 1, sd = 1; and power = 0.90, delta = 1 (from memory)
    assert power_for(UNIT, Aim(1.0), 20) == pytest.approx(0.8689528, abs=1e-5)
    assert plots_for(UNIT, Aim(1.0, power=0.9)) == pytest.approx(22.0211, abs=2e-4)


@pytest.mark.parametrize(
    ("mean", "ratio", "k", "time", "n"),
    [
        (0.8, 0.85, 0.4, 0.75, 1315.69),
        (1.4, 1.15, 1.5, 0.75, 1920.91),
        (2.0, 0.5, 1.0, 1.0, 57.18),
        (5.0, 2.0, 0.5, 1.0, 21.24),
    ],
)
def test_negative_binomial_counts_agree_with_zhu_and_lakkis(mean, ratio, k, time, n):
    # Zhu & Lakkis (2014) Statistics in Medicine 33:376-387, parameter sets of Tables I-III; their
    # k is the dispersion, ours its inverse. Figures recomputed from their formula
    spread = Spread("count", mean * time, k=1 / k)
    assert plots_for(spread, Aim(ratio - 1, small_sample=False)) == pytest.approx(n, abs=0.01)
    # Student's t asks for about one more
    assert 0.5 < plots_for(spread, Aim(ratio - 1)) - n < 1.5


@pytest.mark.parametrize(
    ("rate", "n", "power"),
    [(1.8, 29, 0.90056), (1.9, 39, 0.90649), (2.2, 115, 0.90014), (2.4, 404, 0.90064)],
)
def test_poisson_rates_agree_with_a_published_manual(rate, n, power):
    # a sample-size manual's chapter as quoted in the tests of statsmodels
    # (test_poisson_power_2ratio): rate 2.2, exposure 2.5, ratio 1.2 to be excluded, one-sided 0.025
    spread = Spread("count", 2.2 * 2.5)
    aim = Aim(rate / 2.2 - 1, level=0.05, margin=0.2, small_sample=False)
    assert power_for(spread, aim, n) == pytest.approx(power, abs=5e-5)


def test_poisson_counts_are_near_the_rule_of_thumb():
    # van Belle, Statistical Rules of Thumb: 4 / (sqrt 30 - sqrt 36)^2 = 14.64 (from memory)
    spread = Spread("count", 30.0)
    assert plots_for(spread, Aim(0.2, small_sample=False)) == pytest.approx(14.64, rel=0.05)


def test_sixteen_cv_over_difference_squared_is_near():
    # the textbook rule n = 16 (CV / difference)^2 at 80 % and 5 %
    for cv, difference in ((0.3, 0.2), (0.5, 0.2), (0.3, 0.1)):
        exact = plots_for(Spread("measure", 100.0, sd=100 * cv), Aim(difference))
        assert exact == pytest.approx(16 * (cv / difference) ** 2, rel=0.06)


@settings(deadline=None, max_examples=40)
@given(
    mean=st.floats(0.5, 500),
    k=st.floats(0.3, 100),
    likeness=st.floats(0, 0.9),
    plants=st.integers(1, 30),
    difference=st.floats(0.05, 2),
)
def test_the_plots_needed_have_the_power_asked_for(mean, k, likeness, plants, difference):
    spread = Spread("count", mean, k=k, likeness=likeness)
    aim = Aim(difference)
    plots = plots_for(spread, aim, plants)
    assert plots >= 2
    if plots > 2:
        assert power_for(spread, aim, plots, plants) == pytest.approx(0.8, abs=1e-6)
        # alike plants are worth less, more plants per plot never cost plots
        alike = Spread("count", mean, k=k, likeness=min(likeness + 0.05, 0.95))
        assert plots_for(alike, aim, plants) >= plots - 1e-6
        assert plots_for(spread, aim, plants + 1) <= plots + 1e-6


def test_plants_that_are_wholly_alike_are_as_good_as_one():
    one = plots_for(Spread("measure", 10, sd=3), Aim(0.3))
    many = plots_for(Spread("measure", 10, sd=3, likeness=0.999), Aim(0.3), 50)
    assert many == pytest.approx(one, rel=0.01)


def simulated_power(spread, aim, plots, plants, runs, seed):
    """Draw trials with the spread assumed and count how often plot means differ (Welch's t)."""
    rng = np.random.default_rng(seed)
    found = 0
    for start in range(0, runs, 500):
        size = (min(500, runs - start), plots, plants)
        means = [
            _drawn(rng, spread, mean, size).mean(axis=2)
            for mean in (spread.mean, spread.mean * (1 + aim.difference))
        ]
        logs = [np.log(np.maximum(mean, 0.5)) for mean in means]  # a lone plant may bear none
        test = stats.ttest_ind(*logs, axis=1, equal_var=False)
        found += int((test.pvalue < aim.level).sum())
    return found / runs


def _drawn(rng, spread, mean, size):
    """Counts with variance mean + mean^2 / k, of which plots hold the share `likeness`."""
    variance = mean + mean**2 / spread.k
    shared = spread.likeness * variance / mean**2  # squared CV of plots
    own = (1 + 1 / spread.k) / (1 + shared) - 1  # squared CV of plants round their plot
    plot = rng.gamma(1 / shared, shared, size[:2])[..., None] if shared else 1.0
    plant = rng.gamma(1 / own, own, size)
    return rng.poisson(mean * plot * plant)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("spread", "difference", "plants"),
    [
        (Spread("count", 24.0, k=8.0), 0.4, 1),
        (Spread("count", 24.0, k=8.0, likeness=0.2), 0.3, 3),
        (Spread("count", 40.0, k=12.0, likeness=0.4), -0.25, 4),
    ],
)
def test_simulated_trials_find_the_difference_as_often_as_said(spread, difference, plants):
    aim = Aim(difference)
    plots = need(spread, aim, plants).plots_per_group
    said = power_for(spread, aim, plots, plants)
    seen = simulated_power(spread, aim, plots, plants, runs=4000, seed=5)
    # the log of a mean of few plants is not quite normal: within 5 points is as said
    assert seen == pytest.approx(said, abs=0.05)


def test_a_pilots_spread_is_recovered():
    rng = np.random.default_rng(2)
    spread = Spread("count", 30.0, k=6.0, likeness=0.3)
    plots, plants = 200, 5
    values, groups, places = [], [], []
    for group, mean in (("control", 30.0), ("treated", 36.0)):
        counts = _drawn(rng, spread, mean, (1, plots, plants))[0]
        values += counts.ravel().tolist()
        groups += [group] * counts.size
        places += [f"{group}{plot}" for plot in range(plots) for _ in range(plants)]
    found, cautions = spread_from_pilot(values, groups, places, control="control", kind="count")
    assert found.mean == pytest.approx(30, rel=0.1)
    assert found.k == pytest.approx(6, rel=0.2)
    assert found.likeness == pytest.approx(0.3, abs=0.07)
    assert "2000 plants" in cautions[0]


def test_a_pilots_components_are_those_of_the_rails():
    # Pinheiro & Bates (2000) sec. 1.1: 6 rails x 3, likeness 24.8055^2 / (24.8055^2 + 4.0208^2)
    rails = [[55, 53, 54], [26, 37, 32], [78, 91, 85], [92, 100, 96], [49, 51, 50], [80, 85, 83]]
    values = [value for rail in rails for value in rail]
    places = [f"rail {number}" for number in range(6) for _ in range(3)]
    found, _ = spread_from_pilot(values, ["a"] * 18, places, control="a", kind="measure")
    assert found.mean == pytest.approx(66.5)
    assert found.likeness == pytest.approx(0.9743987, abs=1e-6)
    assert found.sd == pytest.approx(math.hypot(24.8054653, 4.0207794), rel=1e-6)


def test_counts_less_spread_than_chance_are_taken_as_poisson():
    values = [10, 11, 10, 11, 10, 11, 10, 11]
    found, cautions = spread_from_pilot(
        values, ["a"] * 4 + ["b"] * 4, list("12345678"), control="a", kind="count"
    )
    assert math.isinf(found.k)
    assert any("Poisson" in caution for caution in cautions)


@pytest.mark.parametrize(
    ("values", "said"),
    [([1.0, 2.0], "2 plants"), ([5.0] * 8, "plants that bear and that differ")],
)
def test_a_pilot_that_says_nothing_is_refused(values, said):
    half = len(values) // 2
    groups = ["a"] * half + ["b"] * (len(values) - half)
    plots = [str(number) for number in range(len(values))]
    with pytest.raises(PlanError, match=said):
        spread_from_pilot(values, groups, plots, control="a", kind="measure")


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: Spread("count", -3.0), "mean"),
        (lambda: Spread("count", math.nan), "mean"),
        (lambda: Spread("count", 3.0, k=0), "k"),
        (lambda: Spread("measure", 3.0), "standard deviation"),
        (lambda: Spread("measure", 3.0, sd=1.0, likeness=1.0), "likeness"),
        (lambda: Aim(0.0), "difference"),
        (lambda: Aim(-1.0), "difference"),
        (lambda: Aim(0.2, power=1.0), "power"),
        (lambda: Aim(0.2, level=0.0), "level"),
        (lambda: Aim(0.2, margin=0.2), "margin"),
        (lambda: need(UNIT, Aim(1e-5)), "ask for a larger one"),
        (lambda: need(UNIT, Aim(0.2), 0), "plants per plot"),
    ],
)
def test_what_cannot_be_is_refused_by_name(make, said):
    with pytest.raises(PlanError, match=said):
        make()


@pytest.mark.parametrize(
    ("kind", "typed", "said"),
    [
        ("count", {}, "no mean"),
        ("count", {"mean": 20.0}, "no spread"),
        ("measure", {"mean": 20.0}, "no spread"),
        ("count", {"mean": 20.0, "sd": 3.0}, "less than chance alone"),
        ("count", {"mean": 20.0, "sd": 9.0, "k": 3.0}, "one of them"),
    ],
)
def test_what_was_not_typed_is_asked_for(kind, typed, said):
    values = {"mean": None, "sd": None, "k": None, "likeness": None} | typed
    with pytest.raises(PlanError, match=said):
        typed_spread(kind, **values)


def test_a_typed_standard_deviation_becomes_k():
    spread = typed_spread("count", mean=24.0, sd=9.0, k=None, likeness=0.2)
    assert 24 + 24**2 / spread.k == pytest.approx(81)


def test_tables_and_curve_agree_with_the_number_told():
    spread = Spread("count", 24.0, k=10.0, likeness=0.2)
    found = need(spread, Aim(0.25), 3)
    row = next(row for row in found.by_difference if row["difference"] == 0.25)
    same = next(row for row in found.by_plot_size if row["plants_per_plot"] == 3)
    assert row["plots_per_group"] == same["plots_per_group"] == found.plots_per_group
    powers = [point["power"] for point in found.curve]
    assert powers == sorted(powers)
    assert json.loads(json.dumps(found.to_json(), allow_nan=False))["plants_per_plot"] == 3
    assert str(found.plots_per_group) in needed_text(found, "fruit")
    assert needed_picture(found, form="png").startswith(b"\x89PNG")


def run(*words: str) -> Done:
    return counting("plants-needed", *words)


def test_the_command_gives_table_picture_and_json(tmp_path):
    picture = tmp_path / "curve.svg"
    typed = ["--mean", "24", "--sd", "9", "--likeness", "0.2", "--plants-per-plot", "3"]
    done = run(*typed, "--picture", str(picture))
    assert done.code == 0
    assert done.out.startswith("To see 20 % more with a chance of 80 %")
    assert picture.read_text(encoding="utf-8").lstrip().startswith("<?xml")
    machine = json.loads(run(*typed, "--json", "-").out)
    assert machine["measure"] == "fruit"
    assert f"{machine['plots_per_group']} plots of 3" in done.out


def test_the_command_takes_the_spread_from_a_survey_in_the_ledger(tmp_path):
    trial = make_trial(tmp_path / "trial", Beds(blocks=6, plants_per_plot=3))
    counts = np.random.default_rng(4).negative_binomial(6, 0.2, len(trial.plants))
    lines = [f"2026-07-01,{code},{n}" for code, n in zip(trial.plants["code"], counts, strict=True)]
    path = tmp_path / "tally.csv"
    path.write_text("\n".join(["survey,plant,fruit", *lines]) + "\n", encoding="utf-8")
    take_tallies(trial, [path])
    words = ["--trial", str(trial.directory), "--plants-per-plot", "3", "--json", "-"]
    machine = json.loads(run(*words).out)
    control = counts[(trial.plants["group"] == "own-rooted").to_numpy()]
    assert machine["mean"] == pytest.approx(control.mean())
    assert machine["difference"] == trial.plan.smallest_difference
    assert "2026-07-01" in machine["cautions"][0]
    done = run(*words, "--survey", "2026-08-01")
    assert done.code == 2
    assert "one of 2026-07-01" in done.err


def test_the_command_says_in_one_line_what_is_missing():
    done = run("--mean", "24")
    assert done.code == 2
    assert len(done.err.strip().splitlines()) == 1
    assert "--sd" in done.err


def test_within_blocks_the_power_is_that_of_a_paired_comparison_of_plots():
    # R, power.t.test(n = 6, delta = 1, sd = 1, type = "paired") has sd of the differences; two
    # plots that differ by sd 1 / sqrt(2) each do so by 1, with n - 1 degrees of freedom
    half = Spread("measure", 1.0, sd=1 / math.sqrt(2))
    limit = stats.t.isf(0.025, 5)
    shift = math.sqrt(6)
    wanted = stats.nct.sf(limit, 5, shift) + stats.nct.cdf(-limit, 5, shift)
    assert power_for(half, Aim(1.0, blocked=True), 6) == pytest.approx(wanted)
    assert power_for(half, Aim(1.0, blocked=True), 6) < power_for(half, Aim(1.0), 6)
    assert plots_for(UNIT, Aim(0.5, blocked=True)) > plots_for(UNIT, Aim(0.5))


def test_plots_in_blocks_are_told_as_such():
    found = need(Spread("count", 20, k=5), Aim(0.5, blocked=True), 3)
    assert found.sentence.endswith(f", one plot in each of {found.plots_per_group} blocks.")
    assert found.to_json()["blocked"] is True


def tallied(directory, blocks, plants=4, seed=3):
    """Return a trial with a survey whose blocks bear very unlike numbers."""
    trial = make_trial(directory, Beds(blocks=blocks, plants_per_plot=plants))
    rng = np.random.default_rng(seed)
    level = dict(zip("ABCDEFGHIJKL", rng.permutation(np.geomspace(0.4, 2.5, blocks)), strict=False))
    means = 24 * trial.plants["block"].map(level).to_numpy(dtype=float)
    counts = rng.negative_binomial(8, 8 / (8 + means))
    lines = [f"2026-07-01,{code},{n}" for code, n in zip(trial.plants["code"], counts, strict=True)]
    path = directory / "tally.csv"
    path.write_text("\n".join(["survey,plant,fruit", *lines]) + "\n", encoding="utf-8")
    take_tallies(trial, [path])
    return trial


def test_what_blocks_differ_by_is_no_noise_for_a_comparison_within_blocks(tmp_path):
    trial = tallied(tmp_path / "trial", blocks=12)
    words = ["--trial", str(trial.directory), "--plants-per-plot", "4", "--difference", "25%"]
    plain = json.loads(run(*words, "--json", "-").out)
    blocked = json.loads(run(*words, "--blocked", "--json", "-").out)
    # the trial as it was made: plants of k 8 about their block's mean, plots no more alike
    truth = need(Spread("count", 24, k=8), Aim(0.25, blocked=True), 4)
    assert blocked["k"] == pytest.approx(8, rel=0.35)
    assert abs(blocked["plots_per_group"] - truth.plots_per_group) <= 3
    assert plain["plots_per_group"] > 2 * blocked["plots_per_group"]
    assert any("--blocked compares within blocks" in text for text in plain["cautions"])
    assert not any("--blocked" in text for text in blocked["cautions"])


def test_blocks_of_a_measure_are_taken_out_of_its_spread():
    # Snedecor & Cochran's arithmetic for complete blocks: residual mean square of plots
    values = [10.0, 12, 20, 23, 31, 32, 39, 43]
    groups, blocks = ["a", "b"] * 4, ["1", "1", "2", "2", "3", "3", "4", "4"]
    found, _ = spread_from_pilot(
        values, groups, list("ABCDEFGH"), control="a", kind="measure", blocks=blocks
    )
    table = np.array(values).reshape(4, 2)
    left = table - table.mean(0) - table.mean(1)[:, None] + table.mean()
    assert found.sd == pytest.approx(math.sqrt((left**2).sum() / 3))


def test_blocks_that_are_there_are_told_what_they_can_show(tmp_path):
    typed = ["--mean", "24", "--sd", "9", "--likeness", "20 %", "--plants-per-plot", "3"]
    done = run(*typed, "--have-blocks", "5")
    assert done.code == 0, done.err
    first = done.out.splitlines()[0]
    assert first.startswith("5 blocks (15 plants of each group) can show ")
    assert "with a chance of 80 %. If 20 % more is true, such a trial finds it" in first
    shows = json.loads(run(*typed, "--have-blocks", "5", "--json", "-").out)["have_blocks"]
    spread = typed_spread("count", mean=24, sd=9, k=None, likeness=0.2)
    for share in (shows["more"], shows["less"]):
        power = power_for(spread, Aim(share, blocked=True), 5, 3)
        assert power == pytest.approx(0.8, abs=1e-3)
    assert shows["less"] < 0 < shows["more"]
    assert run(*typed, "--have-blocks", "1").code == 2


@pytest.mark.parametrize("option", ["--difference", "--likeness", "--power", "--level"])
def test_a_share_without_its_sign_is_asked_about(option):
    done = run("--mean", "24", "--sd", "9", option, "25")
    assert done.code == 2
    assert "'25': do you mean 25%? Then write 25% or 0.25" in done.err
    assert done.out == ""


def test_percent_and_share_are_the_same_difference():
    told = {run("--mean", "24", "--sd", "9", "--difference", text).out
            for text in ("25 %", "25%", "0.25", "0,25")}  # fmt: skip
    assert len(told) == 1
    assert told.pop().startswith("To see 25 % more")


@pytest.mark.parametrize(
    ("cv", "n"),
    # Diletti, Hauschke & Steinijans (1991) Int. J. Clin. Pharmacol. 29:1-8, table for limits of
    # 0.80 to 1.25, true ratio 0.95, power 80 %, two one-sided tests at 5 %; from memory
    [(0.20, 20), (0.25, 28), (0.30, 40)],
)
def test_two_one_sided_tests_need_the_published_numbers(cv: float, n: int) -> None:
    sigma = math.sqrt(math.log(1 + cv**2))
    ends = (math.log(0.8), math.log(1.25))

    def power(number: int) -> float:
        se = sigma * math.sqrt(2 / number)  # of a cross-over with two periods
        return power_within(ends, math.log(0.95), se, number - 2, level=0.1)

    assert power(n) >= 0.8 > power(n - 2)


def test_a_trial_to_show_that_nothing_matters_is_larger_than_one_to_find_it() -> None:
    spread = Spread("count", 20, k=5)
    none = alike(spread, Aim(0.2))
    assert none.plots_per_group > plots_for(spread, Aim(0.2))
    # simulated: 100 plants a group gave the verdict in 0.605 of the trials (simulation.md)
    pair = pair_variance(spread, Aim(0.0, margin=0.2), 1)
    ends = (math.log(0.8), math.log(1.2))
    assert power_within(ends, 0.0, math.sqrt(pair / 100), 198) == pytest.approx(0.605, abs=0.03)


def test_a_margin_of_all_is_refused() -> None:
    with pytest.raises(PlanError, match="less than 100 %"):
        alike(Spread("count", 20, k=5), Aim(1.5))
