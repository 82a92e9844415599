"""CSV as columns: the rows of the strict reader, and of the lines only the irregular ones parsed alone."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from credkit import DefinitionError
from credkit.files import bytestreams, csvcolumns, csvlines
from credkit.files.csvcolumns import NeedsStrictReader, read_frame, read_frames
from credkit.files.csvfiles import read_rows
from credkit.files.csvlines import LineFormat, parse_line, parse_lines, split_lines
from credkit.files.declaredfiles import CsvFile
from credkit.files.linerows import RowFault
from tests.amounts import examples

COLUMNS = ("time", "reader", "text")
CELLS = st.one_of(
    st.text(st.sampled_from("a1 é\u00a0"), max_size=4),
    st.text(st.sampled_from("a1 é"), max_size=4).map(lambda text: f'"{text}"'),
    st.text(st.sampled_from('a,;"é\ufeff'), max_size=4).map(lambda text: '"' + text.replace('"', '""') + '"'),
    st.text(st.sampled_from('a1\t!"\0\r\ufeff\x85\u2028'), max_size=4),
)
LINES = st.one_of(*[st.lists(CELLS, min_size=3, max_size=3)] * 6, st.just([]), st.lists(CELLS, max_size=4))
ENCODINGS = ("utf-8", "utf-8-sig", "cp1252", "utf-16", "utf-16-le", "gb18030", "utf-7", "iso2022_jp")


@given(
    lines=st.lists(LINES, max_size=6), delimiter=st.sampled_from(",;\t| §"), encoding=st.sampled_from(ENCODINGS),
    end=st.sampled_from(["\n", "\r\n", "\r"]), has_last_end=st.booleans(), mark=st.sampled_from(["", "\ufeff"]),
    header=st.permutations(COLUMNS), strip=st.frozensets(st.sampled_from(COLUMNS)),
    sizes=st.sampled_from([(1 << 23, 1 << 16), (1, 3), (40, 7)]),
    titles=st.lists(st.sampled_from(["", 'Stand "', "Brackwater Terminal;", ",,", "a\0", "a\rb"]), max_size=2),
)  # fmt: skip
@examples(600)
def test_frames_have_the_rows_of_the_strict_reader(
    lines: list[list[str]], delimiter: str, encoding: str, end: str, has_last_end: bool, mark: str,
    header: tuple[str, ...], strip: frozenset[str], sizes: tuple[int, int], titles: list[str],
) -> None:  # fmt: skip
    """Rows and lines are equal, or both readers find a fault."""
    mark = "" if encoding == "utf-8-sig" else mark  # it writes its own
    text = mark + end.join([*titles, *map(delimiter.join, [header, *lines])]) + end * has_last_end
    with TemporaryDirectory() as home, pytest.MonkeyPatch.context() as patch:
        patch.setattr(bytestreams, "PIECE_BYTES", sizes[0])
        patch.setattr(csvlines, "SCANNED_BYTES", sizes[1])
        path = Path(home) / "rows.csv"
        path.write_bytes(text.encode(encoding, "ignore"))
        file = CsvFile(path=path, name=path.name, encoding=encoding, delimiter=delimiter, strip=strip,
                       header_line=len(titles) + 1)  # fmt: skip
        try:
            wanted = [(line, *cells) for line, cells in read_rows(file, COLUMNS)]
        except DefinitionError:
            with pytest.raises(NeedsStrictReader):
                read_frame(file, COLUMNS)
            return
        assert read_frame(file, COLUMNS).rows() == wanted


@pytest.mark.parametrize("title", [b"Hafen\xff", b"Hafen\xc3\n", b"\0", b"Ost\rWest"])
def test_lines_above_the_header_are_texts_for_both_readers(title: bytes, tmp_path: Path) -> None:
    path = tmp_path / "rows.csv"
    path.write_bytes(title + b"\n" + ",".join(COLUMNS).encode() + b"\n1,2,3\n")
    file = CsvFile(path=path, name=path.name, header_line=title.count(b"\n") + 2)
    with pytest.raises(DefinitionError):
        list(read_rows(file, COLUMNS))
    with pytest.raises(NeedsStrictReader):
        read_frame(file, COLUMNS)


WORDS = (
    b"a", b"1", b" ", b",", b",", b'"', b'""', b"\0", b"\r", b"\xef\xbb\xbf", b"\xff", b"\xe9", b"\xc3\xa9", b"\n",
    b"\n", b"\r\n", b'",', b',"', b'"\n"', b"\x8e\xa1", b"\xed\xa0\x80",
)  # fmt: skip


@given(
    data=st.lists(st.sampled_from(WORDS), max_size=30).map(b"".join), width=st.integers(1, 3),
    encoding=st.sampled_from(["utf-8", "cp1252", "euc_jp"]),
    delimiter=st.sampled_from(",a é"), known=st.sampled_from([None, {"0": pl.Enum(["a", "1"])}]),
    size=st.sampled_from([1, 3, 1 << 18]),
)  # fmt: skip
@examples(1500)
def test_a_block_has_the_rows_and_faults_of_its_lines(
    data: bytes, width: int, encoding: str, delimiter: str, known: dict[str, pl.Enum] | None, size: int
) -> None:
    """Whatever the bytes are: the kernel and the parser of one line agree on every line."""
    form = LineFormat(width=width, delimiter=delimiter, encoding=encoding)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(csvlines, "SCANNED_BYTES", size)
        patch.setattr(csvlines, "DECODED_BYTES", size)
        patch.setattr(csvlines, "LINES_PARSED_AT_ONCE", min(size, 256))
        split = split_lines(data, form, known)
    lines = data.removesuffix(b"\n").split(b"\n") if data else []
    parsed = [parse_line(line.removesuffix(b"\r"), form) for line in lines]
    rows = [(line, *cells) for line, cells in enumerate(parsed) if isinstance(cells, list) and cells]
    assert [(line, *cells) for line, cells in zip(split.lines.tolist(), split.frame.rows(), strict=True)] == rows
    assert split.faults == [
        cells._replace(line=line) for line, cells in enumerate(parsed) if isinstance(cells, RowFault)
    ]
    assert split.height == len(lines)


IRREGULAR = ('2026-03-31,gate,"a,b"', '2026-03-31,gate,"a ""b"""', '"2026-03-31",gate,a"b')
WRONG = ("2026-03-31,gate", "2026-03-31,gate,a,", "2026-03-31,gate,a\0", '2026-03-31,"gate,a', "2026-03-31,ga\rte,a")
REGULAR = (
    "2026-03-31,gate,02F764DD",
    ",,",
    '"2026-03-31","gate 7",""',
    '2026-03-31,"gäte",潮',
    "\ufeff,,",
    '"\ufeff",,',
)


