"""A season drawn by code: fruit set day by day, ripen by the warmth, and are picked when ripe."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

__all__ = ["DrawnSeason", "draw_season"]


@dataclass(frozen=True)
class DrawnSeason:
    """What a season held: n surveys of g groups, a week apart, on day 0, 7, 14 ..."""

    hanging: np.ndarray  # (n, g, 3): green, turning, ripe after the pick
    picked: np.ndarray  # (n, g)
    low_c: np.ndarray  # (days,)
    high_c: np.ndarray
    clock: np.ndarray  # (n,): degree days above 10 / 10 at each survey
    coming: np.ndarray  # (n, 2): as expected from the two weeks before, at the next two


def draw_season(
    seed: int, *, surveys: int = 12, sets: tuple[float, ...] = (2.0, 2.6), green: float = 42.0
) -> DrawnSeason:
    """Draw a season of two groups; `sets` fruit a day reach 10 mm on all plants of each.

    Each fruit ripens at its own pace (SD 12 %), weather swings from week to week, a tenth of the
    ripe fruit is overlooked at each pick, and 5 % fall or rot before they are picked.
    """
    rng = np.random.default_rng(seed)
    days = 7 * (surveys + 2)
    swing = np.repeat(rng.normal(0, 2.0, surveys + 2), 7)
    middle = 20 + swing + rng.normal(0, 1.0, days)
    low, high = middle - 7, middle + 7
    warmth = np.maximum((low + high) / 2 - 10, 0) / 10  # days at 20 degrees
    time = np.concatenate([[0.0], np.cumsum(warmth)])
    hanging = np.zeros((surveys, len(sets), 3))
    picked = np.zeros((surveys, len(sets)))
    for group, rate in enumerate(sets):
        born = np.repeat(np.arange(-60, days), rng.poisson(rate, days + 60))
        started = np.where(born < 0, born.astype(float), time[np.maximum(born, 0)])
        pace = np.exp(rng.normal(0, 0.12, len(born)))
        turns, ripens = started + green * pace, started + (green + 8) * pace
        lost = rng.random(len(born)) < 0.05
        gone = ripens < 0
        for survey in range(surveys):
            now = time[7 * survey]
            there = (started <= now) & ~gone & ~lost
            ripe = there & (ripens <= now)
            taken = ripe & (rng.random(len(born)) < 0.9)
            picked[survey, group] = taken.sum()
            gone |= taken
            there &= ~gone
            ripe &= ~gone
            turning = there & (turns <= now) & ~ripe
            hanging[survey, group] = [(there & ~turning & ~ripe).sum(), turning.sum(), ripe.sum()]
    at = 7 * np.arange(surveys)
    daily = (time[at] - time[np.maximum(at - 14, 0)]) / np.clip(at, 1, 14)
    daily[0] = daily[1]
    coming = np.outer(daily, [7.0, 14.0])
    return DrawnSeason(hanging, picked, low, high, time[at], coming)
