"""The randomisation test: what the lots could have given, had the treatment done nothing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from counting.analysis.estimates import Randomisation

__all__ = ["randomisation_test"]

_WORK = 100_000_000
"""Most cells of the exact count to fill: well under a second on one core."""
_LARGEST_DENOMINATOR = 5040
"""Values are brought to whole numbers when a common denominator up to this exists (it is divisible
by 1..10, so it covers means of up to ten plants) or a power of ten does."""
_DECIMALS = 6
_LISTED = 200_000
"""Most arrangements to list one by one: a fifth of a second."""
_REPEATS = 16
"""From so many plants for each distinct value on it is quicker to draw the values' numbers."""
_CHUNK = 2_000_000


def randomisation_test(
    values: NDArray[np.float64],
    treated: NDArray[np.bool_],
    blocks: Sequence[str] | None,
    *,
    draws: int,
    seed: int,
) -> Randomisation:
    """Test two groups over all ways in which the lots could have fallen.

    Parameters
    ----------
    values : (n,) float64
        One per unit to which the treatment was allotted.
    treated : (n,) bool
        Which units got the treatment.
    blocks : sequence of str or None
        Lots were drawn within blocks; None: over all units.
    draws, seed : int
        Arrangements drawn at random where the exact count is too long; the p value is then
        ``(1 + as extreme) / (1 + draws)``.

    Returns
    -------
    Randomisation
        Two-sided: arrangements whose total for the treated lies at least as far from the total
        expected over the draw as the real one. With equal groups or no blocks this orders
        arrangements just as the difference of means does.

    References
    ----------
    Fisher (1935) The Design of Experiments; the exact count by the shift algorithm of Streitberg
    and Roehmel (1986), Statist. Software Newsletter 12:10-17.
    """
    strata = _strata(values, treated, blocks)
    arrangements = math.prod(math.comb(len(part), taken) for part, taken in strata)
    if arrangements <= 1:
        return Randomisation(None, True, float(arrangements), None, None, None)
    number = float(arrangements) if arrangements < 2**1000 else None
    smallest = _smallest(strata, arrangements)
    whole = _whole(values)
    if whole is not None:
        strata = _strata(whole.astype("float64"), treated, blocks)
        work = _work(strata)
        # a few blocks of weights in grams: their totals are many, the ways of the lots few
        if work <= _WORK and not arrangements <= min(_LISTED, work):
            p = _exact(strata, whole, treated)
            return Randomisation(p, True, number, smallest, None, None)
    if arrangements <= _LISTED:
        p = _listed(_strata(values, treated, blocks), values, treated)
        return Randomisation(p, True, number, smallest, None, None)
    p = _drawn(_strata(values, treated, blocks), values, treated, draws, seed)
    return Randomisation(p, False, number, smallest, draws, seed)


Strata = list[tuple[NDArray[np.float64], int]]


def _strata(
    values: NDArray[np.float64], treated: NDArray[np.bool_], blocks: Sequence[str] | None
) -> Strata:
    """Values and number treated of each block."""
    if blocks is None:
        return [(values, int(treated.sum()))]
    names = np.asarray(blocks, dtype=object)
    return [
        (values[names == name], int(treated[names == name].sum())) for name in dict.fromkeys(blocks)
    ]


def _smallest(strata: Strata, arrangements: int) -> float:
    """The mirror image of an arrangement is as extreme only where halves can be exchanged."""
    mirrored = all(2 * taken == len(part) or taken in {0, len(part)} for part, taken in strata)
    return (2 if mirrored else 1) / arrangements


def _whole(values: NDArray[np.float64]) -> NDArray[np.int64] | None:
    """Return the values times a common denominator as whole numbers, or None if there is none.

    With floats, ties with the real total would be lost to rounding.
    """
    scale = np.abs(values).max(initial=0.0) or 1.0
    for decimals in range(_DECIMALS + 1):
        scaled = values * 10**decimals
        if np.all(np.abs(scaled - np.round(scaled)) <= 1e-9 * max(1.0, scale)):
            return _rounded(scaled)
    denominator = 1
    for value in values.tolist():
        fraction = Fraction(value).limit_denominator(_LARGEST_DENOMINATOR)
        if abs(float(fraction) - value) > 1e-12 * scale:
            return None
        denominator = math.lcm(denominator, fraction.denominator)
        if denominator > _LARGEST_DENOMINATOR:
            return None
    return _rounded(values * denominator)


def _rounded(values: NDArray[np.float64]) -> NDArray[np.int64]:
    return np.asarray(np.round(values), dtype="int64")


def _work(strata: Strata) -> float:
    """Cells that the exact count fills, and products that put the blocks together."""
    spans = [float((part - part.min()).sum()) for part, _ in strata if len(part)]
    span = sum(spans)
    together = upto = 0.0
    for one in spans:
        together += upto * one
        upto += one
    return together + sum(
        len(part) * (min(taken, len(part) - taken) + 1) * (span + 1) for part, taken in strata
    )


