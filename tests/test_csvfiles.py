"""CSV files are read piece by piece: the same rows and sentences as in one piece, and little memory."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator
from io import FileIO
from pathlib import Path
from typing import Any

import pytest

from credkit import DefinitionError
from credkit.files import bytestreams, csvcolumns, csvfiles
from credkit.files.csvfiles import read_rows
from credkit.files.declaredfiles import CsvFile
from tests.amounts import amounts
from tests.sentences import refusal

TEXT = 'name,note\r\nZoë,"a ""b"", c"\n\nKåre,潮位に注意\rLast,\n'
ROWS = [(2, ["Zoë", 'a "b", c']), (4, ["Kåre", "潮位に注意"]), (5, ["Last", ""])]


def written(folder: Path, data: bytes, encoding: str = "utf-8") -> CsvFile:
    path = folder / "list.csv"
    path.write_bytes(data)
    return CsvFile(path=path, name="list.csv", encoding=encoding)


@pytest.mark.parametrize("size", [1, 2, 3, 7, 16, csvfiles.PIECE_BYTES])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "gb18030", "shift_jis_2004"])
def test_pieces_of_any_size_give_the_same_rows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, size: int, encoding: str
) -> None:
    """Characters, quoted commas and the two characters of a line end are cut wherever a piece ends."""
    monkeypatch.setattr(csvfiles, "PIECE_BYTES", size)
    data = TEXT.encode(encoding)
    assert list(read_rows(written(tmp_path, data, encoding), ["name", "note"])) == ROWS
    marked = b"\xef\xbb\xbf" + TEXT.encode()
    assert next(read_rows(written(tmp_path, marked), ["note", "name"])) == (2, ['a "b", c', "Zoë"])


@pytest.mark.parametrize("size", [1, 2, 5, csvfiles.PIECE_BYTES])
@pytest.mark.parametrize(
    ("data", "encoding"),
    [
        (
            "name,note\nZoë,1\n".encode() + b"a\xe9b,2\n", "utf-8",
        ),
        (
            "name,note\nZoë,1\n".encode() + b"a\xe2\x82", "utf-8",
        ),
        (
            b"name,note\na,1\nb\0,2\n", "utf-8",
        ),
        (
            b"name,note\nb,2\n", "utf-16",
        ),
        (
            "name,note\nb,2\n".encode("utf-16") + b"x", "utf-16",
        ),
    ],
)  # fmt: skip
def test_faults_are_told_with_their_place_in_the_whole_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, size: int, data: bytes, encoding: str
) -> None:
    monkeypatch.setattr(csvfiles, "PIECE_BYTES", size)
    with refusal(DefinitionError):
        list(read_rows(written(tmp_path, data, encoding), ["name", "note"]))


@amounts("rows", quick=400_000, whole=500_000)
def test_a_long_file_takes_no_more_memory_than_a_short_one(tmp_path: Path, rows: int) -> None:
    """Twelve bytes a row, and less than a third of that in memory."""
    file = written(tmp_path, b"name,note\n" + b"Anna,Kran 3\n" * rows)
    tracemalloc.start()
    try:
        count = sum(1 for _ in read_rows(file, ["name", "note"]))
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert count == rows
    assert peak < 4 * rows


def test_a_file_without_a_line_end_is_read_in_time_that_grows_with_it(tmp_path: Path) -> None:
    """Ten million characters of one line: refused once it is longer than a line may be, wherever pieces end."""
    for before in (b"", b"name\nAnna\n"):
        with refusal(DefinitionError):
            list(read_rows(written(tmp_path, before + b"x" * 10_000_000), ["name"]))
    with refusal(DefinitionError):
        list(read_rows(written(tmp_path, b"x" * 1_000_000), ["name"]))


def test_no_more_of_an_endless_line_is_read_than_a_line_may_have(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of a line of ten million bytes at most the longest line and one piece are read."""
    read = []
    pieces = csvfiles._read_pieces

    def counted(file: CsvFile) -> Iterator[bytes]:
        for piece in pieces(file):
            read.append(len(piece))
            yield piece

    monkeypatch.setattr(csvfiles, "_read_pieces", counted)
    with pytest.raises(DefinitionError, match="the line has more than"):
        list(read_rows(written(tmp_path, b"x" * 10_000_000), ["name"]))
    assert sum(read) <= (1 << 20) + csvfiles.PIECE_BYTES


class Counted(FileIO):
    """A file that counts the bytes that are read of it."""

    total = 0

    def read(self, size: int | None = -1) -> Any:
        found = super().read(size)
        type(self).total += len(found or b"")
        return found


def test_columns_leave_an_endless_line_to_the_strict_reader(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of ten million bytes, no more than the longest line and three pieces are read."""
    monkeypatch.setattr(bytestreams, "PIECE_BYTES", 1 << 16)
    monkeypatch.setattr(bytestreams, "open_regular", lambda path, buffering: Counted(path))
    monkeypatch.setattr(Counted, "total", 0)
    with pytest.raises(csvcolumns.NeedsStrictReader):
        list(csvcolumns.read_frames(written(tmp_path, b"name,note\nAnna,\n" + b"x" * 10_000_000), ["name", "note"]))
    assert 1 << 20 < Counted.total <= (1 << 20) + (3 << 16)


def test_the_option_that_declares_is_named_where_there_is_one(tmp_path: Path) -> None:
    for data, said in (
        (b"name;note\n", "is the delimiter ';'? Another can be declared: --delimiter"),
        (b"\xff", "is not utf-8 (another encoding can be declared: --encoding)"),
    ):
        file = written(tmp_path, data)
        with pytest.raises(DefinitionError) as caught:
            list(read_rows(CsvFile(path=file.path, name=file.name, option="--{}"), ["name", "note"]))
        assert str(caught.value).endswith(said)


@pytest.mark.parametrize(
    ("header", "delimiter", "said"),
    [
        ("name", ",", "the column note is missing"),  # nothing in it looks like a delimiter
        ("note", ";", "the column name is missing"),
        ("name\tnote", ",", r"there is one column only: is the delimiter '\t'? Another can be declared"),
        ("name,note", ";", "there is one column only: is the delimiter ','? Another can be declared"),
        ("name|note", "\t", "there is one column only: is the delimiter '|'? Another can be declared"),
        (
            '"name;note"', ";",
            "2 faults in the header\n- the column 'name;note' is not one of name, note; did you mean note?\n"
            "- the column name is missing",
        ),
    ],
)  # fmt: skip
def test_a_header_of_one_column(tmp_path: Path, header: str, delimiter: str, said: str) -> None:
    file = written(tmp_path, f"{header}\nx\n".encode())
    with pytest.raises(DefinitionError) as caught:
        list(read_rows(CsvFile(path=file.path, name=file.name, delimiter=delimiter), ["name", "note"]))
    assert str(caught.value) == f"list.csv line 1: {said}"
