"""CSV files of a site as columns, in frames of whole lines.

Every regular line is split by a kernel, every other line by a parser of its own (`credkit.files.csvlines`). Only a
fault ends the frames: what is wrong with a file is for the strict reader of `credkit.files.csvfiles` to say, so
there is one judge of faults.

Source: RFC 4180 (common form of CSV).
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from itertools import chain
from typing import NamedTuple

import polars as pl

from credkit.core.errors import DefinitionError
from credkit.core.whitespace import WHITE_SPACE, strip_white_space
from credkit.files.bytestreams import (
    BOM,
    SMALL_PIECE_BYTES,
    WHOLE_FILE,
    FileRange,
    cut_at_lines,
    line_cuts,
    ranges_between,
)
from credkit.files.columnmaps import JOINT, CellTemplate, ColumnSource, LinePlan, RowPlan, plan_rows
from credkit.files.csvfiles import BYTE_ORDER_MARK, UNUSABLE_DELIMITERS, find_footer
from credkit.files.csvlines import LineFormat, parse_cells, split_lines
from credkit.files.declaredfiles import CsvFile
from credkit.files.headers import find_header_faults
from credkit.files.recoding import RecodedStream, open_stream
from credkit.files.regularfiles import LONGEST_LINE_BYTES

LINE_WINDOW_BYTES = LONGEST_LINE_BYTES // 2  # bytes that hold an end of a line, unless a line may be too long


class NeedsStrictReader(Exception):
    """There is a fault in the file: the strict reader says which."""


class RowBlock(NamedTuple):
    """The rows of a block of lines: texts, and the ``line`` of each row; ``stop`` is the line behind the block."""

    frame: pl.DataFrame
    stop: int


def cut_file(file: CsvFile, size: int) -> list[FileRange]:
    """The parts of ``file``, of about ``size`` bytes each.

    A file whose lines show only when it is decoded, or whose last lines are a footer, is one part.
    """
    if file.is_workbook or file.footer:
        return [WHOLE_FILE]
    stream, _ = open_stream(file.path, file.name, file.encoding, compressed=False)
    with stream:
        return [WHOLE_FILE] if isinstance(stream, RecodedStream) else ranges_between(line_cuts(file.path, size))


def read_frames(file: CsvFile, columns: Sequence[str], optional: Collection[str] = ()) -> Iterator[pl.DataFrame]:
    """The frames of the blocks of ``file``; see `read_blocks`."""
    for block in read_blocks(file, columns, optional):
        yield block.frame


def read_frame(file: CsvFile, columns: Sequence[str], optional: Collection[str] = ()) -> pl.DataFrame:
    """All rows of ``file`` in one frame; raises `NeedsStrictReader`."""
    empty = pl.DataFrame(schema={"line": pl.UInt32, **dict.fromkeys(columns, pl.String)})
    frames = list(read_frames(file, columns, optional))
    return pl.concat(frames) if frames else empty


def read_blocks(
    file: CsvFile, columns: Sequence[str], optional: Collection[str] = (), part: FileRange = WHOLE_FILE
) -> Iterator[RowBlock]:
    """The rows of ``file``, or of a ``part`` of it (`cut_file`), in blocks; raises `NeedsStrictReader`.

    The rows are those of `credkit.files.csvfiles.read_rows`; the columns that the file's map ignores stand behind all
    others, and are called by their places in the header. Blocks before a fault may have been given out when it is met.
    Lines are counted from the start of the part: from 1 in the first one, from 0 in others.
    """
    try:
        yield from (
            _take_sheet(file, columns, optional) if file.is_workbook else _split_blocks(file, columns, optional, part)
        )
    except DefinitionError:
        raise NeedsStrictReader from None


def _split_blocks(
    file: CsvFile, columns: Sequence[str], optional: Collection[str], part: FileRange
) -> Iterator[RowBlock]:  # fmt: skip
    if len(file.delimiter) != 1 or file.delimiter in UNUSABLE_DELIMITERS:
        raise NeedsStrictReader
    footer = find_footer(file)
    stream, encoding = open_stream(file.path, file.name, file.encoding, compressed=False)
    stream.piece_bytes = min(stream.piece_bytes, SMALL_PIECE_BYTES)
    form = LineFormat(width=len(columns), delimiter=file.delimiter, encoding=encoding)
    with stream:
        if part.stop is not None and not part.start:
            stream.go_to(part.start, part.stop)
        blocks = cut_at_lines(file.name, stream, returns_end_lines=True)
        begun = b""
        while begun.count(b"\n") < file.header_line and (block := next(blocks, None)) is not None:
            begun += block.data
        if not begun or (begun.startswith(BOM) and encoding != "utf-8"):
            raise NeedsStrictReader
        *above, first, rest = _split_lines(begun.removeprefix(_byte_order_mark(encoding)), file.header_line)
        if len(above) < file.header_line - 1 or not _are_lines(above, encoding):
            raise NeedsStrictReader
        header = _parse_header(first, form, file)
        if find_header_faults(file, file.header_line, header, columns, optional).sentences:
            raise NeedsStrictReader
        plan = plan_rows(header, columns, file.mapping, file.strip)
        form, line = replace(form, width=len(header)), file.header_line + 1
        if part.start:
            stream.go_to(part.start, part.stop)
            rest, line, blocks = b"", 0, cut_at_lines(file.name, stream, returns_end_lines=True)
        for data in chain([rest], (block.data for block in blocks)):
            is_last = footer is not None and line + data.count(b"\n") >= footer.first
            if footer is not None and is_last:
                data = b"\n".join(_split_lines(data, footer.first - line)[:-1])
            if data:
                _refuse_long_lines(data)
                split = split_lines(data, form)
                if split.faults:
                    raise NeedsStrictReader
                lines = (pl.Series("line", split.lines) + line).cast(pl.UInt32)
                line += split.height
                yield RowBlock(_take_rows(split.frame.with_columns(lines), plan), line)
            if is_last:
                return  # a blank line above the footer has no end now, and would not be counted
        if stream.broken:
            raise NeedsStrictReader


def _are_lines(lines: Sequence[bytes], encoding: str) -> bool:
    """Whether these are lines of text; the strict reader names what is wrong, or counts more lines."""
    try:
        text = "".join(line.removesuffix(b"\r").decode(encoding) for line in lines)
    except UnicodeDecodeError:
        return False
    return "\0" not in text and "\r" not in text


def _split_lines(data: bytes, count: int) -> list[bytes]:
    """The first lines of ``data``, at most ``count``, and what stands behind them."""
    lines = data.split(b"\n", count)
    return lines if len(lines) > count else [*lines, b""]


def _take_sheet(file: CsvFile, columns: Sequence[str], optional: Collection[str]) -> Iterator[RowBlock]:
    """The rows of a sheet as columns."""
    from credkit.files.sheetrows import load_declared_sheet  # a site of CSV files needs no library for it

    sheet = load_declared_sheet(file)
    header = sheet.read_header(file.header_line)
    header = list(map(strip_white_space, header)) if file.strip else header
    if not header or find_header_faults(file, file.header_line, header, columns, optional).sentences:
        raise NeedsStrictReader
    plan = plan_rows(header, columns, file.mapping, file.strip)
    faults = sheet.faults_below(file.header_line).values()
    if any(fault.place in plan.used for some in faults for fault in some):
        raise NeedsStrictReader
    rows = sheet.rows_below(file.header_line)
    behind = [pl.col(str(place)).ne("") for place in range(len(header), sheet.width)]
    if behind and rows.select(pl.any_horizontal(behind).any()).item():
        raise NeedsStrictReader
    yield RowBlock(_take_rows(rows, plan), sheet.end)


def _take_rows(frame: pl.DataFrame, plan: LinePlan) -> pl.DataFrame:
    """The rows of ours that the lines of a frame have, in order, by the numbers of `ColumnMap.number_row`."""
    count, found = len(plan.rows), []
    for place, row in enumerate(plan.rows):
        number = (pl.col("line") * count + place).cast(pl.UInt32)
        others = [pl.lit("").alias(str(other)) if place else pl.col(str(other)) for other in plan.others]
        taken = frame.select(number, *map(_take_column, row.sources), *others)
        found.append(taken.with_columns(_build_column(row, *each) for each in row.built))
    return found[0] if count == 1 else pl.concat(found).sort("line")


def _build_column(row: RowPlan, place: int, template: CellTemplate) -> pl.Expr:
    """The column that `CellTemplate.build` gives cell by cell."""
    parts = [pl.col(part) if is_column else pl.lit(part) for part, is_column in template.parts]
    return pl.concat_str(parts).alias(row.sources[place].name)


def _take_column(source: ColumnSource) -> pl.Expr:
    """The column that `ColumnSource.take` gives cell by cell, of columns that are called by their places."""
    if not source.places:
        return pl.lit(source.constant).alias(source.name)
    cells = [pl.col(str(place)) for place in source.places]
    if source.strips:
        cells = [each.str.strip_chars(WHITE_SPACE) for each in cells]
    found = cells[0]
    if len(cells) > 1:
        joined = pl.concat_str(cells, separator=JOINT)
        found = pl.when(pl.all_horizontal(each.eq("") for each in cells)).then(pl.lit("")).otherwise(joined)
    if source.words:
        found = found.replace(dict(source.words))
    return found.alias(source.name)


def _byte_order_mark(encoding: str) -> bytes:
    """The bytes of a byte order mark; none in an encoding that cannot write it."""
    return BYTE_ORDER_MARK.encode(encoding, "ignore")


def _parse_header(first: bytes, form: LineFormat, file: CsvFile) -> list[str]:
    """The names in the header."""
    cells = parse_cells(first, form)
    if not isinstance(cells, list) or not cells:
        raise NeedsStrictReader
    return list(map(strip_white_space, cells)) if file.strip else cells


def _refuse_long_lines(data: bytes) -> None:
    """Leave lines to the strict reader that may be longer than it accepts."""
    for start in range(0, len(data) - LINE_WINDOW_BYTES, LINE_WINDOW_BYTES):
        if data.find(b"\n", start, start + LINE_WINDOW_BYTES) < 0:
            raise NeedsStrictReader
