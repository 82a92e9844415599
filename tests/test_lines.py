"""Lines out of bytes: wherever a chunk ends, the lines are the same; nothing vanishes, and little is kept."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit import DecodeError, DefinitionError, Frame, LineSplitter, stream
from credkit.core.textlines import LONGEST_LINE

sent = st.lists(
    st.sampled_from([b"\r", b"\n", b"\r\n", b"\n\r", b"02F764DD", b"7", b"", "é".encode(), b"\xc3", b"\x0b\x85"])
)
cuts = st.lists(st.integers(0, 200))


def split(whole: bytes, places: list[int]) -> list[bytes]:
    """``whole`` in chunks that begin at ``places``; where a place stands twice, an empty chunk."""
    ends = sorted([0, len(whole), *(place % (len(whole) + 1) for place in places)])
    return [whole[start:end] for start, end in pairwise(ends)]


def is_utf8(line: bytes) -> bool:
    """Whether the line reads back as it is written."""
    return line.decode(errors="replace").encode() == line


def test_lines_are_those_of_the_whole_wherever_it_is_split() -> None:
    """``bytes.splitlines`` of the whole is the judge: it knows the three ends, and nothing of chunks."""
    seen = {True: 0, False: 0}

    @given(st.builds(b"".join, sent), cuts)
    def law(whole: bytes, places: list[int]) -> None:
        lines = list(LineSplitter().frames(split(whole, places)))
        expected = [line.decode() if is_utf8(line) else None for line in whole.splitlines()]
        assert [line.value for line in lines] == expected
        for line in lines:
            assert (line.value is None) == (line.problem is not None)
            seen[line.problem is None] += 1

    law()
    assert min(seen.values()) > 3, "lines and problems"


@given(st.builds(b"".join, sent), cuts)
def test_a_line_covers_the_chunks_that_its_bytes_came_in(whole: bytes, places: list[int]) -> None:
    chunks = split(whole, places)
    chunk_of = [number for number, chunk in enumerate(chunks) for _ in chunk]
    start, expected = 0, []
    for line in whole.splitlines(keepends=True):
        stop = start + len(line) - line.endswith(b"\r\n")  # the CR ends the line; an LF behind it adds nothing
        expected.append(tuple(dict.fromkeys(chunk_of[start:stop])))
        start += len(line)
    assert [line.covers for line in LineSplitter().frames(chunks)] == expected


@given(st.builds(b"".join, sent), cuts, st.integers(1, 12))
def test_a_line_that_is_too_long_is_all_problems(whole: bytes, places: list[int], longest: int) -> None:
    expected: list[str | None] = []
    for line in whole.splitlines():
        if len(line) <= longest:
            expected.append(line.decode() if is_utf8(line) else None)
        else:
            expected += [None] * math.ceil(len(line) / (longest + 1))
    lines = list(LineSplitter(longest=longest).frames(split(whole, places)))
    assert [line.value for line in lines] == expected


@given(st.builds(b"".join, sent), st.builds(b"".join, sent))
def test_a_flushed_splitter_reads_on_as_a_new_one_and_counts_on(before: bytes, after: bytes) -> None:
    lines = LineSplitter()
    assert [*lines.feed(before), *lines.flush()] == list(LineSplitter().frames([before]))
    assert lines.flush() == []
    fresh = [(line.value, line.problem) for line in LineSplitter().frames([after])]
    again = [*lines.feed(after), *lines.flush()]
    assert [(line.value, line.problem) for line in again] == fresh
    assert {line.covers for line in again} <= {(1,)}


@pytest.mark.parametrize("end", [b"\r", b"\n", b"\r\n"])
def test_a_line_is_given_as_soon_as_its_end_begins(end: bytes) -> None:
    lines = LineSplitter()
    assert lines.feed(b"02F7") == []
    assert lines.feed(b"64DD" + end[:1]) == [Frame(value="02F764DD", covers=(0, 1))]
    assert lines.feed(end[1:]) == []
    assert lines.feed(b"1" + end) == [Frame(value="1", covers=(3,))]
    assert lines.flush() == []


def test_an_lf_behind_a_cr_is_its_end_whatever_is_fed_between() -> None:
    lines = LineSplitter()
    values = [line.value for chunk in (b"1\r", b"", b"\n", b"\n", b"2\n") for line in lines.feed(chunk)]
    assert values == ["1", "", "2"]


def test_what_is_left_comes_with_the_flush() -> None:
    lines = LineSplitter()
    assert lines.feed(b"02F7") == []
    assert lines.flush() == [Frame(value="02F7", covers=(0,))]
    assert lines.feed(b"\xc3") == []
    assert lines.flush()[0].problem == "byte 0 of the line is not UTF-8: 0xc3 (in '\\\\xc3')"


def test_a_line_without_end_is_told_while_it_comes() -> None:
    lines = LineSplitter(longest=16)
    frames = [frame for _ in range(100) for frame in lines.feed(b"1")]
    assert [frame.covers for frame in frames] == [tuple(range(start, start + 17)) for start in range(0, 85, 17)]
    assert frames[0].problem == "the line that begins '11111111' is longer than 16 bytes"
    assert {frame.problem for frame in frames[1:]} == {"the rest of a line that is longer than 16 bytes"}
    (rest,) = lines.feed(b"\n")
    assert (rest.value, rest.covers) == (None, tuple(range(85, 101)))
    assert lines.feed(b"2\n") == [Frame(value="2", covers=(101,))]


def test_the_longest_line_is_read() -> None:
    lines = LineSplitter()
    assert [frame.value for frame in lines.feed(b"1" * LONGEST_LINE + b"\n")] == ["1" * LONGEST_LINE]
    (frame,) = lines.feed(b"1" * (LONGEST_LINE + 1) + b"\n")
    assert frame.problem == f"the line that begins '11111111' is longer than {LONGEST_LINE} bytes"


def test_account_numbers_are_masked_in_the_problem_of_a_line() -> None:
    number = "4114360123456785"  # its check digit holds; the prefix is no issuer's card in use
    (line,) = LineSplitter().feed(number.encode() + b"\xff\n")
    assert line.problem is not None
    assert "not UTF-8" in line.problem
    assert number not in line.problem


def test_lines_are_fed_to_a_stream_and_a_bad_one_is_a_chunk_that_cannot_be_read() -> None:
    lines, typed = LineSplitter(), stream("keypad:hex:1/keypad-4").open()
    chunks = [b"1\r\n2", b"\r\nB\r\n3\r\n\xff", b"4\r\nB\r\n5\r\nB\r\n"]
    entries = [entry for chunk in chunks for line in lines.feed(chunk) for entry in typed.feed(line)]
    assert [(entry.value, entry.covers) for entry in entries] == [("12", (0, 1, 2)), (None, (3, 4, 5)), ("5", (6, 7))]
    assert entries[1].problem == "byte 0 of the line is not UTF-8: 0xff (in '\\\\xff4')"
    iterated = list(stream("keypad:hex:1/keypad-4").frames(LineSplitter().frames(chunks)))
    assert iterated == entries


@pytest.mark.parametrize("data", [bytearray(b"1\n"), memoryview(b"1\n")])
def test_bytes_may_stand_in_a_buffer_that_is_used_again(data: bytearray | memoryview) -> None:
    assert LineSplitter().feed(data) == [Frame(value="1", covers=(0,))]
    buffer = bytearray(b"12")
    lines = LineSplitter()
    assert lines.feed(memoryview(buffer)) == []
    buffer[:] = b"99"
    assert [line.value for line in lines.feed(b"\n")] == ["12"]


@pytest.mark.parametrize("chunk", ["1", None, 5, [1]])
def test_what_is_no_bytes_is_refused_and_not_counted(chunk: bytes) -> None:
    lines = LineSplitter()
    with pytest.raises(DecodeError, match="LineSplitter: takes bytes, not"):
        lines.feed(chunk)
    assert lines.feed(b"1\n") == [Frame(value="1", covers=(0,))]


@pytest.mark.parametrize("longest", [0, -1, True, "9", None, 1.5])
def test_a_bound_that_is_none_is_refused(longest: int) -> None:
    with pytest.raises(DefinitionError, match="longest is a number of bytes from 1 up"):
        LineSplitter(longest=longest)


def test_a_splitter_shows_no_content() -> None:
    lines = LineSplitter()
    lines.feed(b"4711")
    assert repr(lines) == "<LineSplitter, 1 chunk fed>"
