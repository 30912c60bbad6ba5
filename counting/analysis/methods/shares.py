"""Shares of plants above a number, with intervals that hold for few plants."""

from __future__ import annotations

from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from counting.analysis.estimates import ShareAbove, ShareDifference

__all__ = ["newcombe", "share_above", "wilson"]


def wilson(count: float, n: float, level: float = 0.95) -> tuple[float, float]:
    """Return Wilson's interval of a share.

    Parameters
    ----------
    count, n : float
        Plants above and plants in all; need not be whole when n is an effective number.
    level : float
        Of the interval, 0..1.

    References
    ----------
    Wilson (1927) J. Am. Statist. Ass. 22:209-212; method 3 of Newcombe (1998) Statist. Med.
    17:857-872.
    """
    if n <= 0:
        return (0.0, 1.0)
    low, high = proportion_confint(count, n, alpha=1 - level, method="wilson")
    # at the ends the formula is exactly 0 or 1, which rounding would miss
    return (
        0.0 if count <= 0 else max(0.0, float(low)),
        1.0 if count >= n else min(1.0, float(high)),
    )


def share_above(
    values: list[float], above: float, level: float = 0.95, design_effect: float = 1.0
) -> ShareAbove:
    """Count the plants above a number.

    Parameters
    ----------
    values : list of float
        One per plant.
    above : float
        Strictly above it counts.
    level : float
        Of the interval: 0.95 is 95 %.
    design_effect : float
        The plants stand for ``n / design_effect`` independent ones (plants of one plot are alike).
    """
    n = len(values)
    count = sum(value > above for value in values)
    if n == 0:
        return ShareAbove(above, 0, 0, None, None, None)
    low, high = wilson(count / design_effect, n / design_effect, level)
    return ShareAbove(above, count, n, count / n, low, high)


def newcombe(
    group: ShareAbove, control: ShareAbove, level: float = 0.95, design_effect: float = 1.0
) -> ShareDifference:
    """Return the difference of two shares with Newcombe's hybrid score interval.

    Parameters
    ----------
    group, control : ShareAbove
    level : float
        Of the interval: 0.95 is 95 %.
    design_effect : float
        As in `share_above`.

    References
    ----------
    Method 10 of Newcombe (1998) Statist. Med. 17:873-890.
    """
    if group.share is None or control.share is None:
        return ShareDifference(None, None, None)
    low, high = confint_proportions_2indep(
        group.count / design_effect,
        group.n / design_effect,
        control.count / design_effect,
        control.n / design_effect,
        compare="diff",
        method="newcomb",
        alpha=1 - level,
    )
    difference = group.share - control.share
    return ShareDifference(difference, max(-1.0, float(low)), min(1.0, float(high)))
