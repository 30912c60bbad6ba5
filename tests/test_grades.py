"""Grades within blocks: van Elteren's test, counted out by hand and held against libraries."""

from itertools import combinations, product

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.contingency_tables import StratifiedTable

from counting.analysis.compare import compare
from counting.analysis.methods.grades import blocks_can_tell, grades_together, superiority
from counting.analysis.question import Question
from counting.analysis.words.phrases import percent


def in_blocks(pairs: list[tuple[list[float], list[float]]]) -> tuple:
    """Return the values of both groups, and the block of each."""
    sides = [np.array([value for pair in pairs for value in pair[side]]) for side in (0, 1)]
    names = [
        [str(place) for place, pair in enumerate(pairs) for _ in pair[side]] for side in (0, 1)
    ]
    return *sides, (names[0], names[1])


def higher(group: list[float], control: list[float]) -> float:
    """How many pairs the group wins, ties counted half."""
    return sum((a > b) + (a == b) / 2 for a in group for b in control)


def test_the_p_within_blocks_is_that_of_all_ways_the_lots_could_have_fallen() -> None:
    pairs = [([3.0, 4.0], [1.0, 3.0]), ([5.0, 4.0, 2.0], [2.0, 1.0]), ([2.0], [1.0, 2.0])]
    group, control, blocks = in_blocks(pairs)
    found = superiority(group, control, blocks=blocks)

    def far(parts: list[tuple[list[float], list[float]]]) -> float:
        return abs(
            sum((higher(a, b) - len(a) * len(b) / 2) / (len(a) + len(b) + 1) for a, b in parts)
        )

    ways = []
    for a, b in pairs:
        both = [*a, *b]
        ways.append(
            [
                ([both[i] for i in taken], [both[i] for i in range(len(both)) if i not in taken])
                for taken in combinations(range(len(both)), len(a))
            ]
        )
    every = np.array([far(list(parts)) for parts in product(*ways)])
    assert len(every) == 6 * 10 * 3
    assert found.p == pytest.approx(np.mean(every >= far(pairs) - 1e-9))
    # 3.5 of 4, 5.5 of 6 and 1.5 of 2 pairs, the blocks weighing 4 / 5, 6 / 6 and 2 / 4
    assert found.value == pytest.approx((3.5 / 5 + 5.5 / 6 + 1.5 / 4) / (4 / 5 + 1 + 2 / 4))


def test_one_block_is_mann_and_whitneys() -> None:
    rng = np.random.default_rng(3)
    group, control = rng.integers(2, 6, 9) * 1.0, rng.integers(1, 5, 7) * 1.0
    plain = superiority(group, control)
    within = superiority(group, control, blocks=(["I"] * 9, ["I"] * 7))
    ends = [(each.value, each.low, each.high, each.p) for each in (plain, within)]
    assert ends[0] == ends[1]
    lone = superiority(group, control, blocks=(["I"] * 8 + ["II"], ["I"] * 7))
    assert lone.p == superiority(group[:8], control).p


def test_within_pairs_it_is_the_sign_test() -> None:
    rng = np.random.default_rng(5)
    group, control = rng.normal(0.6, 1, 11), rng.normal(0, 1, 11)
    names = [str(place) for place in range(11)]
    found = superiority(group, control, blocks=(names, names))
    wins = int((group > control).sum())
    assert found.value == pytest.approx(wins / 11)
    assert found.p == pytest.approx(stats.binomtest(wins, 11).pvalue)


def test_of_many_plants_of_two_grades_it_is_mantel_and_haenszels() -> None:
    rng = np.random.default_rng(7)
    pairs = [
        ((rng.random(14) < 0.4 + lift).tolist(), (rng.random(14) < 0.25 + lift).tolist())
        for lift in (0.0, 0.1, 0.2, 0.3)
    ]
    group, control, blocks = in_blocks([([*map(float, a)], [*map(float, b)]) for a, b in pairs])
    tables = [[[sum(a), 14 - sum(a)], [sum(b), 14 - sum(b)]] for a, b in pairs]
    published = StratifiedTable(tables).test_null_odds(correction=False).pvalue
    assert superiority(group, control, blocks=blocks).p == pytest.approx(published)


def test_several_groups_are_adjusted_within_blocks() -> None:
    # how often, of all ways the lots may fall within blocks, one of the groups lies as far off
    rng = np.random.default_rng(4)
    values = rng.normal(0, 1, (4, 16)) + 3 * np.arange(4)[:, None]
    values[:, 12:] += 1.0
    names = [str(block) for block in range(4) for _ in range(4)]

    def parts(drawn: np.ndarray) -> dict[str, np.ndarray]:
        return {g: drawn[:, 4 * n : 4 * n + 4].ravel() for n, g in enumerate("abcd")}

    def farthest(drawn: np.ndarray) -> float:
        above = drawn[:, None, 4:, None] > drawn[:, None, None, :4]
        return float(np.abs(above.reshape(4, 3, 4, 4).sum(axis=(0, 2, 3)) - 32).max())

    seen = farthest(values)
    drawn = [farthest(rng.permuted(values, axis=1)) for _ in range(4000)]
    share = float(np.mean(np.array(drawn) >= seen - 1e-9))
    found = grades_together(parts(values), "a", blocks=dict.fromkeys("abcd", names))
    assert min(each.p for each in found.values()) == pytest.approx(share, abs=0.012)
    for name, each in found.items():
        own = superiority(parts(values)[name], parts(values)["a"], blocks=(names, names))
        assert (own.p or 0) < each.p
        assert (each.low or 0) < (own.low or 0) < (own.high or 1) < (each.high or 1)


def vigour(blocks: int, plants: int) -> pd.DataFrame:
    """Blocks far apart, in each of which b stands one grade higher than most of a."""
    rows = [
        (block, group, 10 * block + (place % 2) + (group == "b"))
        for block in range(blocks)
        for group in "ab"
        for place in range(plants)
    ]
    return pd.DataFrame(rows, columns=["block", "group", "value"]).astype({"block": "str"})


def test_a_trial_in_blocks_compares_grades_within_them_and_says_so() -> None:
    table = vigour(4, 3)
    found = compare(table, Question("vigour", kind="grade", control="a"))
    across = compare(table.drop(columns="block"), Question("vigour", kind="grade", control="a"))
    (within,), (plain,) = found.comparisons, across.comparisons
    assert (within.verdict, plain.verdict) == ("more", "could not tell")
    chance = within.superiority
    said = f"{percent(chance.low or 0)} and {percent(chance.high or 0)}) of pairs of one block"
    assert said in within.sentence
    assert "of pairs," in plain.sentence
    assert any("only with those of its own block" in text for text in found.cautions)


def test_blocks_in_which_no_grades_could_tell_are_left_out_and_it_is_said() -> None:
    found = compare(vigour(4, 1), Question("vigour", kind="grade", control="a"))
    (contrast,) = found.comparisons
    assert contrast.superiority.method == "chance of lying higher (Mann and Whitney)"
    assert any(
        "The blocks are left out: they hold too few plants" in text for text in found.cautions
    )
    for blocks, each, told in ((6, 1, False), (2, 2, False), (3, 2, True), (2, 3, True)):
        values = {"a": np.zeros(blocks * each), "b": np.ones(blocks * each)}
        names = [str(block) for block in range(blocks) for _ in range(each)]
        assert blocks_can_tell(values, "a", {"a": names, "b": names}) == told
