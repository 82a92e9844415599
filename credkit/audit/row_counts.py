"""Counts of rows: what texts are found to be, counted by reader, rule and time."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import compress
from typing import NamedTuple

import numpy as np
import polars as pl

from credkit.audit.alterations import count_alterations, rounded_alteration
from credkit.audit.constant_fields import find_constants
from credkit.audit.facts import MOST_PATTERNS, MOST_SAMPLED_TEXTS, Facts, ReaderTotal, RegisterVerdict
from credkit.audit.known_texts import TextVerdicts
from credkit.audit.plan import ChainUse
from credkit.audit.register_numbers import NOBODY
from credkit.audit.time_bins import BIN_SECONDS
from credkit.bulk import Rule
from credkit.bulk.words import Array
from credkit.facts.damaged_columns import are_rounded
from credkit.files.times import SECOND_MICROS

MOST_PACKED_RULES = 40  # rules that are packed into one number


class Rows(NamedTuple):
    """Rows that have a reader and a time, each with its line, its text and a hash of it."""

    lines: Array
    texts: pl.Series
    hashes: Array
    codes: Array
    moments: Array | None

    def only(self, kept: Array) -> Rows:
        """The rows at the places ``kept``."""
        return Rows(
            self.lines[kept], self.texts.gather(kept), self.hashes[kept], self.codes[kept],
            None if self.moments is None else self.moments[kept],
        )  # fmt: skip


class FailingRow(NamedTuple):
    """A row that fails: its line from the start of the piece, reader, time, text, use, first rule."""

    line: int
    reader: int
    moment: int | None
    text: str
    use: int
    rule: Rule


class ReadRows(NamedTuple):
    """Some ``rows`` that one use reads, at the places ``at`` or all of them, and what is found of their texts.

    ``places`` has the place of each row's text among ``verdicts``; None where each has its own. What ``is_typed`` key
    by key was never a cell of a spreadsheet.
    """

    rows: Rows
    at: Array | None
    use: ChainUse
    verdicts: TextVerdicts
    places: Array | None
    is_typed: bool = False

    def of_rows(self, column: Array) -> Array:
        """For each row what a column of the verdicts has for its text."""
        return column if self.places is None else column[self.places]

    def places_of(self, some: Array) -> Array:
        """The places of some of these rows among all."""
        return some if self.at is None else self.at[some]

    def only(self, some: Array) -> tuple[Rows, Array]:
        """Some of these rows, and the places of their texts among the verdicts."""
        rows = self.rows.only(self.places_of(some))
        return rows, some if self.places is None else self.places[some]


def count_verdicts(read: ReadRows, facts: Facts) -> Array:
    """Count what is found of the texts of rows, and say which rows are good."""
    use, verdicts = read.use, read.verdicts
    codes = read.rows.codes if read.at is None else read.rows.codes[read.at]
    good = read.of_rows(verdicts.good)
    stranger = good
    facts.uses.add(use.place, np.bincount(codes))
    if use.space is not None and good.any():
        numbers, readers = read.of_rows(verdicts.numbers), codes
        if not good.all():
            numbers, readers = numbers[good], codes[good]
        facts.owners[use.space.place].add(use.space.owned_numbers(numbers, readers))
        if use.register is not None and use.space.has_fields and len(use.space.key) > 1:
            for code, values in find_constants(use.space, numbers, readers):
                facts.constants.add((code, use.place), values)
    if use.kind is not None and good.any():
        stranger = _compare_with_register(read, codes, good, facts)
    for key, noted in verdicts.notes.items():
        marked = read.of_rows(noted)
        if marked.any():
            facts.notes.add(key, np.bincount(codes[marked]))
    bad = np.flatnonzero(~good)
    if len(bad):
        failing, failed = read.only(bad)
        _count_failures(failing, failed, use, verdicts, facts)
        if not read.is_typed:
            count_alterations(use.codec, use.kind, use.place, failing.texts, failing.codes, facts.altered)
    if use.has_long_numbers and not read.is_typed:
        _count_rounded(read, codes, good, stranger, facts)
    return good


def _count_rounded(read: ReadRows, codes: Array, good: Array, stranger: Array, facts: Facts) -> None:
    """Keep the texts by which rounding is judged, and count those that look rounded and are of no known card."""
    hashes = read.rows.hashes if read.at is None else read.rows.hashes[read.at]
    frame = pl.DataFrame({"code": codes, "hash": hashes}).with_row_index("at")
    once = read.places_of(frame.unique(["code", "hash"])["at"].to_numpy())
    texts = read.rows.texts.gather(once)
    facts.columns.add(read.use.place, read.rows.codes[once], read.rows.hashes[once], texts)
    rounded = np.flatnonzero(are_rounded(texts))
    if len(rounded):
        of_hash = dict(zip(read.rows.hashes[once][rounded].tolist(), texts.gather(rounded).to_list(), strict=True))
        some = np.flatnonzero(np.isin(hashes, np.array([*of_hash], np.uint64)) & (~good | stranger))
        rows = Counter(zip(hashes[some].tolist(), codes[some].tolist(), good[some].tolist(), strict=True))
        for (hashed, code, is_good), count in sorted(rows.items()):
            what = rounded_alteration(read.use.place, of_hash[hashed], fails=not is_good)
            facts.altered.add_one(what, code, count)


def _compare_with_register(read: ReadRows, codes: Array, good: Array, facts: Facts) -> Array:
    """Count the good rows that are not of an active card of the register, and keep a sample of the unknown ones.

    These are given back; all good ones where nothing is compared.
    """
    use, register = read.use, read.use.register
    if register is None:
        if use.codec.lossy and use.space is not None:
            facts.compared.add((use.place, RegisterVerdict.NOT_COMPARED), np.bincount(codes[good]))
        return good
    numbers, once = read.verdicts.numbers, read.places is not None and len(read.verdicts.numbers) < len(codes)
    places = read.of_rows(register.find(numbers)) if once else register.find(read.of_rows(numbers))
    moments = read.rows.moments
    stranger: Array = (places == NOBODY) & good
    unknown = np.flatnonzero(stranger)
    if len(unknown):
        facts.compared.add((use.place, RegisterVerdict.UNKNOWN), np.bincount(codes[unknown]))
        at = read.places_of(unknown)
        for code, sample in _sample_texts(read.rows, at).items():
            facts.add_strangers(code, use.place, sample)
        if moments is not None:
            facts.strange_bins.add(*_count_by_time(codes[unknown], moments[at], np.zeros(len(unknown), bool)))
    known = np.flatnonzero(register.ended[places] & good)
    if len(known):
        times = None if moments is None else moments[read.places_of(known)]
        if times is not None and use.offsets is not None:
            times = times + use.offsets[codes[known]]
        late = known[register.are_inactive(places[known], times)]
        if len(late):
            facts.compared.add((use.place, RegisterVerdict.INACTIVE), np.bincount(codes[late]))
        which, counts = np.unique(places[late], return_counts=True)
        assert use.space is not None
        for number, count in zip(register.numbers[which].tolist(), counts.tolist(), strict=True):
            facts.inactive[use.space.place, number] += count
    return stranger


def list_failing(read: ReadRows) -> list[FailingRow]:
    """The rows that fail."""
    some, places = read.only(np.flatnonzero(~read.of_rows(read.verdicts.good)))
    moments = [None] * len(places) if some.moments is None else some.moments.tolist()
    first = read.verdicts.first[places].tolist()
    columns = some.lines.tolist(), some.codes.tolist(), moments, some.texts.to_list(), first
    return [
        FailingRow(line, code, moment, text, read.use.place, read.verdicts.rules[rule])
        for line, code, moment, text, rule in zip(*columns, strict=True)
    ]


def count_totals(codes: Array, moments: Array | None, good: Array, facts: Facts) -> None:
    """Count rows and good rows of each reader, over time if they have times."""
    size = int(codes.max()) + 1
    first, last = np.full(size, np.iinfo(np.int64).max), np.full(size, np.iinfo(np.int64).min)
    if moments is None:
        total, failing = _count_places(codes, good, size)
    else:
        np.minimum.at(first, codes, moments)
        np.maximum.at(last, codes, moments)
        keys, some, some_failing = _count_by_time(codes, moments, good)
        facts.bins.add(keys, some, some_failing)
        total, failing = np.zeros(size, np.int64), np.zeros(size, np.int64)
        np.add.at(total, keys >> 40, some)
        np.add.at(failing, keys >> 40, some_failing)
    for code in np.flatnonzero(total).tolist():
        rows = int(total[code])
        facts.add_total(code, ReaderTotal(rows, rows - int(failing[code]), int(first[code]), int(last[code])))


def _count_by_time(codes: Array, moments: Array, good: Array) -> tuple[Array, Array, Array]:
    """Reader and time as one number, and the rows and failing rows there, in order."""
    places = moments // (BIN_SECONDS * SECOND_MICROS)
    least = int(places.min())
    span = int(places.max()) - least + 1
    size = (int(codes.max()) + 1) * span
    places -= least
    places += codes * span
    if size <= 4 * len(codes) + 4096:
        counts, failing = _count_places(places, good, size)
        keys = np.flatnonzero(counts)
        counts, failing = counts[keys], failing[keys]
    else:
        keys, inverse = np.unique(places, return_inverse=True)
        counts, failing = _count_places(inverse, good, len(keys))
    code, at = np.divmod(keys, span)
    return code << 40 | (at + least), counts, failing


def _count_places(places: Array, good: Array, size: int) -> tuple[Array, Array]:
    """The rows in each of ``size`` places, and the failing ones."""
    both = places << 1
    both |= good
    failing, fine = np.bincount(both, minlength=2 * size).reshape(size, 2).T
    return failing + fine, failing


def _count_failures(bad: Rows, places: Array, use: ChainUse, verdicts: TextVerdicts, facts: Facts) -> None:
    """Count what failing rows fail, and keep a sample of their texts."""
    rules, codes, first = verdicts.rules, bad.codes, verdicts.first[places]
    masks = [failing[places] for failing in verdicts.failures]
    for rule, mask in zip(rules, masks, strict=True):
        if mask.any():
            facts.tallies.add((use.place, rule), np.bincount(codes[mask]))
    for place in np.flatnonzero(np.bincount(first)).tolist():
        facts.first.add((use.place, rules[place]), np.bincount(codes[first == place]))
    _count_patterns(codes, rules, masks, use, facts)
    _keep_sample(bad, use, facts)


def _keep_sample(bad: Rows, use: ChainUse, facts: Facts) -> None:
    """Keep the different failing texts of each reader that have the smallest hashes."""
    for code, sample in _sample_texts(bad, np.arange(len(bad.codes))).items():
        facts.add_sample(code, use.place, sample)


def _sample_texts(rows: Rows, places: Array) -> dict[int, dict[str, int]]:
    """Of the rows at ``places`` the different texts of each reader that have the smallest hashes, with these."""
    codes, hashes = rows.codes[places], rows.hashes[places]
    order = np.lexsort((hashes, codes))
    codes, hashes, order = codes[order], hashes[order], places[order]
    fresh = np.ones(len(order), bool)
    fresh[1:] = (codes[1:] != codes[:-1]) | (hashes[1:] != hashes[:-1])
    order, codes = order[fresh], codes[fresh]
    starts = np.flatnonzero(np.diff(codes, prepend=-1))
    kept = np.arange(len(codes)) - np.repeat(starts, np.diff(starts, append=len(codes))) < MOST_SAMPLED_TEXTS
    some = order[kept]
    samples: dict[int, dict[str, int]] = {}
    for code, text, hashed in zip(
        rows.codes[some].tolist(), rows.texts.gather(some).to_list(), rows.hashes[some].tolist(), strict=True
    ):
        samples.setdefault(code, {})[text] = hashed
    return samples


def _count_patterns(codes: Array, rules: Sequence[Rule], masks: list[Array], use: ChainUse, facts: Facts) -> None:
    """Count the combinations of rules that each reader fails, unless it fails too many of them."""
    index, counts = _count_distinct(codes, masks)
    many = np.bincount(codes[index]) > MOST_PATTERNS
    for code in np.flatnonzero(many).tolist():
        facts.scatter(code)
    few = ~many[codes[index]]
    index, counts = index[few], counts[few]
    failed = np.stack([mask[index] for mask in masks], axis=1)
    for code, marks, count in zip(codes[index].tolist(), failed.tolist(), counts.tolist(), strict=True):
        facts.add_pattern(code, use.place, compress(rules, marks), count)


def _count_distinct(codes: Array, masks: list[Array]) -> tuple[Array, Array]:
    """A row of each kind, and how many there are of it: same reader, same rules."""
    if len(masks) <= MOST_PACKED_RULES:
        key = codes.astype(np.uint64) << np.uint64(MOST_PACKED_RULES)
        for place, mask in enumerate(masks):
            key |= mask.astype(np.uint64) << np.uint64(place)
        _, index, counts = np.unique(key, return_index=True, return_counts=True)
    else:
        matrix = np.column_stack([codes, np.packbits(np.stack(masks), axis=0).T])
        _, index, counts = np.unique(matrix, axis=0, return_index=True, return_counts=True)
    return index, counts
