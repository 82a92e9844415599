"""Import maps: how a site file declares a CSV file or a workbook, its form and what its columns and words mean.

Whatever is wrong with the declaration is refused with the site file and the key, before the file is opened.

Source: RFC 4180 (common form of CSV).
"""

from __future__ import annotations

import codecs
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from encodings.aliases import aliases
from functools import partial
from pathlib import Path

from credkit.core.frozen import FrozenMapping
from credkit.core.sentences import nearest, redacted_repr
from credkit.core.whitespace import strip_white_space
from credkit.files.columnmaps import VALUE, CellTemplate, ColumnMap
from credkit.files.csvfiles import UNUSABLE_DELIMITERS
from credkit.files.declaredfiles import WORKBOOK_SUFFIXES, CsvFile
from credkit.files.momentpatterns import MomentPattern
from credkit.tables.schema import SchemaTable

FILE_KEYS = (
    "path", "encoding", "delimiter", "sheet", "header_line", "footer", "strip", "columns", "constants", "words",
    "ignore_other_columns",
)  # fmt: skip
ROW_KEYS = ("columns", "constants", "words")  # of a row of ours, where a line of the file has several
CREDENTIALS_KEYS = (*FILE_KEYS, "date", "credential_id", "numbers")
READINGS_KEYS = (*FILE_KEYS, "time")
ESCAPES = ("idna", "punycode", "unicode_escape", "raw_unicode_escape", "undefined")  # codecs that no file is written in
BUILT, NUMBERS = "credential_id", "numbers"
MOST_HEADER_LINE = 1000
STORED_MOMENTS = ("2026-03-04", "2026-03-04 05:06", "2026-03-04T05:06:07")  # samples of what a sheet's dates become
OFFSET_TIMES, LOCAL_TIMES = "offset", "local"


def declared_file(
    table: SchemaTable, path: Path, columns: Sequence[str], *, site_key: str = "",
    known: Mapping[str, Collection[str]] | None = None, needed: Collection[str] = (),
) -> CsvFile:  # fmt: skip
    """The file at ``path`` that ``table`` declares, with these ``columns`` of ours.

    ``known`` has the words that a column may hold, ``needed`` the optional columns that this site cannot do without.
    """
    has_local_times, time_pattern = _read_times(table)
    date_pattern = _read_dates(table)
    if path.suffix.lower() in WORKBOOK_SUFFIXES:
        _refuse_keys(table, ("encoding", "delimiter"), "a workbook has none: it is for CSV files")
        time_pattern, date_pattern = _read_beside_dates(table, time_pattern, date_pattern)
    else:
        _refuse_keys(table, ("sheet",), "a CSV file has no sheets: it is for workbooks (.xlsx)")
    common = _read_map(table, columns, known or {})
    built = _read_built(table, columns, common)
    common = replace(
        common, ignores_other_columns=table.flag("ignore_other_columns", default=False),
        needed=frozenset(needed).difference(common.constants), date_pattern=date_pattern,
        time_pattern=time_pattern, built=built,
    )  # fmt: skip
    mapping = replace(common, rows_of_line=_read_numbers(table, columns, known or {}, common))
    return CsvFile(
        path=path, name=table.text("path"), encoding=_read_encoding(table), delimiter=_read_delimiter(table),
        has_local_times=has_local_times, strip=_read_strip(table, columns),
        site_key=site_key or f"{{}} under [{table.path}]", mapping=mapping,
        sheet=table.text("sheet", ""), header_line=table.whole("header_line", 1, least=1, most=MOST_HEADER_LINE),
        footer=_read_footer(table),
    )  # fmt: skip


def _read_footer(table: SchemaTable) -> str:
    """The word that what stands below the table begins with."""
    word = table.text("footer", "")
    if table.has("footer") and (not word or word != strip_white_space(word)):
        table.refuse("footer", 'it is the text that the first line below the table begins with, such as "Total"')
    return word


def _read_map(table: SchemaTable, columns: Sequence[str], known: Mapping[str, Collection[str]]) -> ColumnMap:
    """The headers, constants and words that a table declares."""
    headers, constants = _read_headers(table, columns), _read_constants(table, columns)
    for name in constants:
        if name in headers:
            table.refuse("constants", f"{name} is also under columns: it has either a header or one text for all rows")
    words = _read_words(table, columns, constants, known)
    for name, text in constants.items():
        _refuse_unknown(table, f"constants.{name}", text, known.get(name))
    return ColumnMap(headers=FrozenMapping(headers), constants=FrozenMapping(constants), words=FrozenMapping(words))


