"""Several trials together: what they say of one treatment over seasons and places."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from counting.analysis.data.table_file import read_raw
from counting.analysis.estimates import Estimate
from counting.analysis.methods.pooling import BESIDE, Between, Pooled, pool
from counting.analysis.methods.student import student
from counting.analysis.result import as_json
from counting.analysis.trial import answers
from counting.analysis.words.phrases import and_list, number, percent, plants_of
from counting.errors import AnalysisError
from counting.files import read_text
from counting.plan.trial import PLAN_NAME, load_trial

__all__ = ["COMPARISON_NAME", "Part", "Together", "pool_table", "pool_trials"]

COMPARISON_NAME = "comparison.json"
"""In an export: what ``counting compare --measure all --json`` writes, the main measure first."""
_ALIKE = ("measure", "kind", "unit", "control", "per")
"""What the trials must have in common."""
_DIFFER = 0.1
"""Cochran's Q has little power with few trials: from this p on they are said to differ."""


@dataclass(frozen=True, slots=True)
class Part:
    """One trial's estimate: of a ratio its logarithm.

    Attributes
    ----------
    trial : str
        Its name.
    value, variance : float
        The estimate and its squared standard error.
    """

    trial: str
    value: float
    variance: float


@dataclass(frozen=True, slots=True)
class Together:
    """One group against the control over all trials.

    Attributes
    ----------
    group, control, measure : str or None
        None for a table of ratios.
    parts : tuple of Part
    pooled : Pooled
        Of ratios the logarithms'; of measures without a ratio the differences'.
    ratio : bool
        Whether the values are logarithms of ratios.
    difference : Pooled or None
        Of the differences, beside the ratios, where every trial has one.
    """

    group: str | None
    control: str | None
    measure: str | None
    unit: str
    parts: tuple[Part, ...]
    pooled: Pooled
    ratio: bool
    difference: Pooled | None = None

    def each(self) -> tuple[Estimate, ...]:
        """Return every trial's estimate with its interval by the normal curve."""
        return tuple(student(part.value, math.sqrt(part.variance), math.inf) for part in self.parts)

    def sentence(self) -> str:
        """Return the answer in plain words, with what to expect in a next place."""
        mean, found = self.pooled.mean, self.pooled
        who = f"Over {len(self.parts)} trials "
        if self.group is not None and self.control is not None:
            who += f"{plants_of(self.group)}, held against {plants_of(self.control)}, have "
        else:
            who += "the groups came to "
        text = (
            f"{who}{self._side(mean.value)} {self.measure or ''}".rstrip()
            + f" (between {self._side(mean.low)} and {self._side(mean.high)}). "
            f"In a next place expect between {self._side(found.prediction_low)} and "
            f"{self._side(found.prediction_high)}."
        )
        if found.q_p < _DIFFER:
            text += (
                f" The trials differ by more than chance: {found.i2:.0f} % of the variation is "
                "between them, so ask what differs between the places."
            )
        by_errors = found.wald
        if _width(mean) < _width(by_errors):
            # Hartung and Knapp's interval rests on how the trials lie; Wiksten, Ruecker & Schwarzer
            # (2016) Statist. Med. 35:2503-2515 ask for the wider of the two
            text += (
                " The trials lie closer together than chance alone would put them; by the errors "
                f"of the trials the mean lies between {self._side(by_errors.low)} and "
                f"{self._side(by_errors.high)}: believe this wider range."
            )
        if len(self.parts) < _FEW:
            text += f" {len(self.parts)} trials say little of how places differ."
        return text

    def _side(self, value: float | None) -> str:
        value = value or 0.0
        if self.ratio:
            ratio = math.exp(value)
            if ratio >= _MANIFOLD:
                return f"{number(ratio, 2)} times as many"
            return f"{percent(ratio - 1)} {'more' if ratio >= 1 else 'fewer'}"
        unit = f" {self.unit}" if self.unit not in {"", "count"} else ""
        return f"{number(abs(value))}{unit} {'more' if value >= 0 else 'less'}"

    def to_json(self) -> dict[str, Any]:
        """Return the figures under the names that others read."""
        mean, found = self.pooled.mean, self.pooled
        name = "log_ratio" if self.ratio else "difference"
        value: dict[str, Any] = as_json(
            {
                "group": self.group,
                "control": self.control,
                "measure": self.measure,
                name: mean.value,
                "se": mean.se,
                "low": mean.low,
                "high": mean.high,
                "p": mean.p,
                "df": mean.df,
                "tau2": found.tau2,
                "q": found.q,
                "q_p": found.q_p,
                "i2": found.i2,
                "prediction_low": found.prediction_low,
                "prediction_high": found.prediction_high,
                "method": mean.method,
                "trials": [asdict(part) for part in self.parts],
                "also": [_flat(_pooled(self.parts, each), name) for each in BESIDE],
                "of_differences": self.difference and asdict(self.difference),
                "sentence": self.sentence(),
            }
        )
        return value


