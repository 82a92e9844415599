"""A chain for many rows: from arrays or columns to columns of fields and a mask for every check.

The rows go through the steps of the chain in blocks, small enough for a processor's cache where that pays.
Each row gets the result that the chain has for one value: a law that the tests hold for every codec.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, NoReturn

from credkit.bulk import decoding, encoding
from credkit.bulk.results import Decoded, Encoded, Inspected
from credkit.bulk.rowblock import RowBlock
from credkit.bulk.rows import MISSING, RowExtent, blocks, extent_of
from credkit.core.chains import AnyConversion
from credkit.core.codec import AnyCodec
from credkit.core.contract import checked_inspect
from credkit.core.errors import CredkitError, DecodeError, DefinitionError, EncodeError
from credkit.core.forms import from_raw
from credkit.core.sentences import redacted_repr
from credkit.core.shapes import single_length


@dataclass(frozen=True, repr=False)
class Bulk:
    """A chain that decodes and encodes many rows; made by `credkit.bulk.compile`.

    Rows are, for a chain that takes text, a column of texts; for bits a column of whole numbers of ``length`` bits
    each (for more than 64 bits an array of two dimensions, the most significant word first) or a list of ``Bits``;
    for fields a mapping of columns or a data frame. A column is a list, or one of numpy, Polars, Arrow or pandas.
    Nulls of any of them are rows without a value. Whatever is no such column raises `DefinitionError`.

    >>> from credkit import chain
    >>> Bulk(chain("hex:8")) == Bulk(chain("hex:8"))
    True
    """

    codec: AnyCodec

    def __repr__(self) -> str:
        return f"Bulk({redacted_repr(self.codec.name)})"

    def decode(self, values: Any, *, length: int | None = None) -> Decoded:
        """What each row decodes to; raises `DecodeError` for the first row that fails, and names the row.

        >>> from credkit import chain
        >>> gate = Bulk(chain("hex:8/right-justified:26/wiegand-26"))
        >>> gate.decode(["02F764DD"]).fields["number"].tolist()
        [45678]
        >>> gate.decode(["02F764DD", "02F764DC"])
        Traceback (most recent call last):
        credkit.DecodeError: row 1 (counted from 0): wiegand-26: odd parity over bits 13-24 fails: bit 25 is 0, \
