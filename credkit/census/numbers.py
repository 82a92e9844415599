"""Numbers: what the values of a population say, kind by kind, in columns.

`credkit.bulk` reads all values of a kind at once. A row that does not read goes through the reading of
the crosswalk, which says why; it is listed, and no count of numbers has it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias

import polars as pl
from numpy.typing import NDArray

from credkit.bulk.decoded_columns import decode_columns
from credkit.census.number_columns import key_columns, narrow_to_64_bits, unify_key_types
from credkit.core.chains import Choice
from credkit.core.progress import SILENT, Progress
from credkit.core.reading import TextField
from credkit.core.sentences import format_count, redacted_repr
from credkit.facts.damage import ColumnDamage
from credkit.facts.damaged_columns import judge_rows, judge_values
from credkit.facts.exceptions import ExceptionRow, make_exception
from credkit.facts.texts import TextResults
from credkit.privacy.payment import payment_in_valid
from credkit.site.model import CredentialKind, Site
from credkit.site.rows import describe_white_space

Array: TypeAlias = NDArray[Any]
MOST_TEXTS_EXPLAINED = 20_000  # different texts of a kind that are explained in full


@dataclass(frozen=True, slots=True, kw_only=True)
class KindNumbers:
    """The rows of a kind that read: their place in the population, their values, a column for each field."""

    kind: CredentialKind
    rows: Array
    values: pl.Series
    fields: Mapping[str, Array]


@dataclass(frozen=True, slots=True, kw_only=True)
class PopulationNumbers:
    """The decoded numbers of a population: ``kinds`` by name, and the rows that do not decode.

    ``spaces`` has a table for each namespace: the place in the population (``row``) and the fields
    that make the number, each named ``key FIELD``. ``doubts`` says of which kinds some numbers may be rounded.
    """

    kinds: Mapping[str, KindNumbers]
    spaces: Mapping[str, pl.DataFrame]
    unreadable: tuple[ExceptionRow, ...]
    doubts: tuple[str, ...] = ()


def read_numbers(site: Site, population: pl.DataFrame, progress: Progress = SILENT) -> PopulationNumbers:
    """The numbers in ``population``; rows that a more trusted source supersedes are read too."""
    kinds: dict[str, KindNumbers] = {}
    bad: list[ExceptionRow] = []
    doubts = []
    done = 0
    for kind in site.kinds.values():
        rows = population["kind"].eq(kind.name).arg_true().to_numpy()
        part = population.select("line", "credential", "value", "issue", "late")[rows]
        if part.height:
            fields, ok, _ = decode_columns(kind.value, part["value"])
            if kind.issue:
                fields = {**fields, kind.issue: part["issue"].fill_null(0).to_numpy()}
                ok = ok & part["issue"].is_not_null().to_numpy()
            damage = judge_values(part["value"], part["credential"])
            judged = judge_rows(damage, part["value"])
            ok = ok & ~judged["damaged"]
            if doubtful := int((ok & judged["doubtful"] & ~part["late"].to_numpy()).sum()):
                doubts.append(f"whether {format_count(doubtful, 'number')} of {kind.name} are whole: {damage.sentence}")
            _refuse_tracks(site, kind, part.filter(ok))
            bad.extend(_list_unreadable(site, kind, damage, part.filter(~ok)))
            if ok.any():
                kinds[kind.name] = KindNumbers(
                    kind=kind, rows=rows[ok], values=part["value"].filter(ok),
                    fields={name: narrow_to_64_bits(column[ok]) for name, column in fields.items()},
                )  # fmt: skip
        done += part.height
        progress.done(done)
    bad.sort(key=lambda each: each.line)
    return PopulationNumbers(
        kinds=kinds, spaces=_spaces(site, kinds), unreadable=tuple(bad), doubts=tuple(doubts)
    )  # fmt: skip


def _spaces(site: Site, kinds: Mapping[str, KindNumbers]) -> dict[str, pl.DataFrame]:
    found: dict[str, list[pl.DataFrame]] = {}
    for name, numbers in kinds.items():
        frame = pl.DataFrame(
            [pl.Series("row", numbers.rows, dtype=pl.UInt32), *key_columns(numbers.kind, numbers.fields)]
        )
        found.setdefault(site.kinds[name].namespace, []).append(frame)
    joined = {}
    for namespace, frames in found.items():
        joined[namespace] = pl.concat(unify_key_types(frames)).sort("row")
    return joined


def _refuse_tracks(site: Site, kind: CredentialKind, part: pl.DataFrame) -> None:
    """Refuse a payment track that a value holds in another notation; the cells are looked at when they are read."""
    steps = kind.value.options if isinstance(kind.value, Choice) else kind.value.steps
    texts = any(
        step.gives == "text" or any(isinstance(row, TextField) for row in step.schema.values())
        for option in steps
        for step in option.steps
    )
    if kind.not_payment or not texts:
        return
    for line, value in part.select("line", "value").iter_rows():
        if payment_in_valid(kind.value, value).has_valid_track:
            site.credentials.refuse_track(line)


def _list_unreadable(
    site: Site, kind: CredentialKind, damage: ColumnDamage, part: pl.DataFrame
) -> Iterator[ExceptionRow]:  # fmt: skip
    """The rows of a kind that give no number, and why; superseded ones are only looked at for payment tracks."""
    texts, explained = TextResults(), set[str]()
    for line, credential, value, issue, late in part.iter_rows():
        if len(explained) == MOST_TEXTS_EXPLAINED and value not in explained:
            code, reason, secret = "unreadable-value", f"the value cannot be read as {kind.value.name}", True
        else:
            explained.add(value)
            found = texts.read(kind.value, kind, value)
            secret = found.payment.has_account
            if found.payment.has_valid_track:
                site.credentials.refuse_track(line)
            if damage.judge(value) == "damaged":
                code, reason = "spreadsheet-damage", damage.describe(value)
            elif found.fields is not None and kind.issue and issue is None:
                code, reason = (
                    "unreadable-value",
                    f"its issue is empty, but the number of a {redacted_repr(kind.name)} needs one",
                )
            else:
                found = found.if_whole or found
                code = found.code if found.code == "spreadsheet-damage" else "unreadable-value"
                reason = describe_white_space(site.credentials, "value", value) or found.reason
        if late:
            continue
        yield make_exception(
            file=site.credentials.name, line=line, code=code, text=value, reason=reason, candidates=(credential,),
            unmasked=kind.not_payment is not None, holds_account=secret,
        )  # fmt: skip
