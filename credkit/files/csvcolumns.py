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

from credkit.files.csvfiles import File
from credkit.files.regularfiles import LONGEST_LINE, open_regular

PLAIN = ("utf-8", "utf8", "utf-8-sig")  # encodings that the kernel reads
MARK = b"\xef\xbb\xbf"  # a byte order mark
PIECE = 1 << 25  # bytes that are split at once
FIRST = 2  # the line of the first row


class NotPlain(Exception):
    """The strict reader has to look at the file, or at what a cell says."""


def pieces(file: File, columns: Sequence[str]) -> Iterator[pl.DataFrame]:
    """The rows of ``file`` in frames of texts, the line of each in ``line``; raises `NotPlain`.

    The header must name exactly these columns, in any order.
    """
    mark = file.delimiter.encode()
    if file.encoding.lower() not in PLAIN or len(mark) != 1:
        raise NotPlain
    header, line = b"", FIRST
    for data in _cut(file):
        if not header:
            data = data.removeprefix(MARK)
            header, _, data = data.partition(b"\n")
            header = header.removesuffix(b"\r")
            if b'"' in header and not _wrapping(header + b"\n", mark):
                raise NotPlain
            header = header.replace(b'"', b"")
            if sorted(header.split(mark)) != sorted(name.encode() for name in columns):
                raise NotPlain
            header += b"\n"
        if data:
            frame = _split(header, data, mark, len(columns))
            yield frame.with_columns(pl.int_range(line, line + frame.height, dtype=pl.UInt32).alias("line"))
            line += frame.height
    if not header:
        raise NotPlain


def whole(file: File, columns: Sequence[str]) -> pl.DataFrame:
    """All rows of ``file`` in one frame; raises `NotPlain`."""
    empty = pl.DataFrame(schema={**dict.fromkeys(columns, pl.String), "line": pl.UInt32})
    return pl.concat(list(pieces(file, columns)) or [empty])


def _cut(file: File) -> Iterator[bytes]:
    """The bytes of the file, cut behind ends of lines."""
    rest = b""
    try:
        with open_regular(file.path) as stream:
            while more := stream.read(PIECE):
                end = more.rfind(b"\n") + 1
                if end:
                    yield rest + more[:end]
                rest = more[end:] if end else rest + more
                if len(rest) > LONGEST_LINE:
                    raise NotPlain
    except OSError:
        raise NotPlain from None
    if rest:
        yield rest + b"\n"


def _split(header: bytes, data: bytes, mark: bytes, columns: int) -> pl.DataFrame:
    """The cells of whole lines, each of which has as many as the header."""
    data = data.replace(b"\r\n", b"\n") if b"\r" in data else data
    if any(sign in data for sign in (b"\0", b"\r")):
        raise NotPlain
    if b'"' in data:
        if not _wrapping(data, mark):
            raise NotPlain
        data = data.replace(b'"', b"")
    signs = np.frombuffer(data, np.uint8)
    ends, marks = np.flatnonzero(signs == ord("\n")), np.flatnonzero(signs == mark[0])
    each = columns - 1
    if len(marks) != each * len(ends) or np.diff(ends, prepend=0).max() >= csv.field_size_limit():
        raise NotPlain
    if (marks[each - 1 :: each] > ends).any() or (marks[each::each] < ends[:-1]).any():
        raise NotPlain
    try:
        frame = pl.read_csv(header + data, separator=mark.decode(), quote_char=None, infer_schema=False)
    except pl.exceptions.PolarsError:
        raise NotPlain from None
    if frame.height != len(ends):
        raise NotPlain
    return frame.fill_null("")


def _wrapping(data: bytes, mark: bytes) -> bool:
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
