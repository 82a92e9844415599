"""The register in columns: kind by kind the fields that each row has, why some have none, and which rows count."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from credkit.bulk.decoded_columns import decode_columns
from credkit.bulk.words import Array
from credkit.core.fields import Item
from credkit.core.sentences import redacted_repr
from credkit.facts.account_suspects import may_hold_account
from credkit.facts.damage import ColumnDamage
from credkit.facts.damaged_columns import are_suspects, judge_values
from credkit.facts.judged_texts import number_columns
from credkit.facts.number_columns import key_columns, number_text
from credkit.facts.numbers import NO_NUMBER, Numbers
from credkit.facts.texts import TextResult
from credkit.files.declaredfiles import CsvFile
from credkit.site.frames import CREDENTIAL_TYPES, assignment_rows
from credkit.site.model import CredentialKind, Rules, Site
from credkit.site.rows import describe_surroundings
from credkit.site.superseded import Superseded, Twin, find_superseded

GROUPED = ("credential", "kind", "person")  # within which rows are compared


@dataclass(frozen=True, slots=True, kw_only=True)
class KindColumns:
    """The rows of one kind: their ``places`` in the table, their values, and a column for each field.

    Rows that are ``readable`` have a number; ``noted`` ones a note above the level info, and ``suspect`` ones have room
    for an account number. ``damage`` is what a spreadsheet did to the values.
    """

    kind: CredentialKind
    places: Array
    values: pl.Series
    fields: Mapping[str, Array]
    readable: Array
    noted: Array
    suspect: Array
    damage: ColumnDamage

    @property
    def plain(self) -> Array:
        """The rows of which there is nothing to say but their number."""
        found: Array = self.readable & ~(self.noted | self.suspect)
        return found & ~are_suspects(self.damage, self.values) if self.damage.damage != "none" else found

    def find_numbers(self, numbers: Numbers) -> Array:
        """The place of each row's number, or `NO_NUMBER`."""
        found = np.full(len(self.places), NO_NUMBER)
        rows = np.flatnonzero(self.readable)
        if len(rows):
            found[rows] = numbers.places(self.kind.namespace, number_columns(self.kind, self.fields, rows))
        return found

    def format_numbers(self) -> pl.Series:
        """The number of each row as files write it; null where it is not readable."""
        columns = key_columns(self.kind, {name: self.fields[name][self.readable] for name in self.kind.key})
        texts = pl.DataFrame(columns).select(number_text(column.name for column in columns)).to_series()
        places = np.full(len(self.places), len(texts))
        places[self.readable] = np.arange(len(texts))
        return texts.extend(pl.Series([None], dtype=pl.String)).gather(places)

    def fields_at(self, places: Array) -> dict[int, dict[str, Item]]:
        """The fields of those rows at ``places`` that are readable."""
        at = np.searchsorted(self.places, places)
        at[at == len(self.places)] = 0
        mine = (self.places[at] == places) & self.readable[at]
        names, at = list(self.fields), at[mine]
        cells = zip(*(self.fields[name][at].tolist() for name in names), strict=True)
        return {
            place: dict(zip(names, row, strict=True)) for place, row in zip(places[mine].tolist(), cells, strict=True)
        }


def read_kinds(site: Site, rows: pl.DataFrame, unsure: frozenset[str] = frozenset()) -> Iterator[KindColumns]:
    """The columns of every kind that has rows in the table of credentials.

    ``unsure`` are values that a sheet holds as numbers of more digits than it keeps.
    """
    for kind in site.kinds.values():
        places = rows["kind"].eq(kind.name).arg_true().to_numpy().astype(np.int64)
        if len(places):
            yield _read_kind(kind, places, rows.select("credential", "value", "issue")[places], unsure)


def _read_kind(kind: CredentialKind, places: Array, rows: pl.DataFrame, unsure: frozenset[str]) -> KindColumns:
    values = rows["value"]
    fields, readable, noted = decode_columns(kind.value, values)
    suspect = np.zeros(len(values), bool) if kind.not_payment else may_hold_account(kind.value, values, fields)
    if kind.issue:
        fields = {**fields, kind.issue: rows["issue"].fill_null(0).to_numpy()}
        readable = readable & rows["issue"].is_not_null().to_numpy()
    return KindColumns(
        kind=kind, places=places, values=values, fields=fields, readable=readable, noted=noted, suspect=suspect,
        damage=judge_values(values, rows["credential"]).doubt_stored(unsure & set(values) if unsure else unsure),
    )  # fmt: skip


def describe_unreadable(file: CsvFile, kind: CredentialKind, value: str, result: TextResult) -> tuple[str, str]:
    """The code of a credentials row that has no number, and the reason; ``result`` is that of its value."""
    if result.fields is not None:
        return "unreadable-value", f"its issue is empty, but the number of a {redacted_repr(kind.name)} needs one"
    code = result.code if result.code == "spreadsheet-damage" else "unreadable-value"
    return code, describe_surroundings(file, "value", value) or result.reason


def are_repeated(rows: pl.DataFrame) -> Array:
    """Which of ``rows`` occur several times; where few do, sorted hashes tell in a tenth of the time.

    >>> are_repeated(pl.DataFrame({"credential": ["C-1", "C-2", "C-1"]})).tolist()
    [True, False, True]
    """
    hashes = rows.hash_rows()
    in_order = np.sort(hashes.to_numpy())
    several = pl.Series(in_order[1:][in_order[1:] == in_order[:-1]])
    found = hashes.is_in(several.implode()).to_numpy(writable=True)
    found[found] = rows.filter(found).is_duplicated().to_numpy()
    return found


def find_superseded_rows(
    rows: pl.DataFrame, rules: Rules
) -> tuple[dict[int, Superseded], dict[int, tuple[Twin, ...]]]:  # fmt: skip
    """The superseded rows and the twins among ``rows``, by line; rows that alone have their credential may be left out.

    Rows that repeat an earlier one, source and all, are not compared one by one: they are superseded as that one is, or
    by it.
    """
    contents = [name for name in CREDENTIAL_TYPES if name != "line"]
    rows = rows.select("line", *contents, pl.col("line").first().over(contents).alias("first"))
    some = rows.filter(pl.col("first") == pl.col("line"))
    superseded, twins = find_superseded(assignment_rows(some.filter(are_repeated(some.select(GROUPED)))), rules)
    repeats = rows.filter(pl.col("first") != pl.col("line")).select("line", "first", "source")
    for line, first, source in repeats.iter_rows():
        superseded[line] = superseded.get(first, Superseded(first, first, (), source))._replace(line=line)
    return superseded, twins
