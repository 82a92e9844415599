"""CSV files, read strictly: rows of exactly the columns that are asked for.

The declared encoding and delimiter hold, and every row is as wide as the header. A fault in the
file itself is a `DefinitionError` of one sentence with file and line. What a cell says is for those
who ask for it. A file is read piece by piece: a long one takes no more memory than a short one, and
rows before a fault may have been given out when it is met.

Source: RFC 4180 (common form of CSV).
"""

from __future__ import annotations

import csv
import io
import re
from codecs import BOM_UTF8, BOM_UTF16_BE, BOM_UTF16_LE, getincrementaldecoder, lookup
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product
from json import dumps
from pathlib import Path
from typing import NamedTuple, NoReturn

from credkit.core.errors import DefinitionError
from credkit.core.sentences import describe_rows, nearest, nearest_word, redacted_repr
from credkit.core.whitespace import describe_ends, strip_white_space
from credkit.files.columnmaps import OWN_FORM, ColumnMap, plan_rows
from credkit.files.regularfiles import LONGEST_LINE_BYTES, open_regular

UNUSABLE_DELIMITERS = '"\r\n\0'  # characters that cannot stand between cells
PIECE_BYTES = 1 << 16  # bytes that are read at once
BYTE_ORDER_MARK = "\ufeff"  # a byte order mark
FIRST_PAIR = 2  # characters of which one is a NUL in a wide encoding
ALIKE, MISSPELT = 0.6, 0.7  # how alike a header is that may be meant; that probably is a column spelt wrong
MAX_NAMES = 12  # names of columns in a sentence
MISSING_MARK = "does not start with BOM"  # how every Python ends the error about a mark that is missing
_SURROGATE = re.compile("[\ud800-\udfff]")  # what some decoders let through


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvFile:
    """A CSV file as it is declared; ``name`` is how its path is written there.

    ``has_local_times`` says that its times have no offset and are by the site's clocks. ``option`` is how the
    command line declares encoding and delimiter, if it does, with braces for the word; ``site_key`` is where a site
    file declares them, with braces for the key and its value. ``strip`` has the columns whose cells are read
    without the white space around them; ``mapping`` says how it differs from our own form.
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


def read_rows(
    file: CsvFile, columns: Sequence[str], spare: str = "", *, optional: Collection[str] = (),
    on_wrong_header: Callable[[HeaderFaults], None] | None = None,
    on_wrong_width: Callable[[int, int, int], None] | None = None,
) -> Iterator[tuple[int, list[str]]]:  # fmt: skip
    """The rows of ``file``: the line each begins on, its cells in the order of ``columns``.

    The header must name exactly these columns (or what the file's map names for them), in any order; ``spare`` says
    what to do about others beside them. Those that are ``optional`` may be absent: their cells are empty. The cells of
    columns that the map ignores stand behind all others. Empty lines are no rows. No cell may hold a line break: a
    quotation mark that opens by accident would take in the rows that follow. If the file strips columns, names in the
    header are stripped, too.

    A wrong header is refused; or ``on_wrong_header`` is called with its faults, and the rows are given with empty
    cells for the columns that are missing. A row that has more or fewer cells than the header is refused; or it is
    left out, and ``on_wrong_width`` is called with its line, how many cells it has, and how many the header.

    Where a line has several rows of ours, they come one after the other, and instead of the line each has the number
    that the map gives it (`ColumnMap.number_row`).
    """
    rows = csv.reader(_read_lines(file), delimiter=file.delimiter, strict=True)
    number = file.mapping.number_row
    header: list[str] | None = None
    while True:
        line = rows.line_num + 1
        try:
            cells = next(rows)
        except StopIteration:
            break
        except csv.Error as error:
            file.refuse(line, _describe_csv_fault(error, rows.line_num - line + 1))
        if rows.line_num > line:
            file.refuse(line, "a cell holds a line break: is a quotation mark in it not doubled?")
        if header is None:
            header = list(map(strip_white_space, cells)) if file.strip else cells
            plan = plan_rows(header, columns, file.mapping, file.strip)
            faults = find_header_faults(file, line, header, columns, optional, spare)
            if faults.sentences:
                if on_wrong_header is None:
                    faults.refuse(file)
                on_wrong_header(faults)
            take = plan.taker()
        elif len(cells) == len(header):
            yield from ((number(line, place), row) for place, row in enumerate(take(cells)))
        elif cells and on_wrong_width is not None:
            on_wrong_width(line, len(cells), len(header))
        elif cells:
            more = len(cells) > len(header)
            hint = f" (a cell that holds {redacted_repr(file.delimiter)} needs quotes around it)" if more else ""
            file.refuse(line, f"the row has {len(cells)} cell{'s' * (len(cells) > 1)}, expected {len(header)}{hint}")
    if header is None:
        wanted = [name for column in columns for name in file.mapping.all_headers_of(column)]
        file.refuse(1, f"the file is empty, expected the columns {', '.join(wanted)}")


def count_lines(file: CsvFile) -> int | None:
    """How many lines ``file`` has below its header, for who shows how far its reading is: empty ones count, too.

    None where the file cannot be read, or its encoding does not have line ends as single bytes.
    """
    try:
        if "\n".encode(file.encoding) != b"\n":
            return None
        with open_regular(file.path) as binary:
            pieces = iter(lambda: binary.read(PIECE_BYTES), b"")
            ends, last = 0, b""
            for last in pieces:
                ends += last.count(b"\n")
    except (OSError, LookupError, UnicodeError):
        return None
    return max(ends - last.endswith(b"\n"), 0)


def _describe_csv_fault(error: csv.Error, lines: int) -> str:
    """What is wrong with a row of so many lines: a quotation mark that is never closed takes in those that follow."""
    if str(error) == "unexpected end of data":
        return "a quotation mark that opens in the row that begins here is never closed"
    what = f"is not CSV: {error}"
    if str(error).startswith("field larger than field limit"):
        what = f"has a cell of more than {csv.field_size_limit():,} characters"
    return f"the row that begins here {what}{'; is a quotation mark in it never closed?' if lines > 1 else ''}"


class HeaderFaults(NamedTuple):
    """What is wrong with the header of a file, on this line, and which of our columns it lacks for that."""

    line: int
    sentences: list[str]
    missing: frozenset[str]
    headers: str = ""  # those of the file, where it lacks one that is declared

    def describe(self, file: CsvFile) -> list[str]:
        """The lines about them: one sentence about one fault."""
        if len(self.sentences) == 1:
            has = f" (the header has {self.headers})" if self.headers else ""
            return [f"{file.name} line {self.line}: {self.sentences[0]}{has}"]
        first = f"{file.name} line {self.line}: {len(self.sentences)} faults in the header"
        lines = [*self.sentences, *([f"the header has {self.headers}"] if self.headers else [])]
        return [first, *(f"- {line}" for line in lines)]

    def refuse(self, file: CsvFile) -> NoReturn:
        """Raise the one error about them."""
        first, *details = self.describe(file)
        raise DefinitionError(first, details=details)


def find_header_faults(
    file: CsvFile, line: int, header: Sequence[str], columns: Sequence[str], optional: Collection[str] = (),
    spare: str = "",
) -> HeaderFaults:  # fmt: skip
    """Everything that is wrong with ``header``; what stands in one column only is refused at once.

    >>> file = CsvFile(path=Path(), name="list.csv")
    >>> find_header_faults(file, 1, ["nme", "note", "note"], ["name", "note"]).sentences
    ["the column 'nme' is not one of name, note; did you mean name?", 'the column note appears twice']
    """
    wanted = {name: column for column in columns for name in file.mapping.all_headers_of(column)}
    _refuse_other_delimiter(file, line, header, wanted)
    found: list[str] = []
    others = [name for name in dict.fromkeys(header) if name not in wanted]
    explained: set[str] = set()  # headers that are missing only because others are misspelt
    if not file.mapping.ignores_other_columns:
        found, explained = _describe_other_columns(file, others, [*wanted], spare * (wanted.keys() <= set(header)))
    found += [f"the column {name} appears twice" for name in wanted if list(header).count(name) > 1]
    missing, plain = set(), []
    for column, mapping in product(columns, file.mapping.row_maps):
        absent = [name for name in mapping.headers_of(column) if name not in header]
        is_optional = column in optional and column not in {*mapping.headers, *mapping.needed}
        least = MISSPELT if is_optional else ALIKE
        offers = [nearest_word(name, others, least=least) for name in absent]
        near = next(filter(None, offers), None)
        missing |= {column} if absent and not is_optional else set()
        if set(absent) <= explained or (is_optional and not (near and mapping.ignores_other_columns)):
            continue
        if column in mapping.headers or (near and mapping.ignores_other_columns):
            found += [_describe_missing(file, column, name, near, is_optional=is_optional, mapping=mapping)
                      for name in absent]  # fmt: skip
        else:
            plain.append(column)
    found, plain = list(dict.fromkeys(found)), list(dict.fromkeys(plain))
    if plain:
        key = file.write_key("columns", f'{{ {plain[0]} = "…" }}') if others else ""
        names = f"; {key} names the header that holds {plain[0]}" if key else ""
        what, many = ("column", "is") if len(plain) == 1 else ("columns", "are")
        found.append(f"the {what} {', '.join(plain)} {many} missing{names}")
    is_declared = any(column in each.headers for column in missing for each in file.mapping.row_maps)
    return HeaderFaults(line, found, frozenset(missing), _quote_some(list(header)) if is_declared else "")


def _refuse_other_delimiter(file: CsvFile, line: int, header: Sequence[str], wanted: Collection[str]) -> None:
    """Refuse a file of one column whose name holds what separates cells elsewhere."""
    if len(header) != 1 or len(wanted) < 2:
        return
    other = next((sign for sign in ";\t|," if sign != file.delimiter and sign in header[0]), None)
    if other:
        another = f"Another {file.describe_declaring('delimiter', other)}"
        said = f"there is one column only: is the delimiter {redacted_repr(other)}? {another}"
        raise FormFault(f"{file.name} line {line}: {said}", replace(file, delimiter=other))


def _describe_other_columns(
    file: CsvFile, others: Sequence[str], wanted: Sequence[str], spare: str
) -> tuple[list[str], set[str]]:  # fmt: skip
    """Sentences about the columns of a file that are not ``wanted``, and those wanted that are spelt wrong there."""
    found: list[str] = []
    explained: set[str] = set()
    unknown: list[str] = []
    for name in others:
        bare, ends = strip_white_space(name), describe_ends(name)
        near = nearest_word(name, wanted)
        hint = f"; {spare}" if spare else nearest(name, wanted)
        if ends and bare in wanted:
            near, hint = bare, f"; it has {ends}: {file.describe_stripping()}"
        if hint:
            known = f"one of {', '.join(wanted)}" if len(others) == 1 else "known"
            found.append(f"the column {redacted_repr(name)} is not {known}{hint}")
            explained |= {near} if near is not None and not spare else set()
        else:
            unknown.append(name)
    if unknown:
        cure = file.write_key("ignore_other_columns", "true")
        leaves = f"; {cure} leaves {'it' if len(unknown) == 1 else 'them'} out" if cure else ""
        what, many = ("column", "is not one of") if len(unknown) == 1 else ("columns", "are not among")
        found.append(f"the {what} {_quote_some(unknown)} {many} {', '.join(wanted)}{leaves}")
    return found, explained


def _describe_missing(
    file: CsvFile, column: str, name: str, near: str | None, *, is_optional: bool, mapping: ColumnMap
) -> str:  # fmt: skip
    """The sentence about a header that a file lacks, or that may be misspelt among those that it ignores."""
    offer = f"; did you mean {redacted_repr(near)}?" if near is not None else ""
    if is_optional:
        none = file.write_key("constants", f'{{ {column} = "" }}')
        return f"the column {name} is missing{offer} ({none} declares that there is none)"
    if column in mapping.headers:
        return f"the column {redacted_repr(name)}, which holds {column} by the site file, is missing{offer}"
    return f"the column {name} is missing{offer}"


def _quote_some(names: Sequence[str]) -> str:
    """The first of many names."""
    rest = len(names) - MAX_NAMES
    return f"{', '.join(map(redacted_repr, names[:MAX_NAMES]))}{f' and {rest} more' if rest > 0 else ''}"


def _read_lines(file: CsvFile) -> Iterator[str]:
    """The lines of ``file`` with their ends; what ends them is for the CSV reader to say."""
    begun: list[str] = []  # of the line that is not complete yet
    line, size = 1, 0  # where it is, and how many characters of it there are
    for text in _read_texts(file):
        if "\n" not in text and "\r" not in text:
            begun.append(text)
            size += len(text)
        else:
            *whole, last = io.StringIO("".join((*begun, text)), newline="")
            yield from whole
            begun, line, size = [last], line + len(whole), len(last)
        if size > LONGEST_LINE_BYTES:
            file.refuse(line, f"the line has more than {LONGEST_LINE_BYTES:,} characters: is this a file of rows?")
    yield from io.StringIO("".join(begun), newline="")


def _read_texts(file: CsvFile) -> Iterator[str]:
    """The characters of ``file``, piece by piece; a byte that is not of its encoding is named with its offset."""
    decoder = getincrementaldecoder(file.encoding)()
    done = ends = characters = lines = 0  # bytes and line ends that were read, characters and lines that came of them
    for piece in _read_pieces(file):
        if not done and piece.startswith(BOM_UTF8) and lookup(file.encoding).name not in ("utf-8", "utf-8-sig"):
            raise FormFault(
                f"{file.name}: the byte order mark at its start is that of utf-8, not {file.encoding} "
                f"(another encoding {file.describe_declaring('encoding', 'utf-8')})",
                replace(file, encoding="utf-8"),
            )
        done, ends = done + len(piece), ends + piece.count(b"\n")
        try:
            text = decoder.decode(piece, final=not piece)
        except UnicodeError as error:
            if str(error).endswith(MISSING_MARK):
                name = lookup(file.encoding).name
                raise FormFault(
                    f"{file.name}: no byte order mark at its start, expected one of {name} "
                    f"(another encoding, such as {name}-le, {file.describe_declaring('encoding', f'{name}-le')})",
                    replace(file, encoding=f"{name}-le"),
                ) from None
            if not isinstance(error, UnicodeDecodeError):
                raise DefinitionError(f"{file.name}: the file is not {file.encoding} ({error})") from None
            offset = done - len(error.object) + error.start  # it speaks of this piece, and what was left before it
            line, likely = ends - error.object.count(b"\n", error.start) + 1, _likely_encoding(file, error)
            raise FormFault(
                f"{file.name} line {line}: byte {error.object[error.start]:02X}h at offset {offset} is not "
                f"{file.encoding} (another encoding {file.describe_declaring('encoding', likely)})",
                None if error.object.startswith(BOM_UTF8) else replace(file, encoding=likely),
            ) from None
        if not characters:
            text = text.removeprefix(BYTE_ORDER_MARK)
        if "\0" in text:
            at = text.index("\0")
            line, likely = lines + text.count("\n", 0, at) + 1, _likely_wide_encoding(characters + at)
            raise FormFault(
                f"{file.name} line {line}: there is a NUL character, number {characters + at} of the file: "
                f"is this a CSV, in {file.encoding}? Another encoding {file.describe_declaring('encoding', likely)}",
                replace(file, encoding=likely) if characters + at < FIRST_PAIR else None,
            )
        if not text.isascii() and (half := _SURROGATE.search(text)):
            file.refuse(
                lines + text.count("\n", 0, half.start()) + 1,
                f"there is half of a surrogate pair, character number {characters + half.start()} of the file, "
                "which is no character",
            )
        characters, lines = characters + len(text), lines + text.count("\n")
        yield text


def _likely_encoding(file: CsvFile, error: UnicodeDecodeError) -> str:
    """An encoding that may be meant where the bytes of ``error`` are not of the declared one."""
    if error.object[error.start : error.start + 2] in (BOM_UTF16_LE, BOM_UTF16_BE):
        return "utf-16"
    if b"\0" in error.object:
        return _likely_wide_encoding(error.object.index(0))
    return "utf-8" if lookup(file.encoding).name != "utf-8" else "cp1252"


def _likely_wide_encoding(place: int) -> str:
    """The encoding without a byte order mark that may be meant where the first NUL is the byte at ``place``."""
    return "utf-16-le" if place % 2 else "utf-16-be"


def _read_pieces(file: CsvFile) -> Iterator[bytes]:
    """The bytes of ``file``, and at last none."""
    try:
        with open_regular(file.path) as stream:
            while piece := stream.read(PIECE_BYTES):
                yield piece
    except OSError as error:
        raise DefinitionError(f"{file.name}: the file cannot be read ({error.strerror})") from None
    yield b""
