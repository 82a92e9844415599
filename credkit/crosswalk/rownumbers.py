"""The lines of a result, where a line of the credentials has several rows.

While a crosswalk is made, each row has a number of its own in place of its line
(`credkit.files.columnmaps.ColumnMap.number_row`); who gets the result looks for lines.
"""

from __future__ import annotations

from dataclasses import replace

from credkit.crosswalk.filelines import FileLines
from credkit.crosswalk.result import Crosswalk
from credkit.files.csvfiles import CsvFile


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
