"""Files of rows as they are declared: what a site file, or an option, says about a CSV file or a workbook.

Source: RFC 4180 (common form of CSV).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from json import dumps
from pathlib import Path
from typing import NamedTuple, NoReturn

from credkit.core.errors import DefinitionError
from credkit.core.sentences import describe_rows, redacted_repr
from credkit.files.columnmaps import OWN_FORM, ColumnMap

WORKBOOK_SUFFIXES = (".xlsx", ".xlsm")
PACKAGE = b"PK\x03\x04"  # at the start of a workbook
COMPOUND_FILE = bytes.fromhex("D0CF11E0A1B11AE1")  # at the start of an old workbook, or an encrypted one


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvFile:
    """A CSV file, or a sheet of a workbook, as it is declared; ``name`` is how its path is written there.

    ``has_local_times`` says that its times have no offset and are by the site's clocks. ``option`` is how the
    command line declares encoding and delimiter, if it does, with braces for the word; ``site_key`` is where a site
    file declares them, with braces for the key and its value. ``strip`` has the columns whose cells are read
    without the white space around them; ``mapping`` says how it differs from our own form. The header is in
    ``header_line``, counted from 1. ``footer`` is the word that what stands below the table begins with, which is not
    read; empty where nothing does. Of a workbook, ``sheet`` is read, or the first visible one; its lines are the rows
    of that sheet.
    """

    path: Path
    name: str
    encoding: str = "utf-8"
    delimiter: str = ","
    has_local_times: bool = False
    option: str = ""
    strip: frozenset[str] = frozenset()
    site_key: str = ""
    mapping: ColumnMap = OWN_FORM
    header_line: int = 1
    footer: str = ""
    sheet: str = ""

    @property
    def is_workbook(self) -> bool:
        """Whether it is a workbook, by its name.

        >>> CsvFile(path=Path("people.XLSX"), name="").is_workbook
        True
        """
        return self.path.suffix.lower() in WORKBOOK_SUFFIXES

    def describe_form(self) -> str:
        """The form in which the file is read.

        >>> CsvFile(path=Path("people.csv"), name="", delimiter=";", header_line=4).describe_form()
        "utf-8 with the delimiter ';' and its header in line 4"
        """
        header = f" and its header in line {self.header_line}" if self.header_line > 1 else ""
        if self.is_workbook:
            return f"{f'the sheet {redacted_repr(self.sheet)}' if self.sheet else 'its first sheet'}{header}"
        return f"{self.encoding} with the delimiter {redacted_repr(self.delimiter)}{header}"

    def describe_declaring(self, what: str, example: str) -> str:
        """That another ``what`` can be declared, and by which option, or how in the site file.

        >>> file = CsvFile(path=Path(), name="", site_key="{} under [files.credentials]")
        >>> file.describe_declaring("delimiter", ";")
        'can be declared: delimiter = ";" under [files.credentials]'
        """
        if self.site_key:
            return f"can be declared: {self.write_key(what, dumps(example, ensure_ascii=False))}"
        return f"can be declared{self.option and ': '}{self.option.format(what)}"

    def describe_stripping(self, *columns: str) -> str:
        """What takes off the white space around cells of these columns, or of all: a key of the site file, if any.

        >>> CsvFile(path=Path(), name="", site_key="{} under [files.credentials]").describe_stripping("value")
        'strip = ["value"] under [files.credentials] takes it off'
        """
        if not self.site_key:
            return "remove it"
        return f"{self.write_key('strip', dumps(sorted({*self.strip, *columns})) if columns else 'true')} takes it off"

    def write_key(self, key: str, value: str) -> str:
        """A key of the site file with its value, and where it stands there; nothing if no site file declares this.

        >>> CsvFile(path=Path(), name="", site_key="{} under [files.readings]").write_key("time", '"local"')
        'time = "local" under [files.readings]'
        """
        return self.site_key.replace("{}", f"{key} = {value}", 1)

    def refuse_missing_footer(self) -> NoReturn:
        """Raise the one sentence about a footer that is declared, and that the file has not."""
        key = self.write_key("footer", dumps(self.footer, ensure_ascii=False))
        raise DefinitionError(
            f"{self.name}: none of the last lines begins with {redacted_repr(self.footer)}, which the footer begins "
            f"with by the site file: is the export complete? If it has no footer now, take out {key}"
        )

    def describe_rows(self, rows: Iterable[int]) -> str:
        """Where rows are, by their numbers (`ColumnMap.number_row`): lines, and headers where a line has several."""
        return describe_rows(rows, self.mapping.name_row)

    def refuse(self, line: int, problem: str) -> NoReturn:
        """Raise the one sentence about a line of this file."""
        raise DefinitionError(f"{self.name} line {line}: {problem}")

    def refuse_track(self, line: int) -> NoReturn:
        """Refuse a line that holds a payment track."""
        self.refuse(
            line,
            "payment track data must not be kept after authorisation: delete it (--reveal is about screens, and lets "
            'no such file pass; if it is none, a site file says so: not_payment = "what these numbers are" under its '
            "[kinds.NAME])",
        )


class FormFault(DefinitionError):
    """A file is not in the encoding or with the delimiter that is declared; ``likely`` is what may be meant, if known.

    >>> FormFault("list.csv line 1: there is one column only", None).likely
    """

    def __init__(self, message: str, likely: CsvFile | None) -> None:
        super().__init__(message)
        self.likely = likely


class WrongCell(NamedTuple):
    """A cell of a sheet that has no text: the place of its column, what is wrong there, what it has, what to do."""

    place: int
    problem: str
    word: str
    cure: str

    def describe(self) -> str:
        """The sentence about it.

        >>> WrongCell(0, "the cell in column A is an error of the spreadsheet", "#REF!", "Correct it.").describe()
        "the cell in column A is an error of the spreadsheet: '#REF!'"
        """
        return f"{self.problem}: {redacted_repr(self.word)}" if self.word else self.problem


def refuse_workbook(name: str, start: bytes) -> None:
    """Refuse a file of texts that is a workbook by its first bytes.

    >>> refuse_workbook("people.csv", PACKAGE)
    Traceback (most recent call last):
    credkit.DefinitionError: people.csv: the file is a workbook, not a CSV: it is read where its name ends in .xlsx
    """
    if start.startswith(PACKAGE):
        raise DefinitionError(f"{name}: the file is a workbook, not a CSV: it is read where its name ends in .xlsx")
    if start.startswith(COMPOUND_FILE):
        raise DefinitionError(
            f"{name}: the file is a workbook of the old form (.xls), or an encrypted one, not a CSV: save it as .xlsx, "
            "without a password"
        )
