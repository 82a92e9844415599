"""The neighbours that gain most, against a loop that adds gain by gain."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from credkit.crosswalk.stretches import find_largest_rounded_sum, find_largest_sum

# Few different gains, so that many sums are equal: of these the first counts, from its last beginning.
WHOLE = st.lists(st.integers(-2, 2), max_size=60)
BROKEN = st.tuples(st.floats(0.1, 3), st.floats(0.1, 3)).flatmap(
    lambda two: st.lists(st.sampled_from([two[0], -two[1], -two[0]]), max_size=60)
)


def add_up(gains: Sequence[float]) -> tuple[int, int, float]:
    """The same, step by step: where nothing is left of a sum, another begins."""
    best, total, start = (0, 0, 0.0), 0.0, 0
    for place, gain in enumerate(gains):
        if total <= 0:
            total, start = 0.0, place
        total += gain
        if total > best[2]:
            best = start, place + 1, total
    return best


def exhaustive(gains: Sequence[int]) -> int:
    """The largest sum of any neighbours, each pair of ends tried."""
    ends = range(len(gains) + 1)
    return max(sum(gains[start:stop]) for start in ends for stop in ends if start <= stop)


@given(WHOLE)
def test_the_largest_sum_of_whole_gains_is_that_of_a_loop(gains: list[int]) -> None:
    found = find_largest_sum(np.array(gains, np.int8))
    assert found == add_up(gains)
    assert found[2] == exhaustive(gains)


@given(BROKEN)
def test_the_largest_sum_of_broken_gains_is_that_of_a_loop_to_the_last_bit(gains: list[float]) -> None:
    assert find_largest_rounded_sum(np.array(gains)) == add_up(gains)[:2]


def test_a_loop_and_columns_agree_on_many_gains() -> None:
    dice = np.random.default_rng(17)
    for size in (1_000, 20_000):
        gains = dice.choice([-1, 0, 1], size, p=[0.35, 0.3, 0.35])
        gains[size // 2 : size // 2 + size // 10] = 1
        assert find_largest_sum(gains) == add_up(gains.tolist())
        broken = np.where(gains > 0, 2.1972245773362196, -2.197224577336219)
        assert find_largest_rounded_sum(broken) == add_up(broken.tolist())[:2]