def _flat(found: Pooled, name: str) -> dict[str, Any]:
    """Return the figures of another estimate of the variance between trials."""
    mean, wald = found.mean, found.wald
    return {
        "method": mean.method,
        name: mean.value,
        "se": mean.se,
        "low": mean.low,
        "high": mean.high,
        "tau2": found.tau2,
        "i2": found.i2,
        "prediction_low": found.prediction_low,
        "prediction_high": found.prediction_high,
        "wald_se": wald.se,
        "wald_low": wald.low,
        "wald_high": wald.high,
    }


def _width(estimate: Estimate) -> float:
    return (estimate.high or 0.0) - (estimate.low or 0.0)


_FEW = 4
_MANIFOLD = 5.0
"""From here on people think in times, not in percent."""


def pool_table(path: Path) -> Together:
    """Pool the log ratios of a table with the columns ``trial, log_ratio, variance``.

    Raises
    ------
    AnalysisError
        If a column is missing, a value is no number, or there are fewer than two trials.
    """
    cells = read_raw(path).cells
    wanted = ("trial", "log_ratio", "variance")
    missing = [name for name in wanted if name not in cells.columns]
    if missing:
        there = f"columns {', '.join(cells.columns)}"
        raise AnalysisError(path, f"no column {', '.join(missing)}", ", ".join(wanted), there)
    values, variances = (pd.to_numeric(cells[name], errors="coerce") for name in wanted[1:])
    wrong = ~(np.isfinite(values) & np.isfinite(variances) & (variances > 0))
    if wrong.any():
        lines = and_list([str(at + 2) for at in np.flatnonzero(wrong)[:5]])
        raise AnalysisError(path, f"line {lines}: no log ratio with a variance above 0", "numbers")
    parts = tuple(map(Part, cells["trial"], values.astype(float), variances.astype(float)))
    _several(path, parts)
    return Together(None, None, None, "", parts, _pooled(parts), ratio=True)


def pool_trials(places: Sequence[Path], measure: str | None = None) -> tuple[Together, ...]:
    """Pool the comparisons of several trials, one for each group against the control.

    Parameters
    ----------
    places : sequence of Path
        Trials' folders, folders that ``counting export`` wrote, or results of ``counting compare
        --json``.
    measure : str, optional
        Another measure than the main one of the trials.

    Raises
    ------
    AnalysisError
        If there are fewer than two, or they differ in measure, unit, control or groups.
    """
    names = [place.resolve().name for place in places]
    alone = len(set(names)) == len(names)  # a folder's name is enough where it tells them apart
    found = {
        name if alone else str(place): _comparison(place, measure)
        for name, place in zip(names, places, strict=True)
    }
    if len(found) < 2:
        where, few = "counting pool", f"{len(found)} trial"
        raise AnalysisError(where, few, "two or more different ones")
    _all_alike(found)
    first = next(iter(found.values()))
    return tuple(
        _together([(name, _contrast(name, each, row["group"])) for name, each in found.items()],
                  row["group"], first)
        for row in first["comparisons"]
    )  # fmt: skip


