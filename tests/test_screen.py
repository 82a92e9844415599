"""Wrapped texts and tables: against the standard library's own wrapping, and by what a table has to keep."""

from __future__ import annotations

from textwrap import wrap

from hypothesis import given
from hypothesis import strategies as st

from credkit.explain.screen import SCREEN_COLUMNS, escape_unprintable, label_text, shorten, table_lines, wrap_text

WORDS = st.text("ab-: ", max_size=200)
NAMES = st.lists(st.text("ab-:", min_size=1, max_size=90), min_size=1, max_size=6).map(" ".join)
ROWS = st.lists(st.tuples(NAMES, st.integers(0, 10**9), st.sampled_from(("", "41.0", "smallest"))), max_size=6)


@given(WORDS, st.integers(20, 90), st.sampled_from(("", "- ", "    ")))
def test_texts_are_wrapped_as_the_standard_library_does(text: str, width: int, first: str) -> None:
    """The short way for a text that fits gives what `textwrap` gives."""
    expected = wrap(text, width, initial_indent=first, subsequent_indent="  ", break_on_hyphens=False)
    assert wrap_text(text, width, first=first, rest="  ") == expected


@given(st.text(max_size=60), st.integers(30, 90))
def test_nothing_that_is_printed_is_wider_than_the_screen(text: str, width: int) -> None:
    lines = [*wrap_text(text, width), *label_text("name", text, 10, width), shorten(escape_unprintable(text), width)]
    assert all(len(line) <= width and line.isprintable() for line in lines)


@given(ROWS)
def test_a_table_keeps_every_cell_and_its_column(rows: list[tuple[str, int, str]]) -> None:
    lines = list(table_lines(("where", "rows", "density"), rows))
    assert all(len(line) <= SCREEN_COLUMNS for line in lines)
    cells = "".join(f"{name}{number:,}{other}" for name, number, other in rows)
    assert sorted("".join(lines).replace(" ", "")) == sorted(f"whererowsdensity{cells}".replace(" ", ""))
    first = [line for line in lines if not line.startswith("    ")]  # of each row; the others go on with its name
    assert len(first) == len(rows) + 1
    ends = {
        line.index(f" {number:,}") + len(f" {number:,}") for line, (_, number, _) in zip(first[1:], rows, strict=True)
    }
    assert len(ends) <= 1  # numbers end below each other


@given(st.lists(st.tuples(NAMES, st.integers(0, 10**9)), min_size=1, max_size=4))
def test_cells_that_leave_no_room_for_a_name_stand_below_it(rows: list[tuple[str, int]]) -> None:
    wide = "0123456789" * 6
    columns = ("where and what it is", "first-last", "free")
    lines = list(table_lines(columns, [(name, wide, free + 10**9) for name, free in rows]))
    assert all(len(line) <= SCREEN_COLUMNS for line in lines)
    assert [line.split() for line in lines if wide in line] == [[wide, f"{10**9 + free:,}"] for _, free in rows]
