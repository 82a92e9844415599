"""Rows of files as a set: it does what a frozenset of the same rows does."""

from __future__ import annotations

import pickle
from collections.abc import Container, Iterator, Set
from copy import deepcopy

from hypothesis import given
from hypothesis import strategies as st

from credkit.work.filelines import FileLine, FileLines

LINES = st.dictionaries(
    st.sampled_from(("credentials.csv", "readings.csv")), st.lists(st.integers(0, 9) | st.integers(-(2**63), 2**63 - 1))
)


def pairs(lines: dict[str, list[int]]) -> Set[FileLine]:
    return frozenset(FileLine(file, line) for file, each in lines.items() for line in each)


def as_sets(*sets: Set[FileLine]) -> Iterator[Set[FileLine]]:
    """The same, as far as a type checker knows sets of any kind."""
    return iter(sets)


@given(LINES, LINES, st.tuples(st.sampled_from(("credentials.csv", "readings.csv", "export.csv")), st.integers(0, 9)))
def test_it_is_a_set_of_rows(one: dict[str, list[int]], other: dict[str, list[int]], row: tuple[str, int]) -> None:
    lines, (wanted, others) = FileLines(one), map(pairs, (one, other))
    made, rest = as_sets(lines, FileLines(other))
    assert made == wanted == made
    assert len(made) == len(wanted) == len(list(made))
    assert set(made) == wanted
    assert (row in made) == (row in wanted)
    assert all(row in made for row in wanted)
    assert (made == rest, made <= rest, made < rest, made.isdisjoint(rest)) == (
        wanted == others, wanted <= others, wanted < others, wanted.isdisjoint(others),
    )  # fmt: skip
    assert (made == others, made <= others, others >= made) == (wanted == others, wanted <= others, wanted <= others)
    assert (made | rest, made & rest, made - others, made ^ rest) == (
        wanted | others, wanted & others, wanted - others, wanted ^ others,
    )  # fmt: skip
    assert set(lines.union(FileLines(other))) == wanted | others
    assert bool(made) == bool(wanted)
    assert [*lines.of("readings.csv")] == sorted(set(one.get("readings.csv", ())))
    if made == rest:
        assert hash(made) == hash(rest)
    assert pickle.loads(pickle.dumps(made)) == deepcopy(made) == made


def test_what_is_no_row_is_not_among_them() -> None:
    rows: Container[object] = FileLines({"readings.csv": [2]})
    others: list[object] = ["readings.csv", ("readings.csv",), ("readings.csv", 2, 0), ({}, 2), 2, None]
    assert not any(each in rows for each in others)
    assert ("readings.csv", 2) in rows
    assert not FileLines()