expected 1 (character 7 of the text, 'C')
        """
        count, index = self._extent_to_decode(values)
        found = Decoded(count=count, index=index, form=self.codec.gives)
        for rows, given, block in self._decoded_blocks(values, length):
            failing = block.failing()
            if failing is not None:
                row = int(failing.argmax())
                self._raise_decode_error(rows.start + row, given, row)
            found.take(rows, block)
            del block
        return found

    def decode_or_null(self, values: Any, *, length: int | None = None) -> Decoded:
        """What each row decodes to, null where it does not; raises for no row, and finds no reasons as `inspect` does.

        >>> from credkit import chain
        >>> gate = Bulk(chain("hex:8/right-justified:26/wiegand-26"))
        >>> found = gate.decode_or_null(["02F764DD", "02F764DC", None])
        >>> found.fields["number"].tolist(), found.ok.tolist()
        ([45678, None, None], [True, False, False])
        """
        count, index = self._extent_to_decode(values)
        found = Decoded(count=count, index=index, form=self.codec.gives)
        for rows, _, block in self._decoded_blocks(values, length, has_reasons=False):
            failing = block.failing()
            if failing is not None:
                block.drop_rows(failing.astype(bool, copy=False))
            found.take(rows, block)
            del block
        return found

    def inspect(self, values: Any, *, length: int | None = None) -> Inspected:
        """What each row decodes to, null where it does not, with the rows that fail each check; raises for no row.

        >>> from credkit import chain
        >>> gate = Bulk(chain("hex:8/right-justified:26/wiegand-26"))
        >>> found = gate.inspect(["02F764DD", "02F764DC", None])
        >>> found.fields["number"].tolist(), found.unchecked_fields["number"].tolist()
        ([45678, None, None], [45678, 45678, None])
        >>> [rule.rule for rule in found.rules if found.failures[rule].any()]
        ['missing', 'odd-parity']
        """
        count, index = self._extent_to_decode(values)
        found = Inspected(count=count, index=index, form=self.codec.gives)
        for rows, _, block in self._decoded_blocks(values, length):
            found.take(rows, block)
            del block  # its memory, still in the cache, serves the next one
        return found

    def encode(self, values: Any, *, length: int | None = None) -> Encoded:
        """What each row encodes to: ``values`` are what `decode` gives; raises `EncodeError` for the first that fails.

        >>> from credkit import chain
        >>> gate = Bulk(chain("hex:8/right-justified:26/wiegand-26"))
        >>> gate.encode({"facility": [123], "number": [45678]}).values
        ['02F764DD']
        >>> gate.encode({"facility": [123, -1], "number": [45678, 1]})
        Traceback (most recent call last):
        credkit.EncodeError: row 1 (counted from 0): wiegand-26: facility is -1, outside 0 to 255
        """
        count, index = self._extent_to_encode(values)
        found = Encoded(count=count, index=index, form=self.codec.takes)
        for rows, given, block in self._encoded_blocks(values, length):
            if block.validity is not None and not block.validity.all():
                row = int(block.validity.argmin())
                self._raise_encode_error(rows.start + row, given, row)
            found.take(rows, replace(block, validity=None))
        return found

    def encode_or_null(self, values: Any, *, length: int | None = None) -> Encoded:
        """What each row encodes to, null where it cannot be encoded; raises for no row.

        >>> from credkit import chain
        >>> gate = Bulk(chain("hex:8/right-justified:26/wiegand-26"))
        >>> found = gate.encode_or_null({"facility": [123, -1], "number": [45678, 1]})
        >>> found.values, found.ok.tolist()
        (['02F764DD', None], [True, False])
        """
        count, index = self._extent_to_encode(values)
        found = Encoded(count=count, index=index, form=self.codec.takes, has_nulls=True)
        for rows, _, block in self._encoded_blocks(values, length):
            found.take(rows, block)
        return found

    def require_decoding(self) -> None:
        """Raise `DefinitionError` if the chain only encodes."""
        if self.codec.decode_obstacle:
            raise DefinitionError(f"chain {self.codec.name} cannot read: {self.codec.decode_obstacle}")

    def require_encoding(self) -> None:
        """Raise `DefinitionError` if the chain only decodes."""
        if self.codec.encode_obstacle:
            raise DefinitionError(f"chain {self.codec.name} cannot write: {self.codec.encode_obstacle}")

    def _extent_to_decode(self, values: Any) -> RowExtent:
        self.require_decoding()
        return extent_of(self.codec.name, self.codec.input, values)

    def _extent_to_encode(self, values: Any) -> RowExtent:
        self.require_encoding()
        return extent_of(self.codec.name, self.codec.output, values)

    def _decoded_blocks(
        self, values: Any, length: int | None, *, has_reasons: bool = True
    ) -> Iterator[tuple[slice, RowBlock, RowBlock]]:
        """Where each block stands, the block as it was given, and as it is behind the last step."""
        codec = self.codec
        for rows, block in blocks(codec.name, codec.steps[0].name, codec.input, values, length):
            given = replace(block, rules=dict(block.rules))
            block.has_reasons = has_reasons
            for place, step in enumerate(codec.steps):
                decoding.decode_step(block, place, step)
            if codec.takes == "text" and block.form == "bits" and single_length(codec.output.lengths) is None:
                block.data, block.length = block.objects(), None  # another block may have another length
            yield rows, given, block

    def _encoded_blocks(self, values: Any, length: int | None) -> Iterator[tuple[slice, RowBlock, RowBlock]]:
        codec = self.codec
        steps = getattr(codec, "writers", (codec,))
        for rows, block in blocks(codec.name, steps[-1].name, codec.output, values, length):
            given = replace(block, rules=dict(block.rules))
            for step in reversed(steps):
                encoding.encode_step(block, step)
            yield rows, given, block

    def _raise_decode_error(self, row: int, given: RowBlock, place: int) -> NoReturn:
        if problem := _dropped(given, place):
            raise DecodeError(f"{_row(row)}: {self.codec.name}: {problem}", codec=self.codec.steps[0].name, row=row)
        value = from_raw(self.codec.takes, given.value_at(place))
        error = self.codec.decode_error(checked_inspect(self.codec, value))
        raise DecodeError(f"{_row(row)}: {error}", codec=error.codec, check=error.check, place=error.place, row=row)

    def _raise_encode_error(self, row: int, given: RowBlock, place: int) -> NoReturn:
        if problem := _dropped(given, place):
            raise EncodeError(f"{_row(row)}: {self.codec.name}: {problem}")
        try:
            self.codec._encode_raw(given.value_at(place))
        except DefinitionError:
            raise
        except CredkitError as error:
            raise EncodeError(f"{_row(row)}: {error}") from None
        raise AssertionError(f"{self.codec.name}: bulk and encode disagree")  # a bug here, never the input


def _row(row: int) -> str:
    return f"row {row} (counted from 0)"


def _dropped(given: RowBlock, place: int) -> str | None:
    """Why a row was dropped before the first step, or None."""
    for rule, rows in given.rules.items():
        if rows[place]:
            if rule.rule == MISSING:
                return "the row is null, expected a value"
            return f"the number is negative or has more than {given.length or 'its length of'} bits"
    return None


@dataclass(frozen=True)
class BulkConversion:
    """A conversion of many rows; made by `credkit.bulk.conversion`."""

    conversion: AnyConversion

    def convert(self, values: Any, *, length: int | None = None) -> Encoded:
        """Each row as the target encodes it; raises `DecodeError` or `EncodeError` for the first row that fails."""
        source, target = Bulk(self.conversion.source), Bulk(self.conversion.target)
        decoded = source.decode(values, length=length)
        return replace(target.encode(self._kept(decoded), length=decoded.length), index=decoded.index)

    def convert_or_null(self, values: Any, *, length: int | None = None) -> Encoded:
        """Each row as the target encodes it, null where it cannot be decoded or encoded; raises for no row."""
        source, target = Bulk(self.conversion.source), Bulk(self.conversion.target)
        found = source.inspect(values, length=length)
        return replace(target.encode_or_null(self._kept(found), length=found.length), index=found.index)

    def _kept(self, decoded: Decoded | Inspected) -> Any:
        """What the source gives to the target."""
        if not decoded.columns:
            return decoded.values
        return {name: column for name, column in decoded.fields.items() if name not in self.conversion.dropped}

    def __repr__(self) -> str:
        source, target = self.conversion.source.name, self.conversion.target.name
        return f"BulkConversion({redacted_repr(source)}, {redacted_repr(target)})"