def _read_built(table: SchemaTable, columns: Sequence[str], common: ColumnMap) -> FrozenMapping[str, CellTemplate]:
    """How the ids of credentials are built of other columns, where the file has none."""
    if BUILT not in table.keys or not table.has(BUILT):
        return FrozenMapping({})
    for key in ("columns", "constants"):
        if BUILT in table.mapping(key, default={}):
            table.refuse(BUILT, f"{BUILT} is also under {key}: it is either taken from there, or built")
    others = [name for name in columns if name != BUILT]
    template = table.guard(BUILT, lambda: CellTemplate.parse(table.text(BUILT), others))
    return FrozenMapping({BUILT: template})


def _read_numbers(
    table: SchemaTable, columns: Sequence[str], known: Mapping[str, Collection[str]], common: ColumnMap
) -> tuple[ColumnMap, ...]:  # fmt: skip
    """The map of each number that a line of the file may have, with what is common to all of them."""
    if NUMBERS not in table.keys or not table.has(NUMBERS):
        return ()
    found: list[ColumnMap] = []
    if VALUE in common.headers or VALUE in common.constants:
        table.refuse(NUMBERS, f"{VALUE} is declared for all numbers: each of {NUMBERS} has its own")
    for row in table.rows(NUMBERS, ROW_KEYS):
        own = _read_map(row, columns, known)
        if VALUE not in own.headers:
            row.refuse("columns", f"{VALUE} is needed: the header of the column that has this number")
        for name in common.built:
            if name in own.headers or name in own.constants:
                row.refuse("columns", f"{name} is built for all numbers")
        if same := next((each for each in found if each.headers[VALUE] == own.headers[VALUE]), None):
            row.refuse("columns", f"{' and '.join(map(redacted_repr, same.headers[VALUE]))} is {VALUE} of two numbers")
        words = {
            name: FrozenMapping({**common.words.get(name, {}), **own.words.get(name, {})})
            for name in {**common.words, **own.words}
        }
        taken = {**common.headers, **own.headers}, {**common.constants, **own.constants}
        headers = {name: each for name, each in taken[0].items() if name not in own.constants}
        constants = {name: each for name, each in taken[1].items() if name not in own.headers}
        found.append(
            replace(
                common, headers=FrozenMapping(headers), constants=FrozenMapping(constants),
                words=FrozenMapping({name: each for name, each in words.items() if name not in constants}),
                needed=common.needed.difference(constants),
            )
        )  # fmt: skip
    if not found:
        table.refuse(NUMBERS, "at least one number is needed")
    return tuple(found)


def _refuse_keys(table: SchemaTable, keys: Sequence[str], problem: str) -> None:
    """Refuse keys that the form of the file has no use for."""
    for key in keys:
        if table.has(key):
            table.refuse(key, problem)


def _read_beside_dates(
    table: SchemaTable, time_pattern: MomentPattern | None, date_pattern: MomentPattern | None
) -> tuple[MomentPattern | None, MomentPattern]:  # fmt: skip
    """The patterns of a workbook, in which dates may be stored as such: then they are read as ISO 8601 writes them."""
    for key, pattern in (("time", time_pattern), ("date", date_pattern)):
        if pattern is not None and any(map(partial(_reads_otherwise, pattern), STORED_MOMENTS)):
            table.refuse(key, f"{redacted_repr(str(pattern))} cannot be told from the dates that a sheet stores, "
                         "as ISO 8601 writes them")  # fmt: skip
    times = time_pattern and replace(time_pattern, or_iso=True)
    return times, replace(date_pattern or MomentPattern("YYYY-MM-DD"), or_iso=True)


def _reads_otherwise(pattern: MomentPattern, stored: str) -> bool:
    """Whether a pattern reads a moment that is written as ISO 8601 does as another one."""
    iso = pattern.to_iso(stored)
    return iso is not None and (not pattern.is_moment(stored) or not iso.startswith(stored[:10]))


def _read_delimiter(table: SchemaTable) -> str:
    delimiter = table.text("delimiter", ",")
    if len(delimiter) != 1 or delimiter in UNUSABLE_DELIMITERS:
        table.refuse("delimiter", f"{redacted_repr(delimiter)} is not one character that can stand between cells")
    return delimiter


def _read_encoding(table: SchemaTable) -> str:
    encoding = table.text("encoding", "utf-8")
    if not _is_text_encoding(encoding):
        known = filter(_is_text_encoding, {name.replace("_", "-") for each in aliases.items() for name in each})
        near = nearest(encoding, sorted(known))
        table.refuse("encoding", f"{redacted_repr(encoding)} is not a text encoding that Python knows{near}")
    return encoding


