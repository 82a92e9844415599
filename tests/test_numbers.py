"""Numbers: their places are those that a dictionary of tuples would give."""

from __future__ import annotations

from random import Random
from typing import Any

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from credkit.bulk.words import Array
from credkit.core.fields import Item
from credkit.facts.numbers import NO_NUMBER, Number, Numbers

SMALL = st.integers(0, 3) | st.sampled_from([(1 << 20) - 1, 1 << 20, (1 << 31) - 1, 1 << 31, (1 << 62) - 1, 1 << 62])
WORDS = SMALL | st.just((1 << 64) - 1)
ITEMS: st.SearchStrategy[Item] = WORDS | st.sampled_from(["", "0", "1", -1, 1 << 64, 1 << 80])


@st.composite
def tables(draw: st.DrawFn) -> tuple[str, list[Array]]:
    """A namespace, and columns of as many rows: of 64-bit numbers, or of objects."""
    height = draw(st.integers(0, 6))
    columns = []
    for _ in range(draw(st.integers(1, 4))):
        if draw(st.booleans()):
            columns.append(np.array(draw(st.lists(WORDS, min_size=height, max_size=height)), np.uint64))
        else:
            column = np.empty(height, object)
            column[:] = draw(st.lists(ITEMS, min_size=height, max_size=height))
            columns.append(column)
    return draw(st.sampled_from("ab")), columns


def rows(namespace: str, columns: list[Array]) -> list[Number]:
    values: Any = zip(*(column.tolist() for column in columns), strict=True)
    return [Number(namespace, each) for each in values]


@given(st.lists(tables(), max_size=6), tables())
def test_places_are_those_of_a_dictionary(added: list[tuple[str, list[Array]]], asked: tuple[str, list[Array]]) -> None:
    """A whole number is the same one in a column of either type; a text of its digits is another."""
    numbers = Numbers()
    places: dict[Number, int] = {}
    for table in added:
        found = numbers.places(*table)
        assert found.tolist() == [places.setdefault(number, len(places)) for number in rows(*table)]
    assert len(numbers) == len(places)
    assert numbers.at(np.arange(len(numbers))) == list(places) == [numbers[place] for place in range(len(numbers))]
    assert [list(map(type, number.values)) for number in numbers.at(np.arange(len(numbers)))] == [
        list(map(type, number.values)) for number in places
    ]
    wanted = [places.get(number, NO_NUMBER) for number in rows(*asked)]
    assert numbers.find_all(*asked).tolist() == wanted == [numbers.find(number) for number in rows(*asked)]


@given(st.lists(tables(), max_size=6), st.randoms(use_true_random=False))
def test_the_order_of_values_is_that_of_sorted_tuples(added: list[tuple[str, list[Array]]], dice: Random) -> None:
    numbers = Numbers()
    for table in added:
        numbers.places(*table)
    places = np.array(dice.sample(range(len(numbers)), len(numbers)), np.int64)
    for namespace in "ab":
        mine = places[numbers.in_namespace(places, namespace)]
        found = [number.values for number in numbers.at(numbers.in_order(mine))]
        assert found == sorted(
            (number.values for number in numbers.at(places) if number.namespace == namespace), key=repr
        )
