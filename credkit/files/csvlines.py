"""Lines of CSV as columns: a kernel splits the regular lines in one call, a parser the other lines one by one.

A line is regular if it has as many cells as it should have and quotation marks only around whole cells that hold
neither a delimiter nor a quotation mark. A line that is empty, holds a quoted delimiter, a doubled quotation mark, a
NUL character, a carriage return or a byte that is not of the encoding, or has another number of cells, is not. Such
lines are found by counting the signs of each line; `parse_line` reads them, and their rows are put in their place.

No cell may hold a line break: each row stands on a line of its own, so a line that is wrong is wrong alone.

Source: RFC 4180 (common form of CSV).
"""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from credkit.bulk.words import Array
from credkit.files.bytestreams import BOM, drop_returns
from credkit.files.linerows import ParsedRows, RowFault, SplitLines, merge_rows

NUL, NEWLINE, RETURN, QUOTE = 0, b"\n"[0], b"\r"[0], b'"'[0]
SCANNED_BYTES = 1 << 17  # bytes whose signs are looked at together: they stay in a processor's cache
LINES_PARSED_AT_ONCE = 256  # irregular lines that are parsed together; where one is wrong, each alone
DECODED_BYTES = 1 << 16  # bytes that are decoded together; where that fails, line by line


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFormat:
    """How a file writes its rows: cells of a row, the sign between them, the encoding.

    The encoding must be one in which ASCII is ASCII (`credkit.files.recoding.has_ascii_bytes`). ``kept`` are the places
    of the cells that are wanted, in order; None for all.
    """

    width: int
    delimiter: str = ","
    encoding: str = "utf-8"
    kept: tuple[int, ...] | None = None

    def keep(self, cells: list[str]) -> list[str]:
        """The cells that are wanted of those of a row."""
        return cells if self.kept is None else [cells[place] for place in self.kept]


def split_lines(data: bytes, form: LineFormat, types: Mapping[str, Any] | None = None) -> SplitLines:
    """The rows in ``data``, a block of whole lines, in their order.

    ``types`` has the type of a column that need not be texts; where a cell does not fit it, the column is of texts.

    >>> split = split_lines(b'a,b\\n"c, d",e\\nf\\n"g",h\\n', LineFormat(width=2))
    >>> split.frame.rows(), split.lines.tolist(), split.parsed_alone
    ([('a', 'b'), ('c, d', 'e'), ('g', 'h')], [0, 1, 3], 2)
    >>> split.faults
    [RowFault(line=2, problem='the row has 1 cell, expected 2', raw='f')]
    """
    schema = {str(place): (types or {}).get(str(place), pl.String) for place in range(form.width)}
    if not data:
        return SplitLines(frame=pl.DataFrame(schema=schema), lines=np.arange(0), height=0)
    end = b"" if data.endswith(b"\n") else b"\n"
    if b"\r" in data:
        data = drop_returns(data.removesuffix(b"\r"))
    data, undecodable = encode_utf8(data + end, form.encoding)
    frame, irregular, height = _split_regular_lines(data, form, schema)
    apart = irregular.only(irregular.starts < irregular.stops)
    found = ParsedRows(form.width if form.kept is None else len(form.kept))
    for at in range(0, len(apart.lines), LINES_PARSED_AT_ONCE):
        some = apart.only(slice(at, at + LINES_PARSED_AT_ONCE))
        spans = zip(some.starts.tolist(), some.stops.tolist(), strict=True)
        parse_lines(some.lines.tolist(), [data[start:stop] for start, stop in spans], form, found)
    for line, raw in undecodable.items():
        found.add(line, parse_line(raw, form))
    if form.kept is not None and len(form.kept) < form.width:
        frame = frame.select(map(str, form.kept))
    lines = np.arange(height)
    if len(irregular.lines):
        frame, lines = merge_rows(frame, np.delete(lines, irregular.lines), found)
    return SplitLines(
        frame=frame, lines=lines, faults=sorted(found.faults), height=height,
        parsed_alone=len(apart.lines) + len(undecodable),
    )  # fmt: skip


def parse_lines(numbers: Sequence[int], lines: Sequence[bytes], form: LineFormat, found: ParsedRows) -> None:
    """Add to ``found`` what `parse_line` gives for each of ``lines``, which have these ``numbers`` and are in UTF-8.

    >>> found = ParsedRows(2)
    >>> parse_lines([3, 7], [b'"a, b",c', b"d"], LineFormat(width=2), found)
    >>> found.columns, found.lines, found.faults
    ([['a, b'], ['c']], [3], [RowFault(line=7, problem='the row has 1 cell, expected 2', raw='d')])
    """
    rows = _parse_good_lines(lines, form)
    if rows is not None:
        found.extend(numbers, map(form.keep, rows))
    else:
        for number, line in zip(numbers, lines, strict=True):
            cells = parse_line(line, form, "utf-8")
            found.add(number, form.keep(cells) if isinstance(cells, list) and cells else cells)


