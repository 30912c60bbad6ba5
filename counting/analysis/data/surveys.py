"""Several surveys of the same plants brought to one value for each plant."""

from __future__ import annotations

import numpy as np
import pandas as pd

from counting.measures import Kind

__all__ = ["course_of", "days_to_half", "over_surveys", "some_are"]

_ROUNDS = 200
"""Most rounds of the two-way fit; complete tables need two."""
_TOLERANCE = 1e-10


def some_are(number: int, noun: str) -> str:
    """Return, as in: 1 value is, 3 values are."""
    return f"1 {noun} is" if number == 1 else f"{number} {noun}s are"


def over_surveys(
    visits: pd.DataFrame, kind: Kind, unit: str, notes: list[str]
) -> tuple[pd.DataFrame, str]:
    """Turn a plant's surveys into one value: rate, mean, median or area under the curve."""
    key = ["group", "block", "plot", "plant"]
    grouped = visits.groupby(key, sort=False)
    number = visits["survey"].nunique()
    if kind == "percent":
        whole = _with_ends(visits, notes, every=False)
        areas = pd.DataFrame(
            [(*names, _area(visit)) for names, visit in whole.groupby(key, sort=False)],
            columns=[*key, "value"],
        )
        short = areas["value"].isna()
        if short.any():
            notes.append(f"{some_are(short.sum(), 'plant')} left out: seen at one survey only.")
        notes.append(
            f"Compared is the area under the progress curve over {number} surveys "
            "(percent times days)."
        )
        return areas[~short].assign(exposure=1.0), "percent days"
    incomplete = int((grouped.size() < number).sum())
    if incomplete:
        notes.append(
            f"{some_are(incomplete, 'plant')} not seen at every survey; the level of the surveys "
            "they were seen at is taken into account."
        )
    if kind == "grade":
        notes.append(f"Compared is each plant's median grade over {number} surveys.")
        return grouped["value"].median().reset_index().assign(exposure=1.0), unit
    notes.append(f"Compared are the plants over {number} surveys together, each plant once.")
    if kind == "count":
        return _count_rates(visits, key), unit
    return _adjusted_means(visits, key), unit


def course_of(
    visits: pd.DataFrame, course: str, measure: str, notes: list[str]
) -> tuple[pd.DataFrame, str]:
    """Bring each plant's surveys to one summary (Matthews et al. 1990, Br. Med. J. 300:230-235).

    Parameters
    ----------
    visits : DataFrame
        ``group, block, plot, plant, survey, value``; one line for each plant and survey.
    course : str
        A word of `counting.analysis.question.Course`.
    measure : str
    notes : list of str
        What was left out is added.
    """
    key = ["group", "block", "plot", "plant"]
    if course in _OF_PICKS:
        visits = _every_pick(visits, notes)
    elif course in _WITH_ENDS:
        visits = _with_ends(visits, notes, every=course == "peak")
    days = pd.to_datetime(visits["survey"])
    visits = visits.assign(day=(days - days.min()).dt.days.astype("float64"))
    last = float(visits["day"].max())
    rows = []
    never = 0
    for names, visit in visits.sort_values("day").groupby(key, sort=False):
        day, value = visit["day"].to_numpy(), visit["value"].to_numpy()
        figure = _summary(course, day, value)
        if course == "first" and np.isinf(figure):
            never, figure = never + 1, last
        rows.append((*names, figure))
    table = pd.DataFrame(rows, columns=[*key, "value"])
    short = table["value"].isna()
    if short.any():
        why = "nothing was picked" if course == "half" else "seen at one survey only"
        notes.append(f"{some_are(short.sum(), 'plant')} left out: {why}.")
    if never:
        notes.append(
            f"{never} plants had none by the last survey; its day stands for them, so that groups "
            "differ by more than is seen here."
        )
    name = measure.replace("_", " ")
    units = {"area": f"{name} days", "slope": f"{name} a week", "first": "days", "half": "days"}
    unit = units.get(course, "")
    return table[~short].assign(exposure=1.0), unit


_OF_PICKS = frozenset({"total", "half"})
_WITH_ENDS = frozenset({"area", "peak", "change"})
"""Of fewer days an area is smaller, a peak may be missed, and a change is another one."""


def _with_ends(visits: pd.DataFrame, notes: list[str], *, every: bool) -> pd.DataFrame:
    """Leave out plants not seen at the first and last survey of their block, or not at every one.

    A survey missed between the two is drawn straight from its neighbours.
    """
    place = visits.groupby("block")["survey"]
    own = visits.groupby(["group", "block", "plot", "plant"])["survey"]
    if every:
        lacking, which = own.transform("nunique") < place.transform("nunique"), "every survey"
    else:
        late = own.transform("min") > place.transform("min")
        lacking = late | (own.transform("max") < place.transform("max"))
        which = "the first and the last survey"
    lost = visits[lacking].drop_duplicates(["group", "block", "plot", "plant"])
    if len(lost):
        of = ", ".join(f"{n} of {name}" for name, n in lost["group"].value_counts().items())
        notes.append(f"{some_are(len(lost), 'plant')} left out ({of}): not seen at {which}.")
    whole: pd.DataFrame = visits[~lacking]
    return whole