@pytest.mark.parametrize("regular", [REGULAR[:1], REGULAR[:2], REGULAR[2:3], REGULAR, REGULAR[::-1]])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_only_irregular_lines_are_parsed_alone(regular: tuple[str, ...], end: str) -> None:
    """One line in a hundred: the kernel splits all others, whatever stands in these."""
    lines = [regular[number % len(regular)] for number in range(10_000)]
    odd = (*IRREGULAR, *WRONG)
    for number in range(0, len(lines), 100):
        lines[number] = odd[number // 100 % len(odd)]
    data = (end.join(lines) + end).encode().replace(b",a\0", b",a\0\xff")
    split = split_lines(data, LineFormat(width=3))
    assert split.parsed_alone == 100
    assert len(split.faults) == sum(lines.count(line) for line in WRONG)
    assert split.frame.height == 10_000 - len(split.faults)
    assert split_lines((end.join(lines[1:100]) + end).encode(), LineFormat(width=3)).parsed_alone == 0


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "utf-16"])
def test_frames_of_a_file_have_its_irregular_lines_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, encoding: str
) -> None:
    """Quoted delimiters in one line of a hundred, empty lines in another: as many lines are parsed alone."""
    lines = [f"2026-03-31,gäte,{number:08X}" for number in range(20_000)]
    for number in range(0, len(lines), 100):
        lines[number], lines[number + 1] = IRREGULAR[number // 100 % len(IRREGULAR)], ""
    file = CsvFile(path=tmp_path / "rows.csv", name="rows.csv", encoding=encoding)
    file.path.write_bytes(("time,reader,text\n" + "\n".join(lines)).encode(encoding))
    alone: list[bytes] = []

    def count(numbers: Sequence[int], lines: Sequence[bytes], *rest: Any) -> None:
        alone.extend(lines)
        parse_lines(numbers, lines, *rest)

    monkeypatch.setattr(bytestreams, "PIECE_BYTES", 1 << 16)
    monkeypatch.setattr(csvlines, "parse_lines", count)
    frame = read_frame(file, COLUMNS)
    assert len(alone) == 200
    assert frame.rows() == [(line, *cells) for line, cells in read_rows(file, COLUMNS)]


def test_half_of_a_surrogate_pair_is_a_fault(tmp_path: Path) -> None:
    """UTF-7 lets it through: RFC 2152 does not forbid it, RFC 3629 says that it is no character."""
    file = CsvFile(path=tmp_path / "rows.csv", name="rows.csv", encoding="utf-7")
    file.path.write_bytes(b"time,reader,text\n1,2,+2AA-\n")
    with pytest.raises(NeedsStrictReader):
        list(read_frames(file, COLUMNS))
    with pytest.raises(DefinitionError, match=r"rows\.csv line 2: there is half of a surrogate pair, character"):
        list(read_rows(file, COLUMNS))


def test_a_line_that_may_be_too_long_is_for_the_strict_reader(tmp_path: Path) -> None:
    file = CsvFile(path=tmp_path / "rows.csv", name="rows.csv")
    for cell, accepted in (("x" * 131_072, True), ("x" * 131_073, False)):  # the longest cell of Python's csv module
        file.path.write_bytes(f"time,reader,text\n1,2,3\n{cell},,\n".encode())
        if accepted:
            assert read_frame(file, COLUMNS).height == 2
        else:
            with pytest.raises(NeedsStrictReader):
                read_frame(file, COLUMNS)
    file.path.write_bytes(b"time,reader,text\n" + b"x" * csvcolumns.LINE_WINDOW_BYTES * 2 + b",,\n")
    with pytest.raises(NeedsStrictReader):
        read_frame(file, COLUMNS)


@pytest.mark.parametrize(
    ("lines", "wrong"),
    [
        (["a,b", "c", "d,e,f", "g,h"], [1, 2]),  # as many delimiters as four regular lines have
        (["a,b", "c", '"d,e",f', "g,h"], [1]),
        (['"","a"b"'], [0]),  # as many quotation marks as two quoted cells have
        (['"a","b"', '"","c"d"', '"e","f"'], [1]),
        (['"a","b', 'c","d"'], [0]),  # a quotation mark within a cell that has none around it is a character
        (['"a","b"', '"c","d",', '"e"'], [1, 2]),
        (["a,b", "", "c,,d"], [2]),
    ],
)
def test_faults_that_make_up_for_each_other_are_found(lines: list[str], wrong: list[int]) -> None:
    split = split_lines("\n".join(lines).encode(), LineFormat(width=2))
    assert [fault.line for fault in split.faults] == wrong
    assert split.lines.tolist() == [line for line, text in enumerate(lines) if text and line not in wrong]