def _parse_good_lines(lines: Sequence[bytes], form: LineFormat) -> list[list[str]] | None:
    """The cells of ``lines`` if nothing is wrong with any of them."""
    data = b"\n".join(lines)
    if b"\0" in data or b"\r" in data:
        return None
    try:
        rows = list(csv.reader(data.decode().split("\n"), delimiter=form.delimiter, strict=True))
    except (csv.Error, UnicodeDecodeError):
        return None
    return rows if len(rows) == len(lines) and all(len(cells) == form.width for cells in rows) else None


def parse_line(line: bytes, form: LineFormat, encoding: str = "") -> list[str] | RowFault:
    """The cells of a line, none if it is empty, or what is wrong with it; ``encoding`` is that of its bytes now.

    >>> parse_line(b'"a, b",c', LineFormat(width=2))
    ['a, b', 'c']
    """
    cells = parse_cells(line, form, encoding)
    if cells and isinstance(cells, list) and len(cells) != form.width:
        count = f"{len(cells)} cell{'s' * (len(cells) > 1)}"
        raw = line.decode(encoding or form.encoding, "replace")
        return RowFault(0, f"the row has {count}, expected {form.width}", raw)
    return cells


def parse_cells(line: bytes, form: LineFormat, encoding: str = "") -> list[str] | RowFault:
    """The cells of a line however many there are, or what is wrong with it; see `parse_line`.

    >>> parse_cells(b"a,b,c", LineFormat(width=2))
    ['a', 'b', 'c']
    """
    encoding = encoding or form.encoding
    raw = line.decode(encoding, "replace")
    try:
        text = line.decode(encoding)
    except UnicodeDecodeError as error:
        return RowFault(0, f"byte {line[error.start]:02X}h at byte {error.start} of the line is not {encoding}", raw)
    if "\0" in text:
        return RowFault(0, f"there is a NUL character, number {text.index(chr(0))} of the line", raw)
    if "\r" in text:
        return RowFault(0, "there is a carriage return in the middle of the line", raw)
    try:
        cells = next(csv.reader([text], delimiter=form.delimiter, strict=True), [])
    except csv.Error as error:
        why = str(error)
        if why == "unexpected end of data":
            why = "a quotation mark that opens in the line is never closed in it"
        return RowFault(0, f"the line is not CSV: {why}", raw)
    return cells


def encode_utf8(data: bytes, encoding: str) -> tuple[bytes, dict[int, bytes]]:
    """The lines of ``data`` in UTF-8, and those that are not of the encoding, which are left empty, by their number."""
    if data.isascii():
        return data, {}
    parts: list[bytes] = []
    undecodable: dict[int, bytes] = {}
    start = first = 0
    while start < len(data):
        stop = data.find(b"\n", min(start + DECODED_BYTES, len(data) - 1)) + 1
        part = data[start:stop]
        try:
            text = part.decode(encoding)
        except UnicodeDecodeError:
            lines = part.split(b"\n")
            for place, line in enumerate(lines):
                if not line.isascii():
                    try:
                        lines[place] = line.decode(encoding).encode()
                    except UnicodeDecodeError:
                        undecodable[first + place] = line
                        lines[place] = b""
            parts.append(b"\n".join(lines))
        else:
            parts.append(part if encoding == "utf-8" else text.encode())
        start, first = stop, first + part.count(b"\n")
    return b"".join(parts), undecodable


class _LineSpans(NamedTuple):
    """Some lines by their numbers, and where their bytes start and stop."""

    lines: Array
    starts: Array
    stops: Array

    def only(self, some: Array | slice) -> _LineSpans:
        """The lines where ``some`` is true, or some that follow each other."""
        return _LineSpans(self.lines[some], self.starts[some], self.stops[some])


def _split_regular_lines(data: bytes, form: LineFormat, schema: dict[str, Any]) -> tuple[pl.DataFrame, _LineSpans, int]:
    """The cells of the regular lines, the other lines, and how many lines there are.

    Counts of many lines together show that all are regular only if the kernel finds no line too long. Otherwise each
    line is counted.
    """
    if form.delimiter.isascii():
        for trusts_sums in (True, False):
            irregular, height = _find_irregular_lines(data, form, trusts_sums=trusts_sums)
            frame = split_cells(_join_regular_lines(data, irregular), form, schema)
            if frame is not None and frame.height == height - len(irregular.lines):
                return frame, irregular, height
    stops = np.flatnonzero(np.frombuffer(data, np.uint8) == NEWLINE)
    starts = np.concatenate(([0], stops[:-1] + 1))
    return pl.DataFrame(schema=schema), _LineSpans(np.arange(len(stops)), starts, stops), len(stops)


def _find_irregular_lines(data: bytes, form: LineFormat, *, trusts_sums: bool) -> tuple[_LineSpans, int]:
    """The lines that are not regular, and how many lines there are."""
    raw = np.frombuffer(data, np.uint8)
    found = [_LineSpans(*(np.zeros(0, np.int64),) * 3)]
    start = line = 0
    while start < len(data):
        stop = data.find(b"\n", min(start + SCANNED_BYTES, len(data)) - 1) + 1
        part = raw[start:stop]
        lines = int(np.count_nonzero(part == NEWLINE))
        if not (trusts_sums and _has_regular_sums(data, start, stop, lines, form)):
            ends, irregular = _judge_lines(part, form)
            places = np.flatnonzero(irregular)
            begins = np.concatenate(([0], ends[:-1] + 1))[places]
            found.append(_LineSpans(places + line, begins + start, ends[places] + start))
        start, line = stop, line + lines
    return _LineSpans(*map(np.concatenate, zip(*found, strict=True))), line


