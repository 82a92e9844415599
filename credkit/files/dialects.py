"""Dialects: the form of tables. One is for programs; in the others a spreadsheet opens tables without altering numbers.

The plain table is always written. In another dialect the same table is written a second time, beside it: a program, a
target and `credkit compare` read the plain one, and a person opens the other.

Source: RFC 4180 (common form of CSV); ECMA-376 (XLSX); what spreadsheets convert: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr

PLAIN_ENDING = ".csv"
BYTE_ORDER_MARK = b"\xef\xbb\xbf"  # by it a spreadsheet knows UTF-8


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    """A form of tables: the ``ending`` of its files, and the ``delimiter`` of cells; an XLSX file has none."""

    name: str
    ending: str
    delimiter: str | None

    def rename(self, plain: str) -> str:
        """The name of the file that people open; ``plain`` is that of the one for programs.

        >>> DIALECTS["spreadsheet-tab"].rename("crosswalk.csv")
        'crosswalk-spreadsheet.tsv'
        """
        return plain if self == PLAIN else f"{Path(plain).stem}{self.ending}"

    def list_paths(self, plain: Path) -> list[Path]:
        """Where a single table is written: the plain file, and the one in this dialect.

        >>> [path.name for path in DIALECTS["xlsx"].list_paths(Path("failing.csv"))]
        ['failing.csv', 'failing.xlsx']
        """
        if self == PLAIN:
            return [plain]
        if self.rename(plain.name) == plain.name:
            raise DefinitionError(
                f"output {redacted_repr(str(plain))} is a CSV file, and the table in the dialect {self.name} beside it "
                f"would have the same name: end the name with {PLAIN_ENDING}"
            )
        return [plain, plain.with_name(self.rename(plain.name))]


PLAIN = Dialect(name="plain", ending=PLAIN_ENDING, delimiter=",")
DIALECTS = {
    each.name: each
    for each in (
        PLAIN,
        Dialect(name="spreadsheet-comma", ending="-spreadsheet.csv", delimiter=","),
        Dialect(name="spreadsheet-semicolon", ending="-spreadsheet.csv", delimiter=";"),
        Dialect(name="spreadsheet-tab", ending="-spreadsheet.tsv", delimiter="\t"),
        Dialect(name="xlsx", ending=".xlsx", delimiter=None),
    )
}


def names_in(names: Iterable[str], dialect: Dialect) -> Iterator[str]:
    """The names of the files in ``dialect`` that are beside the plain tables among ``names``; other files have none.

    >>> list(names_in(["crosswalk.csv", "summary.txt"], DIALECTS["xlsx"])), list(names_in(["crosswalk.csv"], PLAIN))
    (['crosswalk.xlsx'], [])
    """
    if dialect != PLAIN:
        for name in names:
            if name.endswith(PLAIN_ENDING):
                yield dialect.rename(name)
