"""The lines of a result, where a line of the credentials has several rows.

While a crosswalk is made, each row has a number of its own in place of its line
(`credkit.files.columnmaps.ColumnMap.number_row`); who gets the result looks for lines.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from credkit.core.sentences import describe_rows, format_count
from credkit.crosswalk.result import Crosswalk
from credkit.files.declaredfiles import CsvFile
from credkit.work.filelines import FileLines


def with_lines(result: Crosswalk, file: CsvFile) -> Crosswalk:
    """``result`` with the lines of the credentials ``file`` in place of the numbers of its rows."""
    count = len(file.mapping.row_maps)
    if count == 1:
        return result

    def convert(rows: FileLines) -> FileLines:
        by_file = rows.by_file()
        return FileLines({**by_file, file.name: map(file.mapping.line_of, by_file.get(file.name, ()))})

    return replace(
        result, lines=result.lines.convert_lines(lambda line: line // count),
        exceptions=tuple(
            replace(each, line=file.mapping.line_of(each.line)) if each.file == file.name else each
            for each in result.exceptions
        ),
        findings=tuple(replace(each, rows=convert(each.rows)) for each in result.findings),
        work=tuple(replace(each, rows=convert(each.rows)) for each in result.work),
    )  # fmt: skip


def describe_empty_lines(file: CsvFile, lines: Sequence[int]) -> Iterator[str]:
    """A sentence about the lines of the credentials that have none of the numbers that they may have."""
    if lines:
        have = "has no number, and is no credential" if len(lines) == 1 else "have no number, and are no credentials"
        yield f"{format_count(len(lines), 'line')} of {file.name} {have}: {describe_rows(lines)}"
