"""Judging a piece: every row of it read through its chain, and counted.

This is the part that runs for several pieces at a time. It keeps nothing: what it found is a
`PieceVerdicts`, in counts by reader, from which totals are made in the order of the file.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import compress
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from credkit.audit.counts_by_reader import CountsByReader
from credkit.audit.plan import AuditPlan, ChainUse
from credkit.audit.repeats import Repeats, find_repeats
from credkit.audit.secrets import TrackSearch
from credkit.audit.sources import FilePiece, RowFault, RowTable
from credkit.bulk import Inspected, Rule
from credkit.bulk.words import Array
from credkit.core.whitespace import WHITE_SPACE
from credkit.facts.expected_values import UNEXPECTED, find_unexpected
from credkit.files.times import SECOND_MICROS

BIN_SECONDS = 600  # seconds: how finely rows are counted over time
MOST_PACKED_RULES = 40  # rules that are packed into one number
MOST_PATTERNS = 256  # combinations of failed rules of a reader; one that fails more of them fails none in particular


class FailingRow(NamedTuple):
    """A row that fails: its line from the start of the piece, reader, time, text, use, first rule."""

    line: int
    reader: int
    moment: int | None
    text: str
    use: int
    rule: Rule


class FailurePattern(NamedTuple):
    """The rules that rows of a reader fail together on a use."""

    reader: int
    use: int
    rules: tuple[Rule, ...]


class BinColumns(NamedTuple):
    """Counts by reader and time: both as one number (``keys``), the rows, and the failing rows."""

    keys: Array
    rows: Array
    failing: Array


class ReaderTotal(NamedTuple):
    """The rows of a reader, how many are good, and the first and last time in µs since 1970."""

    rows: int
    good: int
    first: int
    last: int

    def plus(self, other: ReaderTotal) -> ReaderTotal:
        """The total of both."""
        return ReaderTotal(
            self.rows + other.rows, self.good + other.good, min(self.first, other.first), max(self.last, other.last)
        )


@dataclass(slots=True, kw_only=True)
class PieceVerdicts:
    """The counts of a piece; ``typed`` are rows that wait for the reader's stream.

    ``tallies`` and ``first`` count the rows that fail a rule of a use, and that fail it before any other;
    ``frames`` and ``failed`` count what was read of them, which is less where several rows are one entry.
    ``scattered`` are readers that fail too many combinations of rules for ``patterns``.
    """

    height: int
    rows: int = 0
    faults: list[RowFault] = field(default_factory=list)
    readers: dict[int, ReaderTotal] = field(default_factory=dict)
    patterns: Counter[FailurePattern] = field(default_factory=Counter)
    scattered: set[int] = field(default_factory=set)
    tallies: CountsByReader[tuple[int, Rule]] = field(default_factory=CountsByReader)
    first: CountsByReader[tuple[int, Rule]] = field(default_factory=CountsByReader)
    frames: CountsByReader[int] = field(default_factory=CountsByReader)
    failed: CountsByReader[tuple[int, Rule]] = field(default_factory=CountsByReader)
    notes: CountsByReader[tuple[str, str, str]] = field(default_factory=CountsByReader)
    bins: BinColumns | None = None
    repeats: Repeats | None = None
    samples: dict[tuple[int, int], dict[str, int]] = field(default_factory=dict)
    failing: list[FailingRow] = field(default_factory=list)
    typed: list[tuple[int, int, int | None, str]] = field(default_factory=list)
    uses: CountsByReader[int] = field(default_factory=CountsByReader)  # rows
    track: int | None = None  # the line of a payment track
    ended: str = ""  # why the file cannot be read any further


MOST_SAMPLED_TEXTS = 8  # different failing texts of a reader and a use that are kept for diagnosis


def judge_piece(piece: FilePiece, plan: AuditPlan, *, every: bool) -> PieceVerdicts:
    """Decode and count the rows of ``piece``; with ``every``, list each failing row."""
    return judge_table(piece.table(plan.readers), plan, every=every)


def judge_table(table: RowTable, plan: AuditPlan, *, every: bool) -> PieceVerdicts:
    """Decode and count the rows of a table."""
    found = PieceVerdicts(
        height=table.height, rows=len(table.lines) + len(table.faults), faults=list(table.faults), ended=table.ended
    )  # fmt: skip
    secrets = TrackSearch()
    for fault in table.faults:
        if found.track is None and secrets.is_in_line(fault.raw):
            found.track = fault.line
    lines, names = table.lines, plan.columns
    texts = _strip_cells(plan, names.text, table.text)
    readers = _strip_cells(plan, names.reader, table.reader)
    times = _strip_cells(plan, names.time, table.time)
    del table  # with the bytes of columns that are not needed any more
    moments = None
    problems: dict[int, str] = {}
    if plan.columns.reader:
        codes, problems = plan.reader_codes(readers)
        del readers
    else:
        codes = np.full(len(lines), plan.only_reader(), np.int64)
    if plan.columns.time:
        read = plan.clock.parse_times if times.dtype == pl.String else plan.clock.convert_times
        moments, wrong = read(times)
        del times
        problems = {**wrong, **problems}
    uses, outside = plan.uses_of(codes, moments)
    problems = {**outside, **problems}
    if problems:
        bad = sorted(problems)
        found.faults += [RowFault(int(lines[row]), problems[row]) for row in bad]
        shows = secrets.first_track(texts.gather(bad))
        if shows is not None:
            found.track = min(int(lines[bad[shows]]), found.height if found.track is None else found.track)
        kept = np.ones(len(lines), bool)
        kept[bad] = False
        lines, texts, codes = lines[kept], texts.filter(pl.Series(kept)), codes[kept]
        moments = None if moments is None else moments[kept]
        uses = uses if isinstance(uses, int) else uses[kept]
    rows = _Rows(lines, texts, texts.hash().to_numpy(), codes, moments, uses)
    rows = _set_streams_aside(rows, plan, found)
    if len(rows.lines):
        _judge_rows(rows, plan, found, secrets, every=every)
    found.faults.sort(key=lambda fault: fault.line)
    return found


def _strip_cells(plan: AuditPlan, column: str, cells: Any) -> Any:
    """The cells of a column, without the white space around them if the site says so; known readers have none."""
    if column not in plan.stripped or cells is None or cells.dtype != pl.String:
        return cells
    return cells.str.strip_chars(WHITE_SPACE)


class _Rows(NamedTuple):
    """Rows that have a reader, a time and a use."""

    lines: Array
    texts: Any
    hashes: Array  # of the texts
    codes: Array
    moments: Array | None
    uses: Array | int

    def only(self, kept: Array) -> _Rows:
        """The rows where ``kept`` is true."""
        return _Rows(
            self.lines[kept], self.texts.filter(pl.Series(kept)), self.hashes[kept], self.codes[kept],
            None if self.moments is None else self.moments[kept],
            self.uses if isinstance(self.uses, int) else self.uses[kept],
        )  # fmt: skip


def _set_streams_aside(rows: _Rows, plan: AuditPlan, found: PieceVerdicts) -> _Rows:
    """The rows without those of readers that send parts, which are put aside for their streams."""
    if plan.site is None:
        return rows
    streamed = np.array([plan.is_streamed(code) for code in range(len(plan.names))], bool)
    if not streamed.any():
        return rows
    apart = streamed[rows.codes]
    if apart.any():
        some = rows.only(apart)
        moments = [None] * len(some.lines) if some.moments is None else some.moments.tolist()
        found.typed = list(zip(some.lines.tolist(), some.codes.tolist(), moments, some.texts.to_list(), strict=True))
        rows = rows.only(~apart)
    return rows


def _judge_rows(rows: _Rows, plan: AuditPlan, found: PieceVerdicts, secrets: TrackSearch, *, every: bool) -> None:
    good = np.zeros(len(rows.lines), bool)
    if isinstance(rows.uses, int):
        good = _decode_rows(rows, plan.uses[rows.uses], found, secrets, every=every)
    else:
        for place in np.unique(rows.uses).tolist():
            here = rows.uses == place
            good[here] = _decode_rows(rows.only(here), plan.uses[place], found, secrets, every=every)
    found.frames, found.failed = found.uses, found.first  # here each row is read alone
    codes, moments = rows.codes, rows.moments
    size = int(codes.max()) + 1
    first, last = np.full(size, np.iinfo(np.int64).max), np.full(size, np.iinfo(np.int64).min)
    if moments is None:
        total, failing = _count_places(codes, good, size)
    else:
        np.minimum.at(first, codes, moments)
        np.maximum.at(last, codes, moments)
        found.bins = keys, some, some_failing = _count_by_time(codes, moments, good)
        total, failing = np.zeros(size, np.int64), np.zeros(size, np.int64)
        np.add.at(total, keys >> 40, some)
        np.add.at(failing, keys >> 40, some_failing)
        found.repeats = find_repeats(rows.hashes, codes, moments, first, last)
    for code in np.flatnonzero(total).tolist():
        rows_there = int(total[code])
        found.readers[code] = ReaderTotal(
            rows_there, rows_there - int(failing[code]), int(first[code]), int(last[code])
        )


def _count_by_time(codes: Array, moments: Array, good: Array) -> BinColumns:
    """Rows and failing rows by reader and time, in order."""
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
    return BinColumns(code << 40 | (at + least), counts, failing)


def _count_places(places: Array, good: Array, size: int) -> tuple[Array, Array]:
    """The rows in each of ``size`` places, and the failing ones."""
    both = places << 1
    both |= good
    failing, fine = np.bincount(both, minlength=2 * size).reshape(size, 2).T
    return failing + fine, failing


def _decode_rows(rows: _Rows, use: ChainUse, found: PieceVerdicts, secrets: TrackSearch, *, every: bool) -> Array:
    """Decode the rows of one use, count what fails, and say which are good."""
    read = use.bulk.inspect(rows.texts)
    good = read.ok
    codes = rows.codes
    found.uses.add(use.place, np.bincount(codes))
    for kind, marked in read.notes.items():
        if marked.any():
            found.notes.add((kind.codec, kind.kind, kind.level), np.bincount(codes[marked & good]))
    _note_numbers(use, read, good, codes)
    strange = find_unexpected(use.kind, read.columns, good)
    if strange.any():
        assert use.kind is not None
        found.notes.add((use.kind.name, UNEXPECTED, "care"), np.bincount(codes[strange]))
    bad = np.flatnonzero(~good)
    track = secrets.find_track(use, rows.texts, good, bad)
    if track is not None:
        line = int(rows.lines[track])
        found.track = line if found.track is None else min(line, found.track)
    if len(bad):
        _count_failures(rows, bad, use, read, found, every=every)
    return good


def _note_numbers(use: ChainUse, read: Inspected, good: Array, codes: Array) -> None:
    """Which readers read which numbers."""
    if use.space is not None and read.columns:
        use.space.add(read.columns, codes, good)


def _count_failures(
    rows: _Rows, bad: Array, use: ChainUse, read: Inspected, found: PieceVerdicts, *, every: bool
) -> None:
    """Count what the failing rows fail, and keep a sample of their texts."""
    rules = read.rules
    masks = [read.failures[rule][bad] for rule in rules]
    first, codes = read.first_failed_rule_of(bad), rows.codes[bad]
    for rule, mask in zip(rules, masks, strict=True):
        found.tallies.add((use.place, rule), np.bincount(codes[mask]))
    for place in np.flatnonzero(np.bincount(first)).tolist():
        found.first.add((use.place, rules[place]), np.bincount(codes[first == place]))
    _count_patterns(codes, rules, masks, use, found)
    _keep_sample(rows, bad, use, found)
    if every:
        texts = rows.texts.gather(bad)
        moments = [None] * len(bad) if rows.moments is None else rows.moments[bad].tolist()
        for line, code, moment, text, place in zip(
            rows.lines[bad].tolist(), codes.tolist(), moments, texts.to_list(), first.tolist(), strict=True
        ):
            found.failing.append(FailingRow(line, code, moment, text, use.place, rules[place]))


def _keep_sample(rows: _Rows, bad: Array, use: ChainUse, found: PieceVerdicts) -> None:
    """The different failing texts of each reader with the smallest hashes, unless there are enough smaller ones."""
    codes, hashes = rows.codes[bad], rows.hashes[bad]
    below = np.full(int(codes.max()) + 1, np.iinfo(np.uint64).max, np.uint64)
    for code, limit in enumerate(use.limits[: len(below)]):
        below[code] = limit
    some = np.flatnonzero(hashes <= below[codes])
    if not len(some):
        return
    some = some[np.lexsort((hashes[some], codes[some]))]
    fresh = np.ones(len(some), bool)
    fresh[1:] = (codes[some[1:]] != codes[some[:-1]]) | (hashes[some[1:]] != hashes[some[:-1]])
    some = some[fresh]
    starts = np.flatnonzero(np.diff(codes[some], prepend=-1))
    lengths = np.diff(starts, append=len(some))
    some = some[np.arange(len(some)) - np.repeat(starts, lengths) < MOST_SAMPLED_TEXTS]
    for code, text, hashed in zip(
        codes[some].tolist(), rows.texts.gather(bad[some].tolist()).to_list(), hashes[some].tolist(), strict=True
    ):
        found.samples.setdefault((code, use.place), {})[text] = hashed


def _count_patterns(
    codes: Array, rules: Sequence[Rule], masks: list[Array], use: ChainUse, found: PieceVerdicts
) -> None:
    """Count the combinations of rules that each reader fails, unless it fails too many of them."""
    index, counts = _count_distinct(codes, masks)
    many = np.bincount(codes[index]) > MOST_PATTERNS
    found.scattered.update(np.flatnonzero(many).tolist())
    few = ~many[codes[index]]
    index, counts = index[few], counts[few]
    failed = np.stack([mask[index] for mask in masks], axis=1)
    for code, marks, count in zip(codes[index].tolist(), failed.tolist(), counts.tolist(), strict=True):
        found.patterns[FailurePattern(code, use.place, tuple(compress(rules, marks)))] += count


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