def _comparison(place: Path, measure: str | None) -> dict[str, Any]:
    """Return a trial's comparison as its JSON has it."""
    if place.is_dir() and (place / PLAN_NAME).is_file():
        return answers(load_trial(place), measure)[0].to_json()
    place = place / COMPARISON_NAME if (place / COMPARISON_NAME).is_file() else place
    if place.suffix != ".json":
        mend = "name trials' folders, their exports, or files written by counting compare --json"
        raise AnalysisError(place, "no trial and no comparison", mend=mend)
    try:
        read = json.loads(read_text(place))
    except json.JSONDecodeError as error:
        raise AnalysisError(place, f"not JSON ({error})", "a comparison's JSON") from error
    several = read if isinstance(read, list) else [read]
    for each in several:
        if isinstance(each, dict) and "comparisons" in each and measure in {None, each["measure"]}:
            return dict(each)
    raise AnalysisError(place, "no such comparison in it", "what counting compare --json writes")


def _all_alike(found: dict[str, dict[str, Any]]) -> None:
    """Refuse trials that ask different things."""
    first_name, first = next(iter(found.items()))
    groups = {row["group"] for row in first["comparisons"]}
    if first.get("kind") == "grade":
        mend = "compare each trial by itself, or pool a measure that is counted or measured"
        raise AnalysisError(first_name, "grades, which have no estimate to pool", mend=mend)
    for name, each in found.items():
        unlike = [key for key in _ALIKE if each.get(key) != first.get(key)]
        for key in unlike:
            text = f"{key} {each.get(key)!r}, where {first_name} has {first.get(key)!r}"
            raise AnalysisError(name, text, "trials that ask the same")
        if {row["group"] for row in each["comparisons"]} != groups:
            here = and_list(sorted(row["group"] for row in each["comparisons"]))
            text = f"groups {here}, where {first_name} has {and_list(sorted(groups))}"
            raise AnalysisError(name, text, "trials of the same treatments")
        if not each.get("complete", True):
            raise AnalysisError(name, "the survey is unfinished", "trials that are whole")


def _contrast(name: str, comparison: dict[str, Any], group: str) -> dict[str, Any]:
    row = next(row for row in comparison["comparisons"] if row["group"] == group)
    if not comparison.get("replicated", True):
        raise AnalysisError(name, "one plot for each group", "trials that repeat each group")
    return dict(row)


def _together(
    rows: list[tuple[str, dict[str, Any]]], group: str, first: dict[str, Any]
) -> Together:
    counts = first["kind"] == "count"
    parts = tuple(_part(name, row, ratio=counts) for name, row in rows)
    difference = None
    if counts:
        bare = [_difference(name, row) for name, row in rows]
        known = tuple(each for each in bare if each is not None)
        difference = _pooled(known) if len(known) == len(rows) else None
    return Together(
        group, first["control"], first["measure"].replace("_", " "), first["unit"], parts,
        _pooled(parts), counts, difference,
    )  # fmt: skip


def _part(name: str, row: dict[str, Any], *, ratio: bool) -> Part:
    """Return a trial's headline with its standard error."""
    best = row["headline"]
    value, se = best["estimate"], best.get("se")
    if value is None or not se or not (value > 0 or not ratio):
        found = "no estimate with a standard error"
        raise AnalysisError(name, found, mend="leave this trial out, and say so")
    return Part(Path(name).stem, math.log(value) if ratio else value, se**2)


def _difference(name: str, row: dict[str, Any]) -> Part | None:
    """Return Welch's difference with its standard error."""
    value, se = row["difference"], row.get("difference_se")
    return Part(Path(name).stem, value, se**2) if value is not None and se else None


def _several(path: Path, parts: Sequence[Part]) -> None:
    if len(parts) < 2:
        raise AnalysisError(path, f"{len(parts)} trial", "two or more")


def _pooled(parts: Sequence[Part], between: Between = "Paule and Mandel") -> Pooled:
    values = np.array([part.value for part in parts])
    return pool(values, np.array([part.variance for part in parts]), between=between)