def _has_regular_sums(data: bytes, start: int, stop: int, lines: int, form: LineFormat) -> bool:
    """Whether lines have as many signs together as regular ones, and none is too long."""
    part = np.frombuffer(data, np.uint8, stop - start, start)
    delimiters = part == ord(form.delimiter)
    last = max(start, data.rfind(b"\n", start, stop - 1) + 1)  # only the last line can be longer than what is scanned
    if (
        form.width == 1 or np.count_nonzero(delimiters) != lines * (form.width - 1)
        or stop - last > csv.field_size_limit() or data.find(b"\0", start, stop) >= 0
        or data.find(b"\r", start, stop) >= 0
    ):  # fmt: skip
        return False
    if data.find(b'"', start, stop) < 0:
        return True
    quotes, bounds = part == QUOTE, delimiters | (part == NEWLINE)  # every cell has one at each end, and no other
    return bool(
        quotes[0] and quotes[-2] and np.count_nonzero(quotes) == 2 * lines * form.width
        and not (bounds[1:-1] > (quotes[:-2] & quotes[2:])).any()
        and not (bounds[1] or (bounds[:-2] & bounds[2:]).any())
    )  # fmt: skip


def _judge_lines(raw: Array, form: LineFormat) -> tuple[Array, Array]:
    """Where each line ends, and which lines are not regular."""
    delimiter = ord(form.delimiter)
    is_sign = np.zeros(256, bool)
    is_sign[[NUL, NEWLINE, RETURN, QUOTE, delimiter]] = True
    places = np.concatenate(([-1], np.flatnonzero((raw <= QUOTE) | (raw == delimiter))))  # as if a line ended before
    kinds = np.concatenate((np.array([NEWLINE], np.uint8), raw[places[1:]]))
    if not (known := is_sign[kinds]).all():
        places, kinds = places[known], kinds[known]
    is_quote = kinds == QUOTE
    wrong = places[(kinds == NUL) | (kinds == RETURN)]
    if is_quote.any():
        wrong = np.concatenate((wrong, _find_inner_quotes(places, kinds)))
        places, kinds = places[~is_quote], kinds[~is_quote]
    at = np.flatnonzero(kinds == NEWLINE)
    ends = places[at][1:]
    lengths = np.diff(places[at]) - 1
    irregular = (np.diff(at) != form.width) | (lengths > csv.field_size_limit())
    if form.width == 1:
        irregular |= lengths <= len('""')  # an empty line is no row, an empty cell is one
    irregular[np.searchsorted(ends, wrong)] = True
    return ends, irregular


def _find_inner_quotes(places: Array, kinds: Array) -> Array:
    """The quotation marks that are neither the first sign of a cell nor its last, or whose cell holds other signs."""
    at = np.flatnonzero(kinds == QUOTE)
    before, after = kinds[at - 1], kinds[at + 1]
    opens = (before != QUOTE) & (places[at - 1] == places[at] - 1) & (after == QUOTE)
    closes = (after != QUOTE) & (places[at + 1] == places[at] + 1) & (before == QUOTE)
    inner: Array = places[at[~(opens | closes)]]
    return inner


def _join_regular_lines(data: bytes, irregular: _LineSpans) -> bytes:
    """The lines of ``data`` without the irregular ones, and without quotation marks."""
    if len(irregular.lines):
        view = memoryview(data)
        starts = [0, *(irregular.stops + 1).tolist()]
        stops = [*irregular.starts.tolist(), len(data)]
        data = b"".join([view[start:stop] for start, stop in zip(starts, stops, strict=True) if start < stop])
    return data.translate(None, b'"') if b'"' in data else data


def split_cells(data: bytes, form: LineFormat, schema: dict[str, Any]) -> pl.DataFrame | None:
    """The cells of regular lines without quotation marks; None where the kernel finds a row too long."""
    if not data:  # no line is regular
        return pl.DataFrame(schema=schema)
    marked = data.startswith(BOM)  # the kernel would take it for a byte order mark
    if marked:
        data = form.delimiter.encode() * (form.width - 1) + b"\n" + data
    texts = dict.fromkeys(schema, pl.String)
    for types in (schema, texts) if schema != texts else (texts,):
        try:
            frame = pl.read_csv(data, has_header=False, schema=types, quote_char=None, separator=form.delimiter)
        except pl.exceptions.PolarsError:  # perhaps a cell does not fit its type
            continue
        is_typed = not any(frame[name].null_count() for name, kind in types.items() if kind != pl.String)
        if frame.width == form.width and is_typed:
            return frame.slice(int(marked)).with_columns(pl.col(pl.String).fill_null(""))
    return None
