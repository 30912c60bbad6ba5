"""Several trials together."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from trials import Beds, add_photo, confirm, make_trial
from typer.testing import CliRunner

from counting.analysis.methods.pooling import pool
from counting.analysis.season.pool import pool_table
from counting.analysis.words.phrases import percent
from counting.cli import app
from counting.errors import CountingError

runner = CliRunner()

# Colditz et al. (1994) J. Am. Med. Ass. 271:698-702: vaccinated and ill, vaccinated and well, not
# vaccinated and ill, not vaccinated and well, in 13 trials (metafor: dat.bcg)
BCG = (
    (4, 119, 11, 128), (6, 300, 29, 274), (3, 228, 11, 209), (62, 13536, 248, 12619),
    (33, 5036, 47, 5761), (180, 1361, 372, 1079), (8, 2537, 10, 619), (505, 87886, 499, 87892),
    (29, 7470, 45, 7232), (17, 1699, 65, 1600), (186, 50448, 141, 27197), (5, 2493, 3, 2338),
    (27, 16886, 29, 17825),
)  # fmt: skip


def bcg() -> tuple[np.ndarray, np.ndarray]:
    """Return the log risk ratios and their variances."""
    a, b, c, d = np.array(BCG, "float64").T
    return np.log(a / (a + b) / (c / (c + d))), 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)


def run(*arguments: object) -> Any:
    words = [*map(str, arguments), "--json", "-"]
    done = runner.invoke(app, words, catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


@pytest.mark.parametrize(
    ("between", "mean", "se", "tau2"),
    [
        # metafor 3.8 (R 4.2.2) with test="knha"
        ("REML", -0.71453235, 0.18079175, 0.3132),
        ("DerSimonian and Laird", -0.71411722, 0.18069663, 0.30876026),
        ("Paule and Mandel", -0.71497041, 0.18089271, 0.31809371),
    ],
)
def test_thirteen_trials_of_a_vaccine(between: Any, mean: float, se: float, tau2: float) -> None:
    found = pool(*bcg(), between=between)
    assert (found.mean.value, found.mean.se, found.tau2) == pytest.approx(
        (mean, se, tau2), abs=1e-4
    )
    assert found.q == pytest.approx(152.2330, abs=1e-4)
    if between == "REML":
        assert (found.mean.low, found.mean.high) == pytest.approx(
            (-1.10844372, -0.32062097), abs=1e-4
        )
        assert (found.prediction_low, found.prediction_high) == pytest.approx(
            (-1.9960, 0.5670), abs=1e-4
        )
        assert found.i2 == pytest.approx(92.22, abs=0.005)


def test_the_variance_between_is_that_of_a_reference_library() -> None:
    from statsmodels.stats.meta_analysis import combine_effects

    reference = combine_effects(*bcg(), method_re="iterated", use_t=True)
    found = pool(*bcg())
    assert found.tau2 == pytest.approx(reference.tau2, abs=1e-4)
    assert found.mean.se == pytest.approx(reference.sd_eff_w_re_hksj, abs=1e-4)


@settings(deadline=None, max_examples=30)
@given(
    st.lists(st.tuples(st.floats(-2, 2), st.floats(0.01, 1)), min_size=2, max_size=8),
    st.floats(-1, 1),
)
def test_moving_all_trials_moves_the_mean_and_nothing_else(
    trials: list[tuple[float, float]], by: float
) -> None:
    values, variances = np.array(trials).T
    one, other = pool(values, variances), pool(values + by, variances)
    assert other.mean.value == pytest.approx((one.mean.value or 0) + by, abs=1e-6)
    assert other.tau2 == pytest.approx(one.tau2, abs=1e-6)
    assert one.prediction_low <= (one.mean.value or 0) <= one.prediction_high


def test_a_table_of_ratios_is_pooled(tmp_path: Path) -> None:
    path = tmp_path / "bcg.csv"
    rows = [f"t{n},{y},{v}" for n, (y, v) in enumerate(zip(*bcg(), strict=True))]
    path.write_text("\n".join(["trial,log_ratio,variance", *rows]) + "\n", encoding="utf-8")
    found = run("pool", "--csv", path, "--picture", tmp_path / "forest.svg")
    assert found["log_ratio"] == pytest.approx(-0.71497041, abs=1e-4)
    assert {"se", "low", "high", "tau2", "q", "i2", "prediction_low", "prediction_high",
            "method"} <= set(found)  # fmt: skip
    assert "Paule and Mandel; Hartung and Knapp" in found["method"]
    reml, laird = found["also"]
    assert (reml["log_ratio"], reml["wald_se"], reml["wald_low"], reml["wald_high"]) == (
        pytest.approx((-0.7145, 0.1798, -1.0669, -0.3622), abs=1e-4)
    )
    assert reml["tau2"] == pytest.approx(0.3132, abs=1e-4)
    assert (laird["log_ratio"], laird["se"]) == pytest.approx((-0.71411722, 0.18069663), abs=1e-4)
    assert "In a next place expect between" in found["sentence"]
    assert "differ by more than chance" in found["sentence"]
    assert (tmp_path / "forest.svg").read_text(encoding="utf-8").startswith("<svg")
    path.write_text("trial,log_ratio,variance\na,0.1,0\n", encoding="utf-8")
    with pytest.raises(CountingError, match="line 2: no log ratio"):
        runner.invoke(app, ["pool", "--csv", str(path)], catch_exceptions=False)


def test_trials_that_agree_by_luck_are_told_with_the_wider_range(tmp_path: Path) -> None:
    table = tmp_path / "t.csv"
    table.write_text("trial,log_ratio,variance\na,0.300,0.04\nb,0.301,0.04\nc,0.302,0.04\n")
    pooled = pool_table(table)
    half = 1.959964 * math.sqrt(0.04 / 3)  # without a variance between: the mean of all three
    low, high = math.exp(0.301 - half), math.exp(0.301 + half)
    assert f"between {percent(low - 1)} more and {percent(high - 1)} more: believe" in (
        pooled.sentence()
    )
    table.write_text("trial,log_ratio,variance\na,0.1,0.04\nb,0.7,0.04\nc,-0.3,0.04\n")
    assert "believe this wider range" not in pool_table(table).sentence()


def counted(directory: Path, more: int, seed: int, groups: tuple[str, ...]) -> Path:
    rng = np.random.default_rng(seed)
    trial = make_trial(directory, Beds(blocks=4, plants_per_plot=2), groups=groups)
    for row in trial.plants.to_dict("records"):
        extra = more * (row["group"] != groups[0])
        confirm(trial, add_photo(trial, row["code"]), int(rng.poisson(15 + extra)))
    return directory


def test_trials_of_two_seasons_are_pooled_and_unlike_ones_refused(tmp_path: Path) -> None:
    both = ("own-rooted", "grafted")
    first = counted(tmp_path / "north", 4, 1, both)
    second = counted(tmp_path / "south", 6, 2, both)
    found = run("pool", first, second)
    assert (found["group"], found["control"], found["measure"]) == ("grafted", *both[:1], "fruit")
    assert [part["trial"] for part in found["trials"]] == ["north", "south"]
    assert found["of_differences"]["mean"]["value"] > 0
    assert "2 trials say little of how places differ" in found["sentence"]
    written = tmp_path / "south.json"
    run("compare", second)
    done = runner.invoke(app, ["compare", str(second), "--json", str(written)])
    assert done.exit_code == 0
    assert run("pool", first, written)["log_ratio"] == pytest.approx(found["log_ratio"])
    other = counted(tmp_path / "east", 4, 3, ("own-rooted", "pruned"))
    with pytest.raises(CountingError, match="groups pruned, where"):
        runner.invoke(app, ["pool", str(first), str(other)], catch_exceptions=False)
    with pytest.raises(CountingError, match="two or more"):
        runner.invoke(app, ["pool", str(first)], catch_exceptions=False)


def test_grades_are_not_pooled_and_the_refusal_says_what_can_be(tmp_path: Path) -> None:
    rows = [{"group": "new"}]
    for name in ("a.json", "b.json"):
        about = {"measure": "disease_grade", "kind": "grade", "comparisons": rows, "name": name}
        (tmp_path / name).write_text(json.dumps(about), encoding="utf-8")
    both = [str(tmp_path / name) for name in ("a.json", "b.json")]
    with pytest.raises(CountingError, match=r"grades, which .* pool a measure that is counted"):
        runner.invoke(app, ["pool", *both], catch_exceptions=False)


def test_exports_are_pooled_as_their_trials_are_and_told_on_a_page(tmp_path: Path) -> None:
    both = ("own-rooted", "grafted")
    trials = [counted(tmp_path / name, 5, at, both) for at, name in enumerate(("north", "south"))]
    places = []
    for trial in trials:
        places.append(tmp_path / f"{trial.name} exported")
        done = runner.invoke(app, ["export", str(trial), "--out", str(places[-1])])
        assert done.exit_code == 0, done.output
    page = tmp_path / "pooled.html"
    found = run("pool", *places, "--page", page)
    assert found["log_ratio"] == run("pool", *trials)["log_ratio"]
    text = page.read_text(encoding="utf-8")
    assert "In a next place expect between" in text.replace("\N{NO-BREAK SPACE}", " ")
    assert "north exported" in text
    assert not re.findall(r'(?:src|href)="(?!#|data:)', text)
    assert text.count("<svg role=") == 1
    (places[0] / "comparison.json").unlink()
    with pytest.raises(CountingError, match="no trial and no comparison"):
        runner.invoke(app, ["pool", *map(str, places)], catch_exceptions=False)
