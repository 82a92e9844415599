"""Captures in CSV files, in pieces: a header with the wanted columns, and rows behind it.

Source: RFC 4180 (common form of CSV).
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.core.whitespace import strip_white_space
from credkit.files.bytestreams import BOM, ByteStream, LineBlock, cut_at_lines, line_cuts
from credkit.files.captures import CaptureFile, ColumnNames, FilePiece, RowTable, find_columns
from credkit.files.csvfiles import UNUSABLE_DELIMITERS
from credkit.files.csvlines import LineFormat, split_lines
from credkit.files.recoding import RecodedStream, open_stream
from credkit.files.regularfiles import LONGEST_LINE_BYTES


@dataclass(slots=True, kw_only=True)
class CsvSource(CaptureFile):
    """A CSV file: how its cells are separated, and where its columns stand."""

    kind: str
    columns: ColumnNames
    delimiter: str = ","
    encoding: str = "utf-8"
    strips_header: bool = False  # whether white space around the names of columns is left out
    header_line: int = 1  # what stands above it is not read

    def pieces(self) -> Iterator[FilePiece]:
        """The rows behind the header."""
        stream, encoding = self._open()
        with stream:
            form, rest = self._form(stream, encoding)
            self.first = self.header_line + 1
            if self.start or self.stop is not None:
                stream.go_to(self.start or stream.tell() - len(rest), self.stop)
                rest = b""
            yield from (CsvPiece(cut=each, form=form) for each in cut_at_lines(self.name, stream, rest))
            self.ended = stream.broken

    def cuts(self, size: int) -> list[int]:
        """Ends of lines, if they show before anything is decompressed or decoded."""
        stream, _ = self._open()
        with stream:
            plain = not self.kind.endswith(".gz") and not isinstance(stream, RecodedStream)
        return line_cuts(self.path, size) if plain else []

    def check(self) -> None:
        """Raise `DefinitionError` for a header that is none, or has not the columns that are wanted."""
        stream, encoding = self._open()
        with stream:
            self._form(stream, encoding)

    def _open(self) -> tuple[ByteStream, str]:
        return open_stream(self.path, self.name, self.encoding, compressed=self.kind.endswith(".gz"))

    def _form(self, stream: ByteStream, encoding: str) -> tuple[CsvForm, bytes]:
        """The form that the header declares, and the bytes read behind it."""
        if len(self.delimiter) != 1 or self.delimiter in UNUSABLE_DELIMITERS:
            raise DefinitionError(
                f"{self.name}: {redacted_repr(self.delimiter)} is not one character that can stand between cells"
            )
        begun = self._begun(stream)
        if begun.startswith(BOM):
            begun = begun[len(BOM) :]
        if not begun.strip():
            why = stream.broken or "the file is empty"
            raise DefinitionError(f"{self.name} line 1: {why}, expected the columns {', '.join(self.columns.wanted)}")
        *lines, rest = begun.split(b"\n", self.header_line)
        if len(lines) < self.header_line:  # the last line may have no end
            lines, rest = [*lines, rest], b""
        first = lines[-1] if len(lines) == self.header_line else b""
        header = self._header(first.removesuffix(b"\r"), encoding)
        places = find_columns(self.name, header, self.columns, f"line {self.header_line}")
        line = LineFormat(
            width=len(header), delimiter=self.delimiter, encoding=encoding, kept=tuple(sorted(places.values()))
        )
        return CsvForm(line=line, places=places, columns=self.columns), rest

    def _begun(self, stream: ByteStream) -> bytes:
        """Enough of the file to have its header."""
        found = b""
        while found.count(b"\n") < self.header_line and (more := stream.read_some()):
            found += more
            if found.count(b"\n") < self.header_line and len(found) >= LONGEST_LINE_BYTES:
                raise DefinitionError(
                    f"{self.name} line {self.header_line}: the header has more than {LONGEST_LINE_BYTES:,} bytes: "
                    "is this a file of rows?"
                )
        return found

    def _header(self, line: bytes, encoding: str) -> list[str]:
        try:
            text = line.decode(encoding)
        except UnicodeDecodeError as error:
            raise DefinitionError(
                f"{self.name} line {self.header_line}: byte {line[error.start]:02X}h at offset {error.start} is not "
                f"{encoding}"
            ) from None
        for sign, what in (("\0", "NUL character"), ("\r", "carriage return")):
            if sign in text:
                raise DefinitionError(f"{self.name} line {self.header_line}: there is a {what} in it: is this a CSV?")
        try:
            header = next(csv.reader([text], delimiter=self.delimiter, strict=True))
        except csv.Error as error:
            raise DefinitionError(f"{self.name} line {self.header_line}: the header is not CSV: {error}") from None
        other = next((sign for sign in ";\t|," if sign != self.delimiter and sign in text), None)
        if len(header) == 1 and len(self.columns.wanted) > 1 and other:
            raise DefinitionError(
                f"{self.name} line {self.header_line}: there is one column only: is the delimiter "
                f"{redacted_repr(other)}?"
            )
        return list(map(strip_white_space, header)) if self.strips_header else header


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvForm:
    """How the rows of a file are written, and the places of the wanted columns."""

    line: LineFormat
    places: dict[str, int]
    columns: ColumnNames


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
        """The rows; a line that is wrong is a fault."""
        columns, places = self.form.columns, self.form.places
        data, broken = self.cut.separate_broken_line()
        types = {str(places[columns.reader]): readers} if columns.reader else None
        split = split_lines(data, self.form.line, types)
        series = {name: split.frame[str(place)].rechunk() for name, place in places.items()}  # parts are slower
        return RowTable.of_lines(split, columns, series, broken.decode(self.form.line.encoding, "replace"))
