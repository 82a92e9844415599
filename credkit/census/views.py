"""Views: what a target's text or a reader that truncates leaves of each number.

A target holds a text as its column gives it back. For a reader that truncates, the input of its first truncation is
derived from the kind: the text of the register, its fields, or the bits of its chain; a kind of one number may enter a
truncation of bits right-justified. Texts and right-justified numbers qualify only if numbers that the truncation
leaves whole decode to themselves: the last digits of a hexadecimal text do not determine those of a decimal text. Where
nothing of the kind qualifies, the view is unknown.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl

from credkit import bulk
from credkit.bulk.decoded_columns import decode_columns
from credkit.bulk.words import Array
from credkit.catalogue.registry import chain
from credkit.census.numbers import KindNumbers
from credkit.core.chains import Choice, link
from credkit.core.codec import AnyCodec
from credkit.core.errors import EncodeError
from credkit.core.reading import Field, Schema, SchemaRow
from credkit.core.shapes import single_length
from credkit.facts.number_bits import TRIAL_DIGITS, bits_left
from credkit.facts.number_columns import key_columns
from credkit.facts.target_columns import as_stored, encode_texts
from credkit.facts.texts import branches
from credkit.site.model import CredentialKind, Reader, Site, Target


def encode_for_target(target: Target, fields: Mapping[str, Array]) -> pl.Series:
    """The texts that ``target`` would hold, as its column gives them back; null where its chain cannot write."""
    return as_stored(target, encode_texts(target, fields))


def may_merge(target: Target) -> bool:
    """Whether two numbers can become one text in ``target``."""
    return target.conversion.lossy or not target.column.declaration.startswith("text")


@dataclass(frozen=True, slots=True, kw_only=True)
class TruncatedView:
    """What a reader that truncates gives for the numbers of its kind: ``rest`` is its chain from the truncation on.

    ``source`` is the input of the truncation: the ``text`` of the register, its ``fields``, or the bits that the steps
    ``before`` of the kind give. Where ``rest`` is None, the input is unknown. ``bounds`` are the fields that the reader
    has there: it cannot give numbers beyond them.
    """

    name: str
    reader: Reader
    codec: AnyCodec
    source: str = ""
    before: AnyCodec | None = None
    rest: AnyCodec | None = None
    bounds: Schema = field(default_factory=dict)

    def numbers(self, values: pl.Series, fields: Mapping[str, Array]) -> tuple[list[pl.Series], Array]:
        """The key columns that the reader gives for each row, and the rows for which it gives them."""
        if self.rest is None:
            return [], np.zeros(len(values), bool)
        given: Any = values
        length, able = None, np.ones(len(values), bool)
        if self.source == "fields":
            for name, row in self.bounds.items():
                able &= _is_within(fields[name], row)
            given = {
                name: _replace_others(fields[name], able, self.bounds[name])
                for name in self.rest.input.schema or self.bounds
            }
        elif self.before is not None:
            bits = bulk.compile(self.before)
            found = bits.inspect(values) if self.source == "bits" else bits.encode_or_null(fields)
            given, length = found.values, found.length
        columns, ok, _ = decode_columns(self.rest, given, length)
        return key_columns(self.reader.kind, columns), ok & able

    @property
    def bits(self) -> float:
        """The bits of a number that the view leaves."""
        schema = self.codec.schema
        return min(sum(schema[name].room for name in self.reader.kind.key), bits_left(self.codec))


def truncated_views(site: Site) -> list[TruncatedView]:
    """The readers that truncate, each with each of its different chains."""
    found = []
    for reader in site.readers.values():
        codecs = [branch for period in reader.periods for branch in branches(period.codec) if branch.lossy]
        codecs = list({codec.name: codec for codec in codecs}.values())
        for place, codec in enumerate(codecs, 1):
            name = reader.name if len(codecs) == 1 else f"{reader.name} ({place})"
            found.append(_make_view(name, reader, codec))
    return found


def _make_view(name: str, reader: Reader, codec: AnyCodec) -> TruncatedView:
    steps = codec.steps
    place = next(place for place, step in enumerate(steps) if step.is_projection)
    truncation, after, kind = steps[place], steps[place + 1 :], reader.kind
    before = steps[place - 1].output if place else steps[0].input
    source, route = "", None
    if before.form == "text":
        source = "text" if _has_same_text(kind, truncation, after) else ""
    elif before.form == "fields" and before.schema and set(before.schema) <= set(kind.schema):
        source = "fields"
    elif before.form == "bits" and (length := single_length(before.lengths)) is not None:
        source, route = _bits_source(kind, length, truncation, after)
    if not source:
        return TruncatedView(name=name, reader=reader, codec=codec)
    return TruncatedView(
        name=name, reader=reader, codec=codec, source=source, before=route, rest=link(steps[place:]),
        bounds=before.schema or {},
    )  # fmt: skip


def _is_within(column: Array, row: SchemaRow) -> Array:
    """The values that the field ``row`` can hold."""
    if column.dtype == np.uint64 and isinstance(row, Field):
        found: Array = (column >= row.least) & (column <= min(row.most, (1 << 64) - 1))
        return found
    return np.fromiter((row.problem(item) is None for item in column.tolist()), bool, len(column))


def _replace_others(column: Array, rows: Array, row: SchemaRow) -> Array:
    """``column`` with what is not in ``rows`` replaced by something that the field can hold."""
    filler = row.least if isinstance(row, Field) else ""
    if isinstance(row, Field) and row.most < 1 << 64:
        return np.where(rows, column, filler).astype(np.uint64)
    return np.where(rows, column, np.array(filler, object))


def _has_same_text(kind: CredentialKind, truncation: AnyCodec, after: Sequence[AnyCodec]) -> bool:
    """Whether the texts of ``kind`` are the input of a truncation: the same digits for the same numbers."""
    if isinstance(kind.value, Choice) or kind.value.encode_obstacle:
        return False
    wholes = (TRIAL_DIGITS[:count].zfill(len(TRIAL_DIGITS)) for count in range(1, len(TRIAL_DIGITS) + 1))
    parts = [part for whole in wholes if (part := truncation._decode_raw(whole)) is not None]
    return _round_trips(kind.value, truncation, after, [part for part in parts if part.lstrip("0")[1:]])


def _bits_source(
    kind: CredentialKind, length: int, truncation: AnyCodec, after: Sequence[AnyCodec]
) -> tuple[str, AnyCodec | None]:
    """The source of a number's bits of this length: its own chain, or the number right-justified.

    In its own chain only a place qualifies after which the bits are reordered as they are ``after`` the truncation.
    """
    if not isinstance(kind.value, Choice):
        steps = kind.value.steps
        for place in reversed(range(len(steps))):
            fits = steps[place].gives == "bits" and single_length(steps[place].output.lengths) == length
            if fits and _reordering_steps(steps[place + 1 :]) == _reordering_steps(after):
                return "bits", link(steps[: place + 1])
    rows = list(kind.schema.values())
    if len(rows) == 1 and isinstance(rows[0], Field) and rows[0].most >> length == 0:
        whole = chain(f"fields:{rows[0].name}:{length}")
        tries = [
            (int(TRIAL_DIGITS[:count], 16) & (1 << length) - 1, length) for count in range(1, len(TRIAL_DIGITS) + 1)
        ]
        if _round_trips(whole, truncation, after, [truncation._decode_raw(each) for each in tries]):
            return "number", whole
    return "", None


def _reordering_steps(steps: Sequence[AnyCodec]) -> list[str]:
    """The steps that reorder bits: those that neither truncate, fill up nor name fields."""
    plain = "left-justified:", "right-justified:"
    return [
        step.name for step in steps if not (step.is_projection or step.gives == "fields" or step.name.startswith(plain))
    ]


def _round_trips(writer: AnyCodec, truncation: AnyCodec, after: Sequence[AnyCodec], parts: Iterable[Any]) -> bool:
    """Whether ``parts``, which a truncation gives, decode to numbers of which it gives the same parts again.

    ``writer`` encodes those numbers whole. False where no part decodes.
    """
    reader, found = link(after), False
    for part in parts:
        fields = reader._decode_raw(part)
        if fields is None:
            continue
        least = {name: row.least for name, row in writer.schema.items() if isinstance(row, Field)}
        try:
            again = truncation._decode_raw(
                writer._encode_raw({name: fields.get(name, least.get(name)) for name in writer.schema})
            )
        except EncodeError:
            continue  # no number of the kind
        if again is not None and again != part:
            return False
        found = found or again == part
    return found


def readers_giving(site: Site, namespace: str, numbers: pl.DataFrame) -> dict[str, pl.Series]:
    """For each reader of a namespace, the rows of ``numbers`` that it can give."""
    found: dict[str, pl.Series] = {}
    for reader in site.readers.values():
        if reader.kind.namespace != namespace:
            continue
        able = pl.Series(np.zeros(numbers.height, bool))
        for period in reader.periods:
            for codec in branches(period.codec):
                able = able | (pl.Series(np.ones(numbers.height, bool)) if codec.lossy else can_give(codec, numbers))
        found[reader.name] = able
    return found


def can_give(codec: AnyCodec, numbers: pl.DataFrame) -> pl.Series:
    """The rows whose number a chain can give that does not truncate."""
    able = pl.Series(np.ones(numbers.height, bool))
    for column in numbers.columns:
        row = codec.schema.get(column.removeprefix("key "))
        if isinstance(row, Field) and numbers[column].dtype == pl.UInt64 and row.most < 1 << 64:
            able = able & numbers[column].is_between(max(row.least, 0), row.most)
    return able


def numbers_of(view: TruncatedView, numbers: KindNumbers | None) -> pl.DataFrame:
    """The rows of a kind for which a reader that truncates gives a number, and these numbers."""
    if numbers is None:
        return pl.DataFrame(schema={"row": pl.UInt32})
    columns, ok = view.numbers(numbers.values, numbers.fields)
    return numbers.frame(columns).filter(ok) if columns else numbers.frame().clear()
