"""Captures in JSON lines, in pieces: each line is an object that has the wanted keys, each of them a text.

Source: JSON Lines; RFC 8259 (JSON).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from credkit.core.errors import DefinitionError
from credkit.files.bytestreams import BOM, ByteStream, LineBlock, cut_at_lines, line_cuts
from credkit.files.captures import CaptureFile, ColumnNames, FilePiece, RowTable
from credkit.files.jsonlines import split_objects


@dataclass(slots=True, kw_only=True)
class JsonSource(CaptureFile):
    """A file of JSON lines."""

    kind: str
    columns: ColumnNames

    def pieces(self) -> Iterator[FilePiece]:
        """The parts of the file; one without a line is refused."""
        with ByteStream(self.path, compressed=self.kind.endswith(".gz")) as stream:
            there = self.start > 0
            stream.go_to(self.start, self.stop)
            for each in cut_at_lines(self.name, stream):
                if not there:
                    each = each._replace(data=self._first(each.data))
                there = True
                yield JsonPiece(cut=each, columns=self.columns)
            self.ended = stream.broken
            if not there:
                raise DefinitionError(
                    f"{self.name} line 1: {stream.broken or 'the file is empty'}, expected an object with the keys "
                    f"{', '.join(self.columns.wanted)}"
                )

    def cuts(self, size: int) -> list[int]:
        """Ends of lines, if they show before anything is decompressed."""
        return [] if self.kind.endswith(".gz") else line_cuts(self.path, size)

    def _first(self, data: bytes) -> bytes:
        """The first piece without a byte order mark, if it begins as JSON lines do."""
        data = data.removeprefix(BOM)
        line = data.lstrip().partition(b"\n")[0].strip()
        if line == b"{" or line.startswith(b"["):
            what = "an object" if line == b"{" else "an array"
            raise DefinitionError(f"{self.name} line 1: {what} begins here, expected a whole object on each line")
        return data


@dataclass(frozen=True, slots=True, kw_only=True)
class JsonPiece:
    """Whole lines of JSON."""

    cut: LineBlock
    columns: ColumnNames

    @property
    def size(self) -> int:
        """How far the file is read behind them."""
        return self.cut.size

    def table(self, readers: Any) -> RowTable:
        """The rows; a line that is wrong is a fault."""
        columns = self.columns
        data, broken = self.cut.separate_broken_line()
        split = split_objects(data, columns.wanted, {columns.reader: readers} if columns.reader else None)
        series = {name: split.frame[name].rechunk() for name in columns.wanted}
        return RowTable.of_lines(split, columns, series, broken.decode("utf-8", "replace"))
