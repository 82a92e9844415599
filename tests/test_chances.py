"""Chances: the birthday arithmetic against published figures, and against counting."""

from __future__ import annotations

from math import comb, perm

import pytest

from credkit.facts.chances import duplicate_probability, expected_pairs
from tests.brackwater import SITE, made, serials, walk


@pytest.mark.parametrize(("bits", "count"), [(16, 302), (24, 4823), (28, 19291), (32, 77164)])
def test_the_smallest_number_with_a_collision_more_likely_than_not(bits: int, count: int) -> None:
    """General arithmetic (the birthday problem), recomputed."""
    assert duplicate_probability(count, bits) > 0.5 > duplicate_probability(count - 1, bits)


def test_cards_of_32_bits() -> None:
    """10,000 cards: 1.157 % for any collision; 1,000,000: 116.4 expected pairs. General arithmetic, recomputed."""
    assert f"{duplicate_probability(10_000, 32):.3%}" == "1.157%"
    assert round(expected_pairs(1_000_000, 32), 1) == 116.4


@pytest.mark.parametrize("count", range(8))
def test_against_counting(count: int) -> None:
    """Of all ways to draw numbers of three bits: those with two alike, and the pairs in them."""
    apart = perm(8, count) / 8**count
    assert duplicate_probability(count, 3) == pytest.approx(1 - apart)
    assert expected_pairs(count, 3) == pytest.approx(comb(count, 2) / 8)
    assert duplicate_probability(9, 3) == 1


def test_chances_of_many_are_those_of_a_sum() -> None:
    assert duplicate_probability(1_000_001, 50) == pytest.approx(duplicate_probability(1_000_000, 50), rel=1e-4)


def test_duplicates_stand_beside_what_chance_would_do() -> None:
    """Serials of 32 bits; the turnstile keeps 24 of them, in which the first two are alike."""
    files = serials(1 << 24 | 5, 2 << 24 | 5, 7)
    (section,) = [each for each in walk(made(), files).summary if each.title.startswith("Duplicates")]
    rows = {str(row[0]): row[1:] for row in section.rows}
    assert rows["serial"][:3] == (3, 0, "32")  # as its values have them, whatever readers leave of it
    assert rows["turnstile (as it writes them)"][:2] == (3, 2)
    assert rows["turnstile (as it writes them)"][3] == f"{3 / 2**24:.2g}"
    assert {str(row[0]) for row in section.rows} >= {"card", "serial", "locker"}


def test_kinds_of_one_namespace_are_counted_together() -> None:
    toml = SITE.replace("[kinds.phone]\n", '[kinds.phone]\nnamespace = "serial"\n')
    files = serials(1000, 5).card("F-1", "1000", kind="phone")
    (section,) = [each for each in walk(made(toml), files).summary if each.title.startswith("Duplicates")]
    assert [row[1:3] for row in section.rows if row[0] == "serial, phone"] == [(3, 2)]
