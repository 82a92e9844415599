"""Polars expressions: a chain over a column of a data frame, eager or lazy.

Importing this module registers the namespace ``credkit`` of Polars expressions. Types are known before a row is read,
so lazy frames have their schema: fields are a struct of unsigned numbers and texts, bits of one length of up to 64 are
unsigned numbers, longer or varying bits are texts of binary digits.

>>> import polars as pl
>>> import credkit.bulk.expressions
>>> captures = pl.DataFrame({"raw": ["02F764DD", "02F764DC", None]})
>>> card = pl.col("raw").credkit.decode("hex:8/right-justified:26/wiegand-26")
>>> captures.select(card.struct.field("number"), card.is_null().alias("failed")).rows()
[(45678, False), (None, True), (None, True)]

The registered class may be called by its name, too: type checkers know it.

>>> from credkit.bulk.expressions import CredkitExpressions
>>> dict(captures.lazy().select(CredkitExpressions(pl.col("raw")).decode("hex:8")).collect_schema())
{'raw': UInt64}
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import polars as pl

from credkit.bulk import tables
from credkit.bulk.compiled import Bulk, BulkConversion
from credkit.bulk.results import Encoded, Inspected
from credkit.bulk.rowblock import is_small
from credkit.bulk.words import LIMB_BITS
from credkit.catalogue import api
from credkit.catalogue.own import Codecs
from credkit.catalogue.registry import Chainlike, chain
from credkit.core.codec import AnyCodec
from credkit.core.errors import DefinitionError
from credkit.core.shapes import Shape, single_length


@pl.api.register_expr_namespace("credkit")
class CredkitExpressions:
    """What credkit does with a column: ``pl.col(...).credkit``.

    No row raises: one that fails is null, in `inspect` with the rule that it fails. A chain that does not exist, or
    a column of another type than the chain takes, is an error.
    """

    def __init__(self, expression: pl.Expr) -> None:
        self._expression = expression

    def decode(self, codec: Chainlike, codecs: Codecs = (), *, length: int | None = None) -> pl.Expr:
        """What each row decodes to, null where it does not; ``length`` counts the bits of a column of numbers."""
        bulk = Bulk(chain(codec, codecs))
        bulk.require_decoding()
        return self._map(partial(_decode, bulk, length), output_type(bulk.codec, bulk.codec.output))

    def inspect(self, codec: Chainlike, codecs: Codecs = (), *, length: int | None = None) -> pl.Expr:
        """A struct for each row: ``ok``, ``failed_codec`` and ``failed_rule`` of the first failed check, and ``value``.

        ``value`` is what `decode` gives, null in a row that fails.

        >>> codec = "hex:8/right-justified:26/wiegand-26"
        >>> captures = pl.DataFrame({"raw": ["02F764DD", "02F764DC"]})
        >>> captures.select(CredkitExpressions(pl.col("raw")).inspect(codec)).unnest("raw").rows()
        [(True, None, None, {'facility': 123, 'number': 45678}), (False, 'wiegand-26', 'odd-parity', None)]
        """
        bulk = Bulk(chain(codec, codecs))
        bulk.require_decoding()
        value = output_type(bulk.codec, bulk.codec.output)
        labels = pl.Field("failed_codec", pl.String()), pl.Field("failed_rule", pl.String())
        kind = pl.Struct([pl.Field("ok", pl.Boolean()), *labels, pl.Field("value", value)])
        return self._map(partial(_inspect, bulk, length), kind)

    def encode(self, codec: Chainlike, codecs: Codecs = (), *, length: int | None = None) -> pl.Expr:
        """What each row encodes to, null where it cannot be encoded; fields are a struct.

        >>> cards = pl.DataFrame({"facility": [123, -1], "number": [45678, 1]})
        >>> codec = "hex:8/right-justified:26/wiegand-26"
        >>> cards.select(CredkitExpressions(pl.struct("facility", "number")).encode(codec)).to_series().to_list()
        ['02F764DD', None]
        """
        bulk = Bulk(chain(codec, codecs))
        bulk.require_encoding()
        return self._map(partial(_encode, bulk, length), output_type(bulk.codec, bulk.codec.input))

    def convert(
        self, *, source: Chainlike, target: Chainlike, codecs: Codecs = (), length: int | None = None
    ) -> pl.Expr:
        """Each row as the target encodes what the source decodes, null where one of them cannot.

        >>> texts = pl.DataFrame({"raw": ["02F764DD", "02F764DC"]})
        >>> source, target = "hex:8/right-justified:26/wiegand-26", "split-decimal:8,16/fields:facility:8,number:16"
        >>> texts.select(CredkitExpressions(pl.col("raw")).convert(source=source, target=target)).rows()
        [('123,45678',), (None,)]
        """
        both = BulkConversion(api.conversion(source, target, codecs))
        codec = both.conversion.target
        return self._map(partial(_convert, both, length), output_type(codec, codec.input))

    def _map(self, function: Callable[[pl.Series], pl.Series], kind: pl.DataType) -> pl.Expr:
        return self._expression.map_batches(function, return_dtype=kind, is_elementwise=True)


def output_type(codec: AnyCodec, shape: Shape) -> pl.DataType:
    """The Polars type of a column of this shape; raises `DefinitionError` where only the rows know the fields.

    >>> output_type(chain("wiegand-26"), chain("wiegand-26").output)
    Struct({'facility': UInt64, 'number': UInt64})
    """
    if shape.form == "text":
        return pl.String()
    if shape.form == "bits":
        length = single_length(shape.lengths)
        return pl.UInt64() if length is not None and length <= LIMB_BITS else pl.String()
    if not shape.schema:
        raise DefinitionError(f"{codec.name}: an expression needs a chain whose fields are known beforehand")
    return pl.Struct({name: pl.UInt64() if is_small(row) else pl.String() for name, row in shape.schema.items()})


def _decode(bulk: Bulk, length: int | None, column: pl.Series) -> pl.Series:
    return _as_column(bulk.inspect(column, length=length), column.name, bulk.codec.output)


def _inspect(bulk: Bulk, length: int | None, column: pl.Series) -> pl.Series:
    found = bulk.inspect(column, length=length)
    first = found.first_failed_rule
    frame = pl.DataFrame({
        "ok": found.ok,
        "failed_codec": tables.labels([rule.codec for rule in found.rules], first),
        "failed_rule": tables.labels([rule.rule for rule in found.rules], first),
        "value": _as_column(found, "value", bulk.codec.output),
    })  # fmt: skip
    return frame.to_struct(column.name)


def _encode(bulk: Bulk, length: int | None, column: pl.Series) -> pl.Series:
    return _as_column(bulk.encode_or_null(column, length=length), column.name, bulk.codec.input)


def _convert(both: BulkConversion, length: int | None, column: pl.Series) -> pl.Series:
    found = both.convert_or_null(column, length=length)
    return _as_column(found, column.name, both.conversion.target.input)


def _as_column(found: Inspected | Encoded, name: str, shape: Shape) -> pl.Series:
    """A result as one column of the type of ``shape``: a struct for fields, null in rows that failed."""
    frame = found.to_polars()
    if shape.form == "fields":
        return tables.null_where(frame.to_struct(name), ~found.ok)
    column = frame.to_series().alias(name)
    if shape.form == "bits" and single_length(shape.lengths) is None and column.dtype == pl.UInt64:
        digits = [None if number is None else f"{number:0{found.length}b}" for number in column.to_list()]
        return pl.Series(name, digits, dtype=pl.String)
    return column
