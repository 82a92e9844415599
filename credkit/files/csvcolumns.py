"""CSV files as columns: a plain file, split by a kernel, piece by piece.

A file is plain if it is UTF-8, every row stands on one line and has as many cells as the header, and
quotation marks only stand around whole cells. That is checked by counting before any cell is
looked at. Whatever is not plain, or only might not be, is for the strict reader of
`credkit.files.csvfiles`: it says what is wrong, and there is one judge of that.

Source: RFC 4180 (common form of CSV).
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence

import numpy as np
import polars as pl

from credkit.files.csvfiles import CsvFile
from credkit.files.regularfiles import LONGEST_LINE_BYTES, open_regular

PLAIN_ENCODINGS = ("utf-8", "utf8", "utf-8-sig")  # encodings that the kernel reads
BYTE_ORDER_MARK = b"\xef\xbb\xbf"  # a byte order mark
PIECE_BYTES = 1 << 25  # bytes that are split at once
FIRST_ROW_LINE = 2  # the line of the first row


class NeedsStrictReader(Exception):
    """The strict reader has to look at the file, or at what a cell says."""


def read_frames(file: CsvFile, columns: Sequence[str]) -> Iterator[pl.DataFrame]:
    """The rows of ``file`` in frames of texts, the line of each in ``line``; raises `NeedsStrictReader`.

    The header must name exactly these columns, in any order.
    """
    mark = file.delimiter.encode()
    if file.encoding.lower() not in PLAIN_ENCODINGS or len(mark) != 1 or file.strip:
        raise NeedsStrictReader
    header, line = b"", FIRST_ROW_LINE
    for data in _read_whole_lines(file):
        if not header:
            data = data.removeprefix(BYTE_ORDER_MARK)
            header, _, data = data.partition(b"\n")
            header = header.removesuffix(b"\r")
            if b'"' in header and not _quotes_only_wrap(header + b"\n", mark):
                raise NeedsStrictReader
            header = header.replace(b'"', b"")
            if sorted(header.split(mark)) != sorted(name.encode() for name in columns):
                raise NeedsStrictReader
            header += b"\n"
        if data:
            frame = _split_cells(header, data, mark, len(columns))
            yield frame.with_columns(pl.int_range(line, line + frame.height, dtype=pl.UInt32).alias("line"))
            line += frame.height
    if not header:
        raise NeedsStrictReader


def read_frame(file: CsvFile, columns: Sequence[str]) -> pl.DataFrame:
    """All rows of ``file`` in one frame; raises `NeedsStrictReader`."""
    empty = pl.DataFrame(schema={**dict.fromkeys(columns, pl.String), "line": pl.UInt32})
    return pl.concat(list(read_frames(file, columns)) or [empty])


def _read_whole_lines(file: CsvFile) -> Iterator[bytes]:
    """The bytes of the file, cut behind ends of lines."""
    rest = b""
    try:
        with open_regular(file.path) as stream:
            while more := stream.read(PIECE_BYTES):
                end = more.rfind(b"\n") + 1
                if end:
                    yield rest + more[:end]
                rest = more[end:] if end else rest + more
                if len(rest) > LONGEST_LINE_BYTES:
                    raise NeedsStrictReader
    except OSError:
        raise NeedsStrictReader from None
    if rest:
        yield rest + b"\n"


def _split_cells(header: bytes, data: bytes, mark: bytes, columns: int) -> pl.DataFrame:
    """The cells of whole lines, each of which has as many as the header."""
    data = data.replace(b"\r\n", b"\n") if b"\r" in data else data
    if any(sign in data for sign in (b"\0", b"\r")):
        raise NeedsStrictReader
    if b'"' in data:
        if not _quotes_only_wrap(data, mark):
            raise NeedsStrictReader
        data = data.replace(b'"', b"")
    signs = np.frombuffer(data, np.uint8)
    ends, marks = np.flatnonzero(signs == ord("\n")), np.flatnonzero(signs == mark[0])
    each = columns - 1
    if len(marks) != each * len(ends) or np.diff(ends, prepend=0).max() >= csv.field_size_limit():
        raise NeedsStrictReader
    if (marks[each - 1 :: each] > ends).any() or (marks[each::each] < ends[:-1]).any():
        raise NeedsStrictReader
    try:
        frame = pl.read_csv(header + data, separator=mark.decode(), quote_char=None, infer_schema=False)
    except pl.exceptions.PolarsError:
        raise NeedsStrictReader from None
    if frame.height != len(ends):
        raise NeedsStrictReader
    return frame.fill_null("")


def _quotes_only_wrap(data: bytes, mark: bytes) -> bool:
    """Whether quotation marks only stand around whole cells, and nothing in these cells needs them."""
    signs = np.frombuffer(data, np.uint8)
    quotes = np.flatnonzero(signs == ord('"'))
    bounds = np.flatnonzero((signs == mark[0]) | (signs == ord("\n")))
    first, last = quotes[::2], quotes[1::2]
    if len(first) != len(last):
        return False
    after = np.searchsorted(bounds, first)  # the bound behind each cell; the one before it is in front of the cell
    before = np.where(after > 0, bounds[after - 1], -1)
    return bool((before == first - 1).all() and (bounds[after] == last + 1).all())
