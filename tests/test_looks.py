"""Several looks at one trial."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from trials import Beds, add_photo, confirm, make_trial

from counting.analysis.methods.looks import chance_of_showing, correlation_of, obrien_fleming
from counting.analysis.trial import answers
from counting.plan.trial import load_trial


def test_lan_and_demets_bounds_of_five_looks() -> None:
    # two-sided 0.05, five equal steps of information: 4.8769, 3.3569, 2.6803, 2.2898, 2.0310
    # (Reboussin, DeMets, Kim & Lan 2000, Controlled Clin. Trials 21:190-207; from memory)
    found = obrien_fleming([0.2, 0.4, 0.6, 0.8, 1.0])
    assert found == pytest.approx((4.8769, 3.3569, 2.6803, 2.2898, 2.0310), abs=2e-3)


@pytest.mark.parametrize(("looks", "chance"), [(1, 0.05), (2, 0.083), (5, 0.142)])
def test_chances_of_repeated_looks_are_the_published_ones(looks: int, chance: float) -> None:
    # Armitage, McPherson & Rowe (1969) J. R. Statist. Soc. A 132:235-244, table 2; from memory
    times = np.arange(1, looks + 1)
    correlation = np.sqrt(np.minimum.outer(times, times) / np.maximum.outer(times, times))
    assert chance_of_showing(correlation) == pytest.approx(chance, abs=5e-4)


def test_bounds_for_looks_that_have_nothing_in_common_keep_the_error_of_all() -> None:
    bounds = np.array(obrien_fleming([0.25, 0.5, 0.75, 1.0], correlation=np.eye(4)))
    inside = 1 - 2 * stats.norm.sf(bounds)
    assert 1 - inside.prod() == pytest.approx(0.05, abs=5e-4)
    sums = np.array(obrien_fleming([0.25, 0.5, 0.75, 1.0]))
    assert bounds[0] == pytest.approx(sums[0])
    assert (bounds[1:] > sums[1:]).all()


def test_looks_at_the_same_values_are_one_look() -> None:
    values = np.random.default_rng(1).normal(size=30)
    same = correlation_of(np.column_stack([values, 2 * values, values + 3]))
    assert same == pytest.approx(np.ones((3, 3)))


def surveyed(directory: Path, plan: str) -> Path:
    rng = np.random.default_rng(4)
    trial = make_trial(directory, Beds(blocks=1, plants_per_plot=10), allotted_to="plant")
    text = (directory / "trial.toml").read_text(encoding="utf-8")
    (directory / "trial.toml").write_text(
        text.replace("seed =", f"{plan}\nseed ="), encoding="utf-8"
    )
    for row in trial.plants.to_dict("records"):
        for survey in ("2026-07-01", "2026-07-08", "2026-07-15"):
            confirm(trial, add_photo(trial, row["code"], survey=survey), int(rng.poisson(15)))
    return directory


def test_without_a_deciding_survey_the_looks_are_counted(tmp_path: Path) -> None:
    plan = "surveys = [2026-07-01, 2026-07-08, 2026-07-15, 2026-07-22]"
    (found,) = answers(load_trial(surveyed(tmp_path / "t", plan)))
    assert found.cautions[0].startswith("This is look 3 at this measure and no survey was named")
    assert (
        "3 of 4, and keep the error of all looks together, p must be under 0.0" in found.cautions[0]
    )
    assert found.comparisons[0].verdict != "unfinished"


def test_before_the_deciding_survey_the_page_gives_no_verdict(tmp_path: Path) -> None:
    plan = "surveys = [2026-07-01, 2026-07-15, 2026-08-01]\ndeciding_survey = 2026-08-01"
    (found,) = answers(load_trial(surveyed(tmp_path / "t", plan)))
    assert found.sentence.startswith("The survey of 2026-07-15 is not yet the deciding one")
    assert found.comparisons[0].verdict == "unfinished"
    assert "To decide at this look, 2 of 3" in found.cautions[0]
