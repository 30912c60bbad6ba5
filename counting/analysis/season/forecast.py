"""The coming picks from what hangs by stage of ripeness, checked on the weeks that are known."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

__all__ = ["GREEN_DAYS", "SURE", "TURNING_DAYS", "Forecast", "Weeks", "forecast", "ripe_within"]

Floats = NDArray[np.float64]

GREEN_DAYS, TURNING_DAYS = 35.0, 7.0
"""Days at 20 degrees Celsius that a tomato hangs green, from 10 mm on, and then with some colour
until it is ripe: common practice, from memory. They are where a trial's own fit begins."""
SURE = 0.8
"""Share of the weeks in which the interval should hold what is picked."""
_HELD = 0.7
"""Share of the checked picks that must have lain within, so that it is shown (chosen by
simulation: `tests/simulation.md`)."""
_WEEKS_OF_ERRORS, _WEEKS_CHECKED = 2, 2
"""Weeks with a known error that an interval takes, and weeks on which it is checked (chosen)."""
_LEAST = 0.1
"""Least variance of the logarithm, for each fruit expected: two weeks can agree by luck."""
_WIDEST = 6.0
"""An interval whose ends are this many times apart helps nobody to plan a pick (chosen)."""
_STRETCHES = np.geomspace(0.4, 2.5, 43)
"""Factors on both times that are tried."""
_SPREAD = 0.35
"""Standard deviation of the logarithm of that factor before anything is known of the trial: half
to twice the usual times (chosen)."""


@dataclass(frozen=True, slots=True)
class Weeks:
    """What is known of n surveys of g groups.

    Attributes
    ----------
    hanging : (n, g, 3) float64
        Green, turning and ripe fruit left hanging at each survey; NaN where not counted.
    picked : (n, g) float64
        Picked since the survey before, fruit or weight; NaN where not recorded. The first row is
        not used.
    clock : (n,) float64
        Time at each survey, in days at 20 degrees Celsius.
    coming : (n, a) float64
        From each survey to the next picks 1, 2 ... ahead, as it was expected then.
    """

    hanging: Floats
    picked: Floats
    clock: Floats
    coming: Floats


@dataclass(frozen=True, slots=True)
class Forecast:
    """One coming pick.

    Attributes
    ----------
    ahead : int
        1 for the next pick, 2 for the one after.
    value, low, high : (g,) float64
        Of each group; NaN where not known.
    checked, held : int
        Earlier picks forecast so from what was known then, and those that lay in their interval.
    weeks : int
        Weeks on which that was checked.
    """

    ahead: int
    value: Floats
    low: Floats
    high: Floats
    checked: int
    held: int
    weeks: int

    @property
    def holds(self) -> bool:
        """Whether the interval has proved itself and is narrow enough to plan by."""
        return self.weeks >= _WEEKS_CHECKED and self.proved and not self.wide

    @property
    def proved(self) -> bool:
        """Whether enough of the checked picks lay in their intervals."""
        return self.held >= _HELD * self.checked

    @property
    def wide(self) -> bool:
        """Whether the ends are too far apart for all groups to be of use."""
        apart = (self.high + 1) / (self.low + 1)
        return not bool((apart[np.isfinite(apart)] < _WIDEST).any())


def ripe_within(hanging: Floats, span: Floats | float, stretch: Floats | float = 1.0) -> Floats:
    """Return how many of the fruit that hang will be ripe within a time.

    Within a stage fruit are taken to be of all ages alike.

    Parameters
    ----------
    hanging : (..., 3) float64
        Green, turning, ripe.
    span : (...) float64 or float
        Days at 20 degrees Celsius.
    stretch : (...) float64 or float
        Factor on the times of both stages.

    Returns
    -------
    (...) float64
        For all that the three go together with.
    """
    turning, green = (np.asarray(stretch * days) for days in (TURNING_DAYS, GREEN_DAYS))
    of_green = np.clip((span - turning) / green, 0.0, 1.0)
    of_turning = np.minimum(span / turning, 1.0)
    return np.asarray(
        hanging[..., 0] * of_green + hanging[..., 1] * of_turning + hanging[..., 2], "float64"
    )


