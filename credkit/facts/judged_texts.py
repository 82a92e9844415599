"""Judged texts: the different texts of all readings, each judged once for each chain and kind that it is read by.

Bulk decoding gives their numbers. `TextResults` reads those that have no number, a note or room for an account number.
The same cards are read again and again, so there are far fewer texts than readings.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import polars as pl

from credkit.bulk.decoded_columns import decode_columns
from credkit.bulk.words import Array
from credkit.core.codec import AnyCodec
from credkit.facts.account_suspects import may_hold_account
from credkit.facts.expected_values import find_unexpected
from credkit.facts.numbers import NO_NUMBER, Numbers
from credkit.facts.texts import SPREADSHEET_DIGITS, TextResult, TextResults
from credkit.privacy.payment import payment_in_valid
from credkit.site.model import CredentialKind

SLICE = 1 << 20  # rows: it bounds the memory that counting takes


class TextSource(NamedTuple):
    """How texts are read: the chain, the kind of number, and whether they are ``typed`` key by key."""

    codec: AnyCodec
    kind: CredentialKind
    typed: bool


def intern(texts: pl.Series) -> tuple[Array, pl.Series]:
    """For each of ``texts`` which of the different ones it is, and these, in the order of their first occurrence.

    Those of a column that is coded already are not coded again.

    >>> places, different = intern(pl.Series(["b", "a", "b"]))
    >>> places.tolist(), different.to_list()
    ([0, 1, 0], ['b', 'a'])
    """
    is_coded = isinstance(texts.dtype, pl.Categorical)
    coded = texts if is_coded else texts.cast(pl.Categorical(pl.Categories.random()))
    codes = coded.to_physical().to_numpy()
    first = np.empty(int(codes.max()) + 1 if len(codes) else 0, np.int32)
    first[codes[::-1]] = np.arange(len(codes), dtype=np.int32)[::-1]
    different = distinct_places(codes, len(first))
    order = np.argsort(first[different], kind="stable")
    place = np.empty(len(first), np.int32)
    place[different[order]] = np.arange(len(order))
    return place[codes], texts.gather(first[different[order]]).cast(pl.String)


def in_slices(values: Array) -> Iterator[Array]:
    """``values``, a bounded number at a time."""
    return (values[start : start + SLICE] for start in range(0, len(values), SLICE))


def count_codes(slices: Iterable[Array], size: int) -> Array:
    """How often each code below ``size`` is in ``slices``.

    >>> count_codes(in_slices(np.array([2, 0, 2], np.uint8)), 4).tolist()
    [1, 0, 2, 0]
    """
    counts = np.zeros(size, np.int64)
    for codes in slices:
        counts += np.bincount(codes, minlength=size)
    return counts


def distinct_places(places: Array, size: int) -> Array:
    """The different ``places`` among ``size``, in order.

    >>> distinct_places(np.array([3, 1, 3]), 5).tolist()
    [1, 3]
    """
    present = np.zeros(size, bool)
    present[places] = True
    return np.flatnonzero(present)


def number_columns(kind: CredentialKind, fields: Mapping[str, Array], rows: Array) -> list[Array]:
    """The fields that make a number of ``kind``, for some ``rows`` of their columns."""
    return [fields[name][rows] for name in kind.key]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DecodedTexts:
    """Different texts that one chain decodes: ``fields`` in columns, and which texts are ``ok``.

    A ``plain`` text is nothing but its number: it has no note, and no room for an account number. ``results`` has
    others by their text, if they were read.
    """

    texts: pl.Series
    fields: Mapping[str, Array]
    ok: Array
    plain: Array
    results: Mapping[str, TextResult] = field(default_factory=dict)

    def take(self, places: Array) -> DecodedTexts:
        """The texts at ``places``."""
        fields = {name: column[places] for name, column in self.fields.items()}
        return DecodedTexts(
            texts=self.texts.gather(places), fields=fields, ok=self.ok[places], plain=self.plain[places],
            results=self.results,
        )  # fmt: skip

    def find(self, texts: pl.Series) -> DecodedTexts:
        """These ``texts``, all of which are here, in their order."""
        here = pl.DataFrame({"text": self.texts}).with_row_index("place")
        found = pl.DataFrame({"text": texts}).join(here, on="text", how="left", maintain_order="left")
        return self.take(found["place"].to_numpy())

    def join(self, others: Sequence[DecodedTexts]) -> DecodedTexts:
        """These texts, and behind them those of ``others`` that are not here yet."""
        all_of = [self, *others]
        texts = pl.concat([each.texts for each in all_of])
        columns = {name: np.concatenate([each.fields[name] for each in all_of]) for name in self.fields}
        ok, plain = (np.concatenate([getattr(each, name) for each in all_of]) for name in ("ok", "plain"))
        results = {text: result for each in all_of for text, result in each.results.items()}
        whole = DecodedTexts(texts=texts, fields=columns, ok=ok, plain=plain, results=results)
        return whole.take(np.flatnonzero(texts.is_first_distinct().to_numpy()))


def decode_texts(source: TextSource, texts: pl.Series) -> DecodedTexts:
    """What ``texts``, each of which is there once, decode to."""
    fields, ok, noted = decode_columns(source.codec, texts)
    has_number = fields.keys() >= set(source.kind.key)
    plain = ok & ~noted if has_number else np.zeros(len(texts), bool)
    if has_number and not source.kind.not_payment:
        suspects = np.flatnonzero(plain & may_hold_account(source.codec, texts, fields))
        plain[suspects] = [
            not payment_in_valid(source.codec, text).has_account for text in texts.gather(suspects).to_list()
        ]
    return DecodedTexts(texts=texts, fields=fields, ok=ok, plain=plain)


class JudgedTexts:
    """The different texts by place: ``number`` is the place among ``numbers``, or `NO_NUMBER`.

    ``plain`` are those of `DecodedTexts`. Of an ``unexpected`` one a field has a value that its kind does not expect. A
    ``long`` one may have more digits than a spreadsheet keeps.
    """

    def __init__(self, results: TextResults, numbers: Numbers) -> None:
        self.results = results
        self.numbers = numbers
        self.sources: list[TextSource] = []
        self.texts = pl.Series(dtype=pl.String)
        self._fields: list[Mapping[str, Array]] = []  # by source; what is read of its texts
        self._starts: list[int] = []  # by source: the place of its first text
        self.source: Array = np.zeros(0, np.int64)
        self.number: Array = np.zeros(0, np.int64)
        self.plain: Array = np.zeros(0, bool)
        self.unexpected: Array = np.zeros(0, bool)
        self.long: Array = np.zeros(0, bool)
        self._results: dict[int, TextResult] = {}

    def add(self, source: TextSource, texts: pl.Series, known: DecodedTexts | None = None) -> Array:
        """Judge ``texts``, the different ones among them once; where each of them stands here.

        They are not decoded again if all of them are ``known``.
        """
        places, different = intern(texts)
        start = len(self.texts)
        self.sources.append(source)
        self.texts = pl.concat((self.texts, different), rechunk=True)
        decoded = decode_texts(source, different) if known is None else known.find(different)
        self._fields.append(decoded.fields)
        self._starts.append(start)
        self.source = np.append(self.source, np.full(len(different), len(self.sources) - 1))
        number, unexpected = self._judge(source.kind, decoded)
        self.number = np.append(self.number, number)
        self.plain = np.append(self.plain, decoded.plain)
        self.unexpected = np.append(self.unexpected, unexpected)
        others = np.flatnonzero(~decoded.plain) if decoded.results else np.arange(0)
        for at, text in zip((others + start).tolist(), different.gather(others).to_list(), strict=True):
            self._results[at] = decoded.results[text]
        self.long = np.append(self.long, (different.str.len_bytes() > SPREADSHEET_DIGITS).to_numpy())
        return places + start

    def _judge(self, kind: CredentialKind, decoded: DecodedTexts) -> tuple[Array, Array]:
        """The number of each text, and which texts are unexpected."""
        number = np.full(len(decoded.ok), NO_NUMBER)
        if not decoded.fields.keys() >= set(kind.key):
            return number, np.zeros(len(number), bool)
        good = np.flatnonzero(decoded.ok)
        number[good] = self.numbers.places(kind.namespace, number_columns(kind, decoded.fields, good))
        return number, find_unexpected(kind, decoded.fields, decoded.ok)

    def result(self, text: int) -> TextResult:
        """The result of one text; the same object each time."""
        if text not in self._results:
            self._results[text] = self._result(text)
        return self._results[text]

    def _result(self, text: int) -> TextResult:
        """The result of a text: of a plain one from its columns, of others by the scalar reading."""
        source = self.source[text]
        if self.plain[text]:
            at = text - self._starts[source]
            fields = {name: column[at : at + 1].tolist()[0] for name, column in self._fields[source].items()}
            return TextResult(number=self.sources[source].kind.number_in(fields), fields=fields)
        codec, kind, typed = self.sources[source]
        return self.results.read(codec, kind, self.texts[int(text)], typed=typed)

    def find_good(self) -> Array:
        """The texts of a number that may serve, as their fields are expected; some of them have notes."""
        good: Array = (self.number != NO_NUMBER) & ~self.unexpected
        doubtful = np.flatnonzero(good & ~self.plain)
        good[doubtful] = [not self.result(text).refusal for text in doubtful.tolist()]
        return good
