"""What a trial says of two groups: one place decides."""

from __future__ import annotations

from counting.analysis.result import Comparison, Contrast, Verdict

__all__ = ["margin", "verdict"]


def verdict(contrast: Contrast, comparison: Comparison) -> Verdict:
    """Return what the trial says of a group and the control.

    A difference is told where the headline's p, adjusted where it is one of several, is under the
    level and its interval, of several groups that of all together, leaves out no difference. Two
    one-sided tests at the same level tell that no difference matters: that interval lies within
    the smallest difference worth having. That comes before a difference told, which then is too
    small to matter. A part of a measure that is told beside it is not judged: a verdict for each
    of green, turning and ripe fruit would judge one count several times over, and raise the p of
    all that was measured besides.

    Parameters
    ----------
    contrast : Contrast
    comparison : Comparison

    References
    ----------
    Schuirmann (1987) J. Pharmacokin. Biopharm. 15:657-680 (two one-sided tests).
    """
    if not comparison.finished():
        return "unfinished"
    if not comparison.replicated:
        return "could not tell"
    if comparison.part_of is not None:
        return "not judged"
    best, neutral = contrast.told(), contrast.neutral()
    low, high = best.low, best.high
    within = margin(contrast, comparison)
    if within and low is not None and neutral - within < low <= (high or 0.0) < neutral + within:
        return "no difference that matters"
    p = contrast.p_told()
    if best.value is None or p is None or p >= 1 - comparison.level:
        return "could not tell"
    bounded = best.low is not None and best.high is not None
    if bounded and (best.low or 0.0) <= neutral <= (best.high or 0.0):
        return "could not tell"
    if not bounded and contrast.basis not in {"superiority", "lots"}:
        return "could not tell"
    return "more" if best.value > neutral else "fewer"


def margin(contrast: Contrast, comparison: Comparison) -> float | None:
    """Return the smallest difference worth having, in the headline's own unit.

    Parameters
    ----------
    contrast : Contrast
    comparison : Comparison
    """
    share = comparison.smallest_difference
    if share is None or contrast.basis in {"superiority", "lots"}:
        return None
    if contrast.basis in {"ratio", "true counts"}:
        return share
    control = next((g.mean for g in comparison.groups if g.group == contrast.control), None)
    return share * abs(control) if control else None