def _exact(strata: Strata, whole: NDArray[np.int64], treated: NDArray[np.bool_]) -> float:
    """Return the exact p by counting, for every total, the arrangements that give it."""
    chances = np.ones(1)
    base = 0
    expected = Fraction(0)
    for part, taken in strata:
        if not len(part):
            continue
        numbers = part.astype("int64")
        low = int(numbers.min())
        expected += Fraction(int(numbers.sum()) * taken, len(part))
        base += low * taken
        chances = np.convolve(chances, _block_chances(numbers - low, taken))
    real = int(whole[treated].sum())
    far = abs(real - expected)
    # whole numbers throughout: |total - expected| >= far, multiplied by the denominator
    bottom = expected.denominator
    distance = np.abs((np.arange(len(chances)) + base) * bottom - expected.numerator)
    return float(min(1.0, chances[distance >= int(far * bottom)].sum()))


def _block_chances(numbers: NDArray[np.int64], taken: int) -> NDArray[np.float64]:
    """Chance of every total of `taken` of the numbers drawn without replacement.

    Filled number by number: ``table[j, s]`` is the share of the ways to have taken j so far with
    total s; kept as chances (each number is taken with the chance the draw leaves it), so that
    nothing overflows.
    """
    n = len(numbers)
    mirrored = taken > n - taken
    few = n - taken if mirrored else taken
    span = int(numbers.sum())
    table = np.zeros((few + 1, span + 1))
    table[0, 0] = 1.0
    taken_so_far = np.arange(few + 1)[:, None]
    for index, number in enumerate(numbers.tolist()):
        chance = np.clip((few - taken_so_far) / (n - index), 0.0, 1.0)
        fresh = table * (1 - chance)
        fresh[1:, number:] += (table * chance)[:-1, : span + 1 - number]
        table = fresh
    return table[few, ::-1] if mirrored else table[few]


def _listed(strata: Strata, values: NDArray[np.float64], treated: NDArray[np.bool_]) -> float:
    """Return the exact p by listing the arrangements, for values with no common denominator."""
    totals = np.zeros(1)
    expected = 0.0
    for part, taken in strata:
        expected += float(part.mean()) * taken
        sums = np.array([sum(pick) for pick in combinations(part.tolist(), taken)])
        totals = np.add.outer(totals, sums).ravel()
    far = abs(float(values[treated].sum()) - expected)
    return float((np.abs(totals - expected) >= far - _slack(values)).mean())


def _slack(values: NDArray[np.float64]) -> float:
    """Totals that differ by less than this differ by rounding alone."""
    return 1e-9 * max(float(np.abs(values).sum()), 1e-300)


def _drawn(
    strata: Strata, values: NDArray[np.float64], treated: NDArray[np.bool_], draws: int, seed: int
) -> float:
    """Return the p over arrangements drawn at random within blocks."""
    rng = np.random.default_rng(seed)
    expected = sum(float(part.mean()) * taken for part, taken in strata)
    far = abs(float(values[treated].sum()) - expected)
    totals = np.zeros(draws)
    for part, taken in strata:
        totals += _drawn_totals(rng, part, taken, draws)
    extreme = int((np.abs(totals - expected) >= far - _slack(values)).sum())
    return (1 + extreme) / (1 + draws)


def _drawn_totals(
    rng: np.random.Generator, part: NDArray[np.float64], taken: int, draws: int
) -> NDArray[np.float64]:
    """Totals of `taken` values of a block drawn without replacement, `draws` times.

    Where values repeat it is enough to draw how often each is taken.
    """
    distinct, times = np.unique(part, return_counts=True)
    if len(distinct) * _REPEATS <= len(part):
        return np.asarray(rng.multivariate_hypergeometric(times, taken, size=draws) @ distinct)
    totals = np.empty(draws)
    chunk = max(1, _CHUNK // len(part))
    for start in range(0, draws, chunk):
        rows = min(chunk, draws - start)
        sets = _drawn_sets(rng, len(part), taken, rows)
        # not by BLAS, whose threads would cost more time of the processor than they save
        totals[start : start + rows] = np.einsum("ij,j->i", sets, part)
    return totals


def _drawn_sets(rng: np.random.Generator, n: int, taken: int, rows: int) -> NDArray[np.float64]:
    """Draw sets of `taken` out of n without replacement, one a row: 1 for what is taken.

    Every one is tossed for, then too many or too few are mended by picks at random: given their
    number all sets are equally likely after the toss, and stay so after every pick. That is many
    times quicker than shuffling.
    """
    threshold = round(256 * taken / n)
    sets = rng.integers(0, 256, (rows, n), dtype="uint8") < threshold
    excess = sets.sum(axis=1) - taken
    wrong = np.flatnonzero(excess)
    while len(wrong):
        pick = rng.integers(0, n, len(wrong))
        sign = np.sign(excess[wrong])
        mended = sets[wrong, pick] == (sign > 0)
        sets[wrong[mended], pick[mended]] ^= True
        excess[wrong[mended]] -= sign[mended]
        wrong = wrong[excess[wrong] != 0]
    return sets.astype("float64")