def _every_pick(visits: pd.DataFrame, notes: list[str]) -> pd.DataFrame:
    """Leave out plants that lack a pick that others of their plot have: their sum is not known."""
    picks = visits.groupby("plot")["survey"].transform("nunique")
    lacking = visits.groupby(["plot", "plant"])["survey"].transform("nunique") < picks
    plants = visits.loc[lacking, ["plot", "plant"]].drop_duplicates()
    if len(plants):
        notes.append(
            f"{some_are(len(plants), 'plant')} left out: not recorded at every pick of the plot "
            "(nothing picked is written as 0)."
        )
    whole: pd.DataFrame = visits[~lacking]
    number = whole["survey"].nunique()
    if number > 1:
        notes.append(f"{number} picks are added up, each plant once.")
    return whole


def _summary(course: str, day: np.ndarray, value: np.ndarray) -> float:
    """Return one figure of a plant's surveys; NaN where there are too few, inf for never."""
    if course == "peak":
        return float(value.max())
    if course == "total":
        return float(value.sum())
    if course == "half":
        return days_to_half(day, value)
    if course == "first":
        seen = day[value > 0]
        return float(seen[0]) if len(seen) else float("inf")
    if len(day) < 2:
        return float("nan")
    if course == "area":
        return float(np.trapezoid(value, day))
    if course == "slope":
        off = day - day.mean()
        return float(off @ value / (off @ off)) * 7
    # half a fruit is added, since a plant may have none at the first or last survey
    return float(np.log((value[-1] + 0.5) / (value[0] + 0.5)))


def days_to_half(day: np.ndarray, value: np.ndarray) -> float:
    """Return the day on which half of all that was picked had been picked.

    Parameters
    ----------
    day : (n,) float64
        Of each pick, rising.
    value : (n,) float64
        Picked on it; between two picks the sum is taken to rise evenly.

    Returns
    -------
    float
        NaN where nothing was picked.
    """
    upto = np.cumsum(value)
    if not len(upto) or upto[-1] <= 0:
        return float("nan")
    half = upto[-1] / 2
    at = int(np.searchsorted(upto, half))
    if at == 0:
        return float(day[0])
    share = (half - upto[at - 1]) / (upto[at] - upto[at - 1])
    return float(day[at - 1] + share * (day[at] - day[at - 1]))


def _area(visits: pd.DataFrame) -> float:
    """Area under one plant's progress curve by trapezoids (Shaner & Finney 1977), value x days."""
    if len(visits) < 2:
        return float("nan")
    days = pd.to_datetime(visits["survey"]).to_numpy().astype("datetime64[D]").astype("float64")
    order = np.argsort(days)
    return float(np.trapezoid(visits["value"].to_numpy()[order], days[order]))


def _count_rates(visits: pd.DataFrame, key: list[str]) -> pd.DataFrame:
    """Totals over surveys with, as exposure, the surveys' levels in a plant-by-survey Poisson fit.

    With every plant at every survey the exposure is the number of surveys.
    """
    plant = visits.groupby(key, sort=False).ngroup().to_numpy()
    survey, _ = pd.factorize(visits["survey"])
    value, base = visits["value"].to_numpy(), visits["exposure"].to_numpy()
    totals = np.bincount(plant, value)
    level = np.ones(survey.max() + 1)
    for _ in range(_ROUNDS):
        exposure = np.bincount(plant, base * level[survey])
        rate = totals / exposure
        expected = np.bincount(survey, base * rate[plant])
        fresh = np.divide(
            np.bincount(survey, value), expected, out=np.zeros_like(level), where=expected > 0
        )
        if fresh.sum() == 0:
            break
        fresh *= len(level) / fresh.sum()
        done = bool(np.max(np.abs(fresh - level)) < _TOLERANCE)
        level = fresh
        if done:
            break
    out = visits.groupby(key, sort=False, as_index=False)["value"].sum()
    out["exposure"] = np.bincount(plant, base * level[survey])
    seen: pd.DataFrame = out[out["exposure"] > 0]
    return seen


def _adjusted_means(visits: pd.DataFrame, key: list[str]) -> pd.DataFrame:
    """Plant means over surveys, adjusted for the surveys missed by an additive two-way fit."""
    plant = visits.groupby(key, sort=False).ngroup().to_numpy()
    survey, _ = pd.factorize(visits["survey"])
    value = visits["value"].to_numpy()
    seen, visited = np.bincount(plant), np.bincount(survey)
    level = np.zeros(survey.max() + 1)
    for _ in range(_ROUNDS):
        mean = np.bincount(plant, value - level[survey]) / seen
        fresh = np.bincount(survey, value - mean[plant]) / visited
        fresh -= fresh.mean()
        done = bool(np.max(np.abs(fresh - level)) < _TOLERANCE * (1 + np.abs(value).max()))
        level = fresh
        if done:
            break
    out = visits.groupby(key, sort=False).first().reset_index()[key]
    return out.assign(value=np.bincount(plant, value - level[survey]) / seen, exposure=1.0)
