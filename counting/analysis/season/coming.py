"""The coming picks of a trial, told only where the way to tell them held on its earlier weeks."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from counting.analysis.result import Comparison, as_json
from counting.analysis.season.forecast import SURE, Forecast, Weeks, forecast
from counting.analysis.season.harvest import Harvest, harvest_of
from counting.analysis.words.phrases import and_list, number
from counting.ledger import Ledger
from counting.plan.trial import Trial
from counting.records.diary import events
from counting.records.hanging import STAGES, hanging
from counting.records.warmth import BASE_C, degree_days, warmth

__all__ = ["Coming", "Expected", "coming_picks", "picked_and_coming"]

_AHEAD = (1, 2)
_LATEST_DAYS = 14
"""The warmth of so many last days is taken for that to come (common practice: as it was)."""


@dataclass(frozen=True, slots=True)
class Expected:
    """What to expect of a group.

    Attributes
    ----------
    plants : int
        That the figures are of.
    """

    group: str
    plants: int
    value: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Coming:
    """One coming pick.

    Attributes
    ----------
    day : str
        When, by the plan's surveys or the usual time between them.
    planned : bool
        Whether the plan names it.
    measure : str
        ``"picked_fruit"`` or ``"picked_weight"``.
    ahead : int
        1: the next one.
    clock : {"days", "degree days"}
        What ripening was reckoned in.
    groups : tuple of Expected
        Figures None where they are withheld.
    shown : bool
    checked, held, weeks : int
        See `counting.analysis.season.forecast.Forecast`.
    sentence : str
    """

    day: str
    planned: bool
    measure: str
    ahead: int
    clock: str
    groups: tuple[Expected, ...]
    shown: bool
    checked: int
    held: int
    weeks: int
    sentence: str = ""

    def to_json(self) -> dict[str, Any]:
        """Return the figures as JSON values."""
        value: dict[str, Any] = as_json(asdict(self))
        return value


def picked_and_coming(
    trial: Trial, ledger: Ledger, table: pd.DataFrame, made: Sequence[Comparison] = ()
) -> tuple[Harvest | None, tuple[Coming, ...]]:
    """Return what was picked in a trial, and what to expect at its coming picks.

    Parameters
    ----------
    trial : Trial
    ledger : Ledger
        The trial's, open.
    table : DataFrame
        Columns `counting.tables.OBSERVATIONS`.
    made : sequence of Comparison
        Those made already.
    """
    found = harvest_of(trial, table, made)
    if found is None:
        return None, ()
    there, warm = hanging(trial, ledger, table), warmth(events(ledger))
    return found, coming_picks(trial, table, there, warm)


def coming_picks(
    trial: Trial, table: pd.DataFrame, hanging: pd.DataFrame, warm: pd.DataFrame
) -> tuple[Coming, ...]:
    """Forecast the next pick and the one after, of each group's plants together.

    Parameters
    ----------
    trial : Trial
    table : DataFrame
        Columns `counting.tables.OBSERVATIONS`.
    hanging : DataFrame
        Columns `counting.records.hanging.HANGING`; counted after that day's pick.
    warm : DataFrame
        Columns `counting.records.warmth.WARMTH`; without enough of it days are counted.

    Returns
    -------
    tuple of Coming
        Empty where fruit were never counted by stage, or nothing was ever picked.
    """
    places = trial.plants.set_index("code")["group"]
    groups = [group.name for group in trial.plan.groups]
    counted = hanging.assign(group=hanging["plant"].map(places)).dropna(subset=["group"])
    days = sorted(set(counted["survey"]))
    found: list[Coming] = []
    if len(days) < 2:
        return ()
    size = counted.groupby("group")["plant"].nunique().reindex(groups).fillna(0).astype("int64")
    each: NDArray[np.float64] = np.asarray(size, "float64")
    means = counted.groupby(["survey", "group"])[list(STAGES)].mean()
    there = _filled(means, days, groups) * each[None, :, None]
    ahead = _days_ahead(trial, days)
    clock, coming, name = _clock(days, [day for day, _ in ahead], warm)
    for measure in ("picked_fruit", "picked_weight"):
        picked = _picked(table, measure, days, groups) * each
        if not np.isfinite(picked[1:]).any():
            continue
        weeks = Weeks(there, picked, clock, coming)
        for step, (day, planned) in zip(_AHEAD, ahead, strict=True):
            told = forecast(weeks, step)
            found.append(_told(told, measure, (day, planned), name, list(size.items())))
    return tuple(found)


def _filled(means: pd.DataFrame, days: Sequence[str], groups: Sequence[str]) -> NDArray[np.float64]:
    """Return mean fruit by survey, group and stage; NaN where none were counted."""
    index = pd.MultiIndex.from_product([days, groups], names=["survey", "group"])
    return means.reindex(index).to_numpy("float64").reshape(len(days), len(groups), len(STAGES))


def _picked(
    table: pd.DataFrame, measure: str, days: Sequence[str], groups: Sequence[str]
) -> NDArray[np.float64]:
    """Return what was picked of a plant from one count to the next; NaN where nothing is known."""
    rows = table[(table["measure"] == measure) & table["truss"].isna() & table["value"].notna()]
    means = rows.groupby(["group", "survey"])["value"].mean()
    out = np.full((len(days), len(groups)), math.nan)
    for place, (start, end) in enumerate(zip(days, days[1:], strict=False), start=1):
        for at, group in enumerate(groups):
            mine = means[group] if group in means.index.get_level_values(0) else pd.Series()
            between = [value for day, value in mine.items() if start < str(day) <= end]
            if between:
                out[place, at] = float(sum(between))
    return out


def _days_ahead(trial: Trial, days: Sequence[str]) -> list[tuple[str, bool]]:
    """Return the next two dates, and whether the plan names them."""
    last = pd.Timestamp(days[-1])
    gaps = np.diff(pd.to_datetime(pd.Series(days)).to_numpy()).astype("timedelta64[D]")
    usual = pd.Timedelta(days=int(np.median(gaps.astype(int))))
    planned = [day.isoformat() for day in trial.plan.surveys if pd.Timestamp(day) > last]
    found = [(day, True) for day in planned[: len(_AHEAD)]]
    while len(found) < len(_AHEAD):
        before = pd.Timestamp(found[-1][0]) if found else last
        found.append((f"{before + usual:%Y-%m-%d}", False))
    return found


def _clock(
    days: Sequence[str], ahead: Sequence[str], warm: pd.DataFrame
) -> tuple[NDArray[np.float64], NDArray[np.float64], str]:
    """Return the time at each count, from each to the next picks, and what it was reckoned in.

    At each count the warmth to come is taken to be that of the days before, as one had to then.
    """
    calendar = pd.to_datetime(pd.Series([*days, *ahead]))
    plain = (calendar - calendar.iloc[0]).dt.days.to_numpy("float64")
    gaps = np.array(
        [[plain[at + step] - plain[at] for step in _AHEAD] for at in range(len(days))], "float64"
    )
    spans = [degree_days(warm, *pair) for pair in zip(days, days[1:], strict=False)]
    if not np.isfinite(spans).all() or not sum(spans):
        return np.asarray(plain[: len(days)], "float64"), gaps, "days"
    one = 20.0 - BASE_C  # degree days of a day at 20 degrees
    clock = np.concatenate([[0.0], np.cumsum(spans)]) / one
    daily = [
        warm[warm["day"] <= day].tail(_LATEST_DAYS)["degree_days"].mean() / one for day in days
    ]
    daily[0] = daily[1] if math.isnan(daily[0]) else daily[0]
    return clock, gaps * np.array(daily)[:, None], "degree days"


def _told(
    found: Forecast,
    measure: str,
    when: tuple[str, bool],
    clock: str,
    sizes: Sequence[tuple[Any, int]],
) -> Coming:
    shown = found.holds and bool(np.isfinite(found.low).any())

    def figure(values: np.ndarray, at: int) -> float | None:
        return float(values[at]) if shown and np.isfinite(values[at]) else None

    groups = tuple(
        Expected(
            str(group),
            int(plants),
            *(figure(values, at) for values in (found.value, found.low, found.high)),
        )
        for at, (group, plants) in enumerate(sizes)
    )
    said = _sentence(found, groups, measure, when) if shown else _withheld(found, when[0])
    return Coming(
        when[0], when[1], measure, found.ahead, clock, groups, shown,
        found.checked, found.held, found.weeks, said,
    )  # fmt: skip


def _sentence(
    found: Forecast, groups: Sequence[Expected], measure: str, when: tuple[str, bool]
) -> str:
    parts = [
        f"{_amount(each.value, measure)} from the {each.plants} {each.group} plants "
        f"({_amount(each.low, measure, bare=True)} to {_amount(each.high, measure)})"
        for each in groups
        if each.value is not None
    ]
    about = "on" if when[1] else "about"
    return (
        f"At the pick {about} {when[0]} expect {and_list(parts)}; a pick should lie between such "
        f"ends in {100 * SURE:.0f} weeks of 100. Tried on {found.weeks} earlier weeks from what "
        f"was known then, {found.held} of {found.checked} picks lay within."
    )


def _withheld(found: Forecast, day: str) -> str:
    """Say why there is no forecast."""
    text = f"No forecast yet of the pick of {day}: "
    if found.weeks < 1 or not found.checked:
        return (
            f"{text}it needs a few weeks of counts by ripeness, each with its pick, to be tried on."
        )
    if not found.proved:
        return (
            f"{text}tried on {found.weeks} earlier weeks, only {found.held} of {found.checked} "
            "picks lay where it said."
        )
    if found.wide:
        return f"{text}the picks so far went up and down too much for it to be of use."
    return f"{text}it was tried on {found.weeks} earlier week only."


def _amount(value: float | None, measure: str, *, bare: bool = False) -> str:
    if measure == "picked_weight":
        kilos = number((value or 0.0) / 1000, 2)
        return kilos if bare else f"{kilos} kg"
    fruit = number(float(round(value or 0.0)))
    return fruit if bare else f"{fruit} fruit"