def forecast(weeks: Weeks, ahead: int = 1) -> Forecast:
    """Forecast a coming pick, and check the way on every earlier one.

    What is picked is taken to be a fixed share (or weight) of the fruit that ripen. That share and
    one factor on the ripening times are fitted to the picks known at the time. The interval is as
    wide as the errors of such forecasts were, on the log scale, by Student's t with a degree of
    freedom for each week, since groups err together.

    Parameters
    ----------
    weeks : Weeks
    ahead : int
        1 for the next pick, 2 for the one after.
    """
    n, groups = weeks.picked.shape
    errors: dict[int, Floats] = {}  # by the pick forecast
    checked = held = counted = 0
    nothing = np.full(groups, math.nan)
    value = low = high = nothing
    for now in range(1, n):
        value = _expected(weeks, now, ahead)
        low, high = _interval(value, [error for at, error in errors.items() if at <= now])
        at = now + ahead
        if at >= n:
            continue
        true = weeks.picked[at]
        known = np.isfinite(true) & np.isfinite(low)
        if known.any():
            counted += 1
            checked += int(known.sum())
            held += int(((low <= true) & (true <= high))[known].sum())
        error = np.log((true + 0.5) / (value + 0.5))
        if np.isfinite(error).any():
            errors[at] = error
        # a pick two ahead of the last survey is not known yet: the loop's last turn forecasts it
    return Forecast(ahead, value, low, high, checked, held, counted)


def _expected(weeks: Weeks, now: int, ahead: int) -> Floats:
    """Return the pick `ahead` of survey `now` as expected from what was known then."""
    fitted = _fit(weeks, now)
    if fitted is None:
        return np.full(weeks.picked.shape[1], math.nan)
    share, stretch = fitted
    upto = ripe_within(weeks.hanging[now], float(weeks.coming[now, ahead - 1]), stretch)
    if ahead > 1:
        upto = upto - ripe_within(weeks.hanging[now], float(weeks.coming[now, ahead - 2]), stretch)
    return share * upto


def _fit(weeks: Weeks, now: int) -> tuple[float, float] | None:
    """Return the share picked of what ripens, and the factor on the times, from picks up to now.

    On square roots, where counts vary alike (Anscombe 1948 Biometrika 35:246-254).
    """
    spans = np.diff(weeks.clock[: now + 1])[:, None]
    true, hanging = weeks.picked[1 : now + 1], weeks.hanging[:now]
    known = np.isfinite(hanging.sum(axis=-1)) & np.isfinite(true)
    if not known.any() or true[known].sum() <= 0:
        return None
    ripe = ripe_within(hanging, spans, _STRETCHES[:, None, None])[:, known]
    total = ripe.sum(axis=1)
    share = true[known].sum() / np.where(total > 0, total, np.nan)
    # per fruit, so that weights count as the fruit that they are of
    unit = np.maximum(share, 1.0)[:, None]
    off = np.sqrt(true[known] / unit) - np.sqrt(share[:, None] * ripe / unit)
    cost = 4 * (off**2).sum(axis=1) + (np.log(_STRETCHES) / _SPREAD) ** 2
    if not np.isfinite(cost).any():
        return None
    best = int(np.nanargmin(cost))
    return float(share[best]), float(_STRETCHES[best])


def _interval(value: Floats, errors: list[Floats]) -> tuple[Floats, Floats]:
    """Return both ends from the errors of earlier forecasts, one row for each week."""
    weeks = len(errors)
    if weeks < _WEEKS_OF_ERRORS:
        nothing = np.full(len(value), math.nan)
        return nothing, nothing
    squares = float(np.mean([np.nanmean(error**2) for error in errors]))
    spread = np.sqrt(np.maximum(squares, _LEAST / (value + 1)) * (1 + 1 / weeks))
    reach = float(stats.t.ppf((1 + SURE) / 2, weeks)) * spread
    low, high = (value + 0.5) * np.exp(-reach) - 0.5, (value + 0.5) * np.exp(reach) - 0.5
    return np.maximum(low, 0.0), high
