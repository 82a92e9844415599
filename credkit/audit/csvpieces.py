"""CSV in pieces: a kernel for what is plain, one line after the other for what is not.

A piece is plain if no cell is quoted (or every cell is, and nothing but quotation marks is lost
with them), no line is empty, no byte is zero, and there are as many cells as there should be. That
is checked by counting, before any cell is looked at. Any other piece is read line by line: each row
stands on a line of its own, since no cell may hold a line break, so a line that is wrong is wrong alone.

Source: RFC 4180 (common form of CSV).
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from credkit.audit.sources import (
    BROKEN_ROW,
    CaptureFile,
    ColumnNames,
    FilePiece,
    RowFault,
    RowTable,
    find_columns,
    line_numbers,
)
from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.core.whitespace import strip_white_space
from credkit.files.bytestreams import BOM, ByteStream, LineBlock, cut_at_lines, line_cuts
from credkit.files.recoding import RecodedStream, check_encoding, has_ascii_bytes
from credkit.files.regularfiles import LONGEST_LINE_BYTES

NEWLINE, QUOTE, RETURN = b"\n"[0], b'"'[0], b"\r"[0]
BYTES_SCANNED_AT_ONCE = 1 << 18  # bytes that are looked at together: they stay in a processor's cache
LEAST_PLAIN_BYTE = b"*"[0]  # what is below is neither a letter nor a digit, nor what usually stands in a time


@dataclass(slots=True, kw_only=True)
class CsvSource(CaptureFile):
    """A CSV file: how its cells are separated, and where its columns stand."""

    kind: str
    columns: ColumnNames
    delimiter: str = ","
    encoding: str = "utf-8"
    strips_header: bool = False  # whether white space around the names of columns is left out

    def pieces(self) -> Iterator[FilePiece]:
        """The rows behind the header."""
        with self._stream() as stream:
            form, rest = self._form(stream)
            self.first = 2
            if self.start or self.stop is not None:
                stream.go_to(self.start or stream.tell() - len(rest), self.stop)
                rest = b""
            yield from (CsvPiece(cut=each, form=form) for each in cut_at_lines(self.name, stream, rest))
            self.ended = stream.broken

    def cuts(self, size: int) -> list[int]:
        """Ends of lines, if they show before anything is decompressed or decoded."""
        with self._stream() as stream:
            plain = not self.kind.endswith(".gz") and not isinstance(stream, RecodedStream)
        return line_cuts(self.path, size) if plain else []

    def check(self) -> None:
        """Raise `DefinitionError` for a header that is none, or has not the columns that are wanted."""
        with self._stream() as stream:
            self._form(stream)

    def _stream(self) -> ByteStream:
        self.encoding = check_encoding(self.name, self.encoding)
        compressed = self.kind.endswith(".gz")
        if has_ascii_bytes(self.encoding):
            return ByteStream(self.path, compressed=compressed)
        return RecodedStream(self.path, self.name, self.encoding, compressed=compressed)

    def _form(self, stream: ByteStream) -> tuple[CsvForm, bytes]:
        """The form that the header declares, and the bytes read behind it."""
        if len(self.delimiter) != 1 or self.delimiter in '"\r\n\0':
            raise DefinitionError(
                f"{self.name}: {redacted_repr(self.delimiter)} is not one character that can stand between cells"
            )
        encoding = "utf-8" if isinstance(stream, RecodedStream) else self.encoding
        begun = self._begun(stream)
        if begun.startswith(BOM):
            begun = begun[len(BOM) :]
        if not begun.strip():
            why = stream.broken or "the file is empty"
            raise DefinitionError(f"{self.name} line 1: {why}, expected the columns {', '.join(self.columns.wanted)}")
        line, _, rest = begun.partition(b"\n")
        header = self._header(line.removesuffix(b"\r"), encoding)
        form = CsvForm(
            header=tuple(header), places=find_columns(self.name, header, self.columns, "line 1"),
            columns=self.columns, delimiter=self.delimiter, encoding=encoding,
        )  # fmt: skip
        return form, rest

    def _begun(self, stream: ByteStream) -> bytes:
        """Enough of the file to have its first line."""
        found = b""
        while b"\n" not in found and (more := stream.read_some()):
            found += more
            if b"\n" not in found and len(found) >= LONGEST_LINE_BYTES:
                raise DefinitionError(
                    f"{self.name} line 1: the header has more than {LONGEST_LINE_BYTES:,} bytes: "
                    "is this a file of rows?"
                )
        return found

    def _header(self, line: bytes, encoding: str) -> list[str]:
        try:
            text = line.decode(encoding)
        except UnicodeDecodeError as error:
            raise DefinitionError(
                f"{self.name} line 1: byte {line[error.start]:02X}h at offset {error.start} is not {encoding}"
            ) from None
        for sign, what in (("\0", "NUL character"), ("\r", "carriage return")):
            if sign in text:
                raise DefinitionError(f"{self.name} line 1: there is a {what} in it: is this a CSV?")
        try:
            header = next(csv.reader([text], delimiter=self.delimiter, strict=True))
        except csv.Error as error:
            raise DefinitionError(f"{self.name} line 1: the header is not CSV: {error}") from None
        other = next((sign for sign in ";\t|," if sign != self.delimiter and sign in text), None)
        if len(header) == 1 and len(self.columns.wanted) > 1 and other:
            raise DefinitionError(
                f"{self.name} line 1: there is one column only: is the delimiter {redacted_repr(other)}?"
            )
        return list(map(strip_white_space, header)) if self.strips_header else header


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvForm:
    """How the rows of a file are written."""

    header: tuple[str, ...]
    places: dict[str, int]
    columns: ColumnNames
    delimiter: str
    encoding: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvPiece:
    """Whole lines of a CSV file."""

    cut: LineBlock
    form: CsvForm

    @property
    def size(self) -> int:
        """How far the file is read behind them."""
        return self.cut.size

    def table(self, readers: Any) -> RowTable:
        """The rows: by a kernel if they are plain, else one by one."""
        if self.cut.broken or not self.form.delimiter.isascii():
            return self._read_by_line()
        return self._read_unquoted(readers) or self._read_counted() or self._read_by_line()

    def _read_unquoted(self, readers: Any) -> RowTable | None:
        """The rows if no cell is empty, and no sign is there that would need a closer look."""
        data = self.cut.data
        if not data[:BYTES_SCANNED_AT_ONCE].isascii():
            return None
        signs = np.frombuffer(data, np.int8)  # what is not ASCII is negative there
        parts = range(0, len(signs), BYTES_SCANNED_AT_ONCE)
        below = sum(
            int(np.count_nonzero(signs[start : start + BYTES_SCANNED_AT_ONCE] < LEAST_PLAIN_BYTE)) for start in parts
        )
        lines = below + (data[-1:] != b"\n")  # if nothing but ends of lines is below; then it is their number
        frame = self._frame(data, readers)
        if frame is None:  # perhaps there is a reader that is not known yet
            frame = self._frame(data)
        if frame is None or frame.height != lines or sum(series.null_count() for series in frame):
            return None
        return self._make_row_table(frame)

    def _read_counted(self) -> RowTable | None:
        """The rows if counting all signs shows that each has as many cells as it should have."""
        form, data = self.form, self.cut.data
        if not data.isascii():
            try:
                text = data.decode(form.encoding)
            except UnicodeDecodeError:
                return None
            data = data if form.encoding == "utf-8" else text.encode()
        raw = np.frombuffer(data, np.uint8)
        if not raw.min():
            return None
        if returns := np.count_nonzero(raw == RETURN):
            if data.count(b"\r\n") != returns:
                return None
            data = data.replace(b"\r\n", b"\n")
            raw = np.frombuffer(data, np.uint8)
        lines = int(np.count_nonzero(raw == NEWLINE)) + (data[-1:] != b"\n")
        cells = len(form.header)
        if np.count_nonzero(raw == ord(form.delimiter)) != lines * (cells - 1):
            return None
        if quotes := np.count_nonzero(raw == QUOTE):
            body = data.removesuffix(b"\n")
            between = f'"{form.delimiter}"'.encode()
            fully = (
                quotes == 2 * cells * lines and body[:1] == body[-1:] == b'"'
                and body.count(between) == (cells - 1) * lines and body.count(b'"\n"') == lines - 1
            )  # fmt: skip
            if not fully:
                return None
            data = data.replace(b'"', b"")
        frame = self._frame(data)
        if frame is None or frame.height != lines or (cells == 1 and frame.to_series().null_count()):
            return None  # a line without a cell
        return self._make_row_table(frame.fill_null(""))

    def _frame(self, data: bytes, readers: Any = pl.String) -> Any:
        """The cells by a kernel; None if a row has too many, or a reader that is none of ``readers``."""
        cells = len(self.form.header)
        kinds = dict.fromkeys(map(str, range(cells)), pl.String)
        if self.form.columns.reader:
            kinds[str(self.form.places[self.form.columns.reader])] = readers
        if not data.endswith(b"\n"):  # without, an empty cell too many is not seen
            data += b"\n"
        try:
            frame = pl.read_csv(data, has_header=False, schema=kinds, quote_char=None, separator=self.form.delimiter)
        except pl.exceptions.PolarsError:
            return None
        return frame if frame.width == cells else None

    def _make_row_table(self, frame: Any) -> RowTable:
        series = {name: frame[str(place)].rechunk() for name, place in self.form.places.items()}  # parts are slower
        return _make_table(self.form.columns, series, line_numbers(frame.height), [], frame.height)

    def _read_by_line(self) -> RowTable:
        form = self.form
        kept: dict[str, list[str]] = {name: [] for name in form.places}
        at: list[int] = []
        faults: list[RowFault] = []
        lines = self.cut.data.removesuffix(b"\n").split(b"\n")
        for place, line in enumerate(lines):
            if not line:
                continue
            cells = _split_line(form, line.removesuffix(b"\r"))
            if self.cut.broken and place == len(lines) - 1:
                cells = RowFault(0, BROKEN_ROW, line.decode(form.encoding, "replace"))
            if isinstance(cells, RowFault):
                faults.append(cells._replace(line=place))
            elif cells:
                at.append(place)
                for name, column in form.places.items():
                    kept[name].append(cells[column])
        series = {name: pl.Series(values, dtype=pl.String) for name, values in kept.items()}
        return _make_table(form.columns, series, np.array(at, np.int64), faults, len(lines))


def _split_line(form: CsvForm, line: bytes) -> list[str] | RowFault:
    """The cells of a line, none if it is empty, or what is wrong with it."""
    raw = line.decode(form.encoding, "replace")
    try:
        text = line.decode(form.encoding)
    except UnicodeDecodeError as error:
        return RowFault(
            0, f"byte {line[error.start]:02X}h at byte {error.start} of the line is not {form.encoding}", raw
        )
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
    if cells and len(cells) != len(form.header):
        count = f"{len(cells)} cell{'s' * (len(cells) > 1)}"
        return RowFault(0, f"the row has {count}, expected {len(form.header)}", raw)
    return cells


def _make_table(
    columns: ColumnNames, series: dict[str, Any], lines: Any, faults: list[RowFault], height: int
) -> RowTable:
    return RowTable(
        lines=lines, text=series[columns.text], reader=series.get(columns.reader), time=series.get(columns.time),
        faults=faults, height=height,
    )  # fmt: skip
