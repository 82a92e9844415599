"""Numbers: the values of a population decoded to numbers, kind by kind, in columns.

`credkit.facts.register_columns` decodes all values of a kind at once. Rows without a number are listed with the reason
and excluded from all counts of numbers.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from credkit.bulk.words import Array
from credkit.core.progress import SILENT, Progress
from credkit.core.sentences import format_count
from credkit.facts.damage import ColumnDamage
from credkit.facts.damaged_columns import judge_rows
from credkit.facts.exceptions import ExceptionRow, make_exception
from credkit.facts.number_columns import key_columns, narrow_to_64_bits, unify_key_types
from credkit.facts.register_columns import describe_unreadable, read_kinds
from credkit.facts.texts import TextResults
from credkit.site.model import CredentialKind, Site
from credkit.site.sheetremarks import find_unsure_texts

MOST_TEXTS_EXPLAINED = 20_000  # different texts of a kind that are explained in full


@dataclass(frozen=True, slots=True, kw_only=True)
class KindNumbers:
    """Rows of a kind that have a number: their places in the population, their values, a column for each field."""

    kind: CredentialKind
    rows: Array
    values: pl.Series
    fields: Mapping[str, Array]

    def frame(self, columns: Sequence[pl.Series] = ()) -> pl.DataFrame:
        """The places, called ``row``, beside ``columns``."""
        return pl.DataFrame([pl.Series("row", self.rows, dtype=pl.UInt32), *columns])

    def filter(self, kept: Array) -> KindNumbers:
        """The rows that are ``kept``."""
        fields = {name: column[kept] for name, column in self.fields.items()}
        return KindNumbers(kind=self.kind, rows=self.rows[kept], values=self.values.filter(kept), fields=fields)


@dataclass(frozen=True, slots=True, kw_only=True)
class PopulationNumbers:
    """The decoded numbers of a population: ``kinds`` by name, without superseded rows; the rows that do not decode.

    ``spaces`` has a table for each namespace: the place in the population (``row``) and the fields
    that make the number, each named ``key FIELD``; superseded rows too. ``account_kinds`` have values that look like
    payment account numbers. ``doubts`` has, by kind, a sentence on numbers that may be rounded.
    """

    kinds: Mapping[str, KindNumbers]
    spaces: Mapping[str, pl.DataFrame]
    unreadable: tuple[ExceptionRow, ...]
    account_kinds: frozenset[str]
    doubts: Mapping[str, str] = field(default_factory=dict)


def read_numbers(
    site: Site, population: pl.DataFrame, texts: TextResults, progress: Progress = SILENT
) -> PopulationNumbers:  # fmt: skip
    """The numbers in ``population``; refuses a value that holds a payment track, in whatever notation."""
    kinds: dict[str, KindNumbers] = {}
    spaces: dict[str, list[pl.DataFrame]] = defaultdict(list)
    bad, doubts, account_kinds = list[ExceptionRow](), dict[str, str](), set()
    late, done = population["late"].to_numpy(), 0
    for mine in read_kinds(site, population, find_unsure_texts(site.credentials, "value")):
        kind, judged = mine.kind, judge_rows(mine.damage, mine.values)
        ok, counts = mine.readable & ~judged["damaged"], ~late[mine.places]
        if doubtful := int(np.count_nonzero(ok & judged["doubtful"] & counts)):
            numbers = format_count(doubtful, "number")
            doubts[kind.name] = f"{numbers} of {kind.name} may be rounded: {mine.damage.sentence}"
        for line, value in population.select("line", "value")[mine.places[ok & mine.suspect]].iter_rows():
            payment = texts.read(kind.value, kind, value).payment
            if payment.has_valid_track:
                site.credentials.refuse_track(site.credentials.mapping.line_of(line))
            if payment.has_account:
                account_kinds.add(kind.name)
        bad.extend(_list_unreadable(site, kind, mine.damage, population[mine.places[~ok]], texts))
        if ok.any():
            fields = {name: narrow_to_64_bits(column[ok]) for name, column in mine.fields.items()}
            every = KindNumbers(kind=kind, rows=mine.places[ok], values=mine.values.filter(ok), fields=fields)
            spaces[kind.namespace].append(every.frame(key_columns(kind, fields)))
            kinds[kind.name] = every if counts[ok].all() else every.filter(counts[ok])
        done += len(mine.places)
        progress.done(done)
    bad.sort(key=lambda each: each.line)
    return PopulationNumbers(
        kinds=kinds, spaces={name: pl.concat(unify_key_types(each)).sort("row") for name, each in spaces.items()},
        unreadable=tuple(bad), account_kinds=frozenset(account_kinds), doubts=doubts,
    )  # fmt: skip


def _list_unreadable(
    site: Site, kind: CredentialKind, damage: ColumnDamage, part: pl.DataFrame, texts: TextResults
) -> Iterator[ExceptionRow]:
    """The rows of a kind that give no number, and why; superseded ones are only looked at for payment tracks."""
    explained = set[str]()
    for line, credential, value, late in part.select("line", "credential", "value", "late").iter_rows():
        if len(explained) == MOST_TEXTS_EXPLAINED and value not in explained:
            code, reason, secret = "unreadable-value", f"the value cannot be read as {kind.value.name}", True
        else:
            explained.add(value)
            found = texts.read(kind.value, kind, value)
            secret = found.payment.has_account
            if found.payment.has_valid_track:
                site.credentials.refuse_track(site.credentials.mapping.line_of(line))
            if damage.judge(value) == "damaged":
                code, reason = "spreadsheet-damage", damage.describe(value)
            else:
                code, reason = describe_unreadable(site.credentials, kind, value, found.if_whole or found)
        if late:
            continue
        yield make_exception(
            file=site.credentials.name, line=line, code=code, text=value, reason=reason, candidates=(credential,),
            unmasked=kind.not_payment is not None, holds_account=secret,
        )  # fmt: skip
