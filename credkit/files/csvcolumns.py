"""CSV files of a site as columns, in frames of whole lines.

Every regular line is split by a kernel, every other line by a parser of its own (`credkit.files.csvlines`). Only a
fault ends the frames: what is wrong with a file is for the strict reader of `credkit.files.csvfiles` to say, so
there is one judge of faults.

Source: RFC 4180 (common form of CSV).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import polars as pl

from credkit.core.errors import DefinitionError
from credkit.core.whitespace import WHITE_SPACE, strip_white_space
from credkit.files.bytestreams import cut_at_lines
from credkit.files.csvfiles import BYTE_ORDER_MARK, CsvFile
from credkit.files.csvlines import UNUSABLE_DELIMITERS, LineFormat, parse_line, split_lines
from credkit.files.recoding import open_stream
from credkit.files.regularfiles import LONGEST_LINE_BYTES

FIRST_ROW_LINE = 2  # the line of the first row
LINE_WINDOW_BYTES = LONGEST_LINE_BYTES // 2  # bytes that hold an end of a line, unless a line may be too long


class NeedsStrictReader(Exception):
    """There is a fault in the file: the strict reader says which."""


def read_frames(file: CsvFile, columns: Sequence[str]) -> Iterator[pl.DataFrame]:
    """The rows of ``file`` in frames: texts, and the ``line`` of each row; raises `NeedsStrictReader`.

    The rows are those of `credkit.files.csvfiles.read_rows`; the header must name exactly these columns, in any order.
    Frames before a fault may have been given out when it is met.
    """
    try:
        yield from _split_blocks(file, columns)
    except DefinitionError:
        raise NeedsStrictReader from None


def read_frame(file: CsvFile, columns: Sequence[str]) -> pl.DataFrame:
    """All rows of ``file`` in one frame; raises `NeedsStrictReader`."""
    empty = pl.DataFrame(schema={"line": pl.UInt32, **dict.fromkeys(columns, pl.String)})
    return pl.concat([empty, *read_frames(file, columns)])


def _split_blocks(file: CsvFile, columns: Sequence[str]) -> Iterator[pl.DataFrame]:
    if len(file.delimiter) != 1 or file.delimiter in UNUSABLE_DELIMITERS:
        raise NeedsStrictReader
    header: list[str] = []
    line = FIRST_ROW_LINE
    stream, encoding = open_stream(file.path, file.name, file.encoding, compressed=False)
    form = LineFormat(width=len(columns), delimiter=file.delimiter, encoding=encoding)
    with stream:
        for block in cut_at_lines(file.name, stream, returns_end_lines=True):
            data = block.data
            if not header:
                first, _, data = data.removeprefix(_byte_order_mark(form.encoding)).partition(b"\n")
                header = _parse_header(first, form, file, columns)
            if data:
                _refuse_long_lines(data)
                split = split_lines(data, form)
                if split.faults:
                    raise NeedsStrictReader
                named = split.frame.rename(dict(zip(split.frame.columns, header, strict=True)))
                yield named.select(
                    (pl.Series("line", split.lines) + line).cast(pl.UInt32),
                    *(pl.col(name).str.strip_chars(WHITE_SPACE) if name in file.strip else name for name in columns),
                )
                line += split.height
        if stream.broken or not header:
            raise NeedsStrictReader


def _byte_order_mark(encoding: str) -> bytes:
    """The bytes of a byte order mark; none in an encoding that cannot write it."""
    return BYTE_ORDER_MARK.encode(encoding, "ignore")


def _parse_header(first: bytes, form: LineFormat, file: CsvFile, columns: Sequence[str]) -> list[str]:
    """The names in the header, which must be those of ``columns``."""
    cells = parse_line(first, form)
    if isinstance(cells, list):
        names = list(map(strip_white_space, cells)) if file.strip else cells
        if sorted(names) == sorted(columns):
            return names
    raise NeedsStrictReader


def _refuse_long_lines(data: bytes) -> None:
    """Leave lines to the strict reader that may be longer than it accepts."""
    for start in range(0, len(data) - LINE_WINDOW_BYTES, LINE_WINDOW_BYTES):
        if data.find(b"\n", start, start + LINE_WINDOW_BYTES) < 0:
            raise NeedsStrictReader