def _is_text_encoding(encoding: str) -> bool:
    """Whether files may be written in it."""
    try:
        " ".encode(encoding)
        return codecs.lookup(encoding).name.replace("-", "_") not in ESCAPES
    except (LookupError, ValueError):
        return False


def _read_strip(table: SchemaTable, columns: Sequence[str]) -> frozenset[str]:
    """The columns whose cells are read without the white space around them: all, none, or those named."""
    if isinstance(table.content.get("strip", False), bool):
        return frozenset(columns) if table.flag("strip", default=False) else frozenset()
    names = table.texts("strip", words="true, false or a list of columns")
    for name in names:
        _refuse_other_column(table, "strip", name, columns)
    return frozenset(names)


def _read_headers(table: SchemaTable, columns: Sequence[str]) -> dict[str, tuple[str, ...]]:
    """The headers of each column that has another name in the file."""
    found = {}
    inner = table.inner(table.at("columns"), table.mapping("columns"), None)
    for name in inner.content:
        _refuse_other_column(table, "columns", name, columns)
        headers = inner.texts(name, or_one=True, words="a header of the file, or a list of headers")
        if not headers or len(set(headers)) < len(headers):
            inner.refuse(name, "a header is needed, or several different ones")
        found[name] = headers
    return found


def _read_constants(table: SchemaTable, columns: Sequence[str]) -> dict[str, str]:
    """The text of each column that is the same in all rows."""
    inner = table.inner(table.at("constants"), table.mapping("constants"), None)
    for name in inner.content:
        _refuse_other_column(table, "constants", name, columns)
    return {name: inner.text(name) for name in inner.content}


def _read_words(
    table: SchemaTable, columns: Sequence[str], constants: Collection[str], known: Mapping[str, Collection[str]]
) -> dict[str, FrozenMapping[str, str]]:
    """The meaning of the foreign words of each column."""
    found = {}
    inner = table.inner(table.at("words"), table.mapping("words"), None)
    for name in inner.content:
        _refuse_other_column(table, "words", name, columns)
        if name in constants:
            table.refuse("words", f"{name} is a constant: no cell of the file is read for it")
        words = inner.inner(inner.at(name), inner.mapping(name), None)
        meanings = {word: words.text(word) for word in words.content}
        for word, meaning in meanings.items():
            _refuse_unknown(table, f"words.{name}.{word}", meaning, known.get(name))
        found[name] = FrozenMapping(meanings)
    return found


def _refuse_other_column(table: SchemaTable, key: str, name: str, columns: Sequence[str]) -> None:
    if name not in columns:
        table.refuse(key, f"{redacted_repr(name)} is not one of {', '.join(columns)}{nearest(name, columns)}")


def _refuse_unknown(table: SchemaTable, key: str, word: str, known: Collection[str] | None) -> None:
    """Refuse a word that means none of those that its column may hold."""
    if known is not None and word not in known:
        table.refuse(key, f"{redacted_repr(word)} is not one of {', '.join(known)}{nearest(word, known)}")


def _read_dates(table: SchemaTable) -> MomentPattern | None:
    """How dates are written, if not as ISO 8601 does."""
    if not table.has("date"):
        return None
    pattern = table.guard("date", lambda: MomentPattern(table.text("date")))
    if pattern.has_offset:
        table.refuse("date", "a day has no offset from UTC: it is a day of the site's calendar")
    return pattern


def _read_times(table: SchemaTable) -> tuple[bool, MomentPattern | None]:
    """Whether times are by the clocks of the site, and how they are written, if not as ISO 8601 does."""
    text = table.text("time", OFFSET_TIMES) if "time" in table.keys else OFFSET_TIMES
    if text in (OFFSET_TIMES, LOCAL_TIMES):
        return text == LOCAL_TIMES, None
    if near := nearest(text, (OFFSET_TIMES, LOCAL_TIMES)):
        form = "offset, local or a pattern such as DD.MM.YYYY hh:mm:ss"
        table.refuse("time", f"{redacted_repr(text)} is not {form}{near}")
    pattern = table.guard("time", lambda: MomentPattern(text))
    if not pattern.has_time:
        table.refuse("time", f"{redacted_repr(text)} has no hour and minute, as DD.MM.YYYY hh:mm:ss has")
    return not pattern.has_offset, pattern
