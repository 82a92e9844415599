"""Headers of files of rows: what is wrong with one, all faults at once."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from itertools import product
from typing import NamedTuple, NoReturn

from credkit.core.errors import DefinitionError
from credkit.core.sentences import nearest, nearest_word, redacted_repr
from credkit.core.whitespace import describe_ends, strip_white_space
from credkit.files.columnmaps import ColumnMap
from credkit.files.declaredfiles import CsvFile, FormFault

ALIKE, MISSPELT = 0.6, 0.7  # how alike a header is that may be meant; that probably is a column spelt wrong
MAX_NAMES = 12  # names of columns in a sentence


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

    >>> from pathlib import Path
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
