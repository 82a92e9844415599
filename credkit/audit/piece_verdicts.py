"""Judging a piece: every row of it read through its chain, and counted.

This is the part that runs for several pieces at a time. It keeps nothing: what it found is a
`PieceVerdicts`, in counts by reader, from which totals are made in the order of the file.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import compress
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from credkit.audit.facts import MOST_PATTERNS, MOST_SAMPLED_TEXTS, Facts, ReaderTotal
from credkit.audit.plan import AuditPlan, ChainUse
from credkit.audit.repeats import NO_EDGES, RepeatEdges, find_repeats
from credkit.audit.secrets import TrackSearch
from credkit.audit.time_bins import BIN_SECONDS
from credkit.bulk import Inspected, Rule
from credkit.bulk.words import Array
from credkit.core.whitespace import WHITE_SPACE
from credkit.facts.expected_values import UNEXPECTED, find_unexpected
from credkit.files.captures import FilePiece, RowTable
from credkit.files.linerows import RowFault
from credkit.files.times import SECOND_MICROS

MOST_PACKED_RULES = 40  # rules that are packed into one number


class TypedRow(NamedTuple):
    """A row of a reader that sends parts: its line from the start of the piece, reader, time, text."""

    line: int
    reader: int
    moment: int | None
    text: str


class FailingRow(NamedTuple):
    """A row that fails: its line from the start of the piece, reader, time, text, use, first rule."""

    line: int
    reader: int
    moment: int | None
    text: str
    use: int
    rule: Rule


@dataclass(slots=True, kw_only=True)
class PieceVerdicts:
    """What was found in the rows of a piece; lines count from its start.

    ``typed`` are rows that wait for the reader's stream, ``edges`` those that rows of a neighbouring piece may repeat.
    """

    height: int
    facts: Facts
    rows: int = 0
    faults: list[RowFault] = field(default_factory=list)
    edges: RepeatEdges = NO_EDGES
    failing: list[FailingRow] = field(default_factory=list)
    typed: list[TypedRow] = field(default_factory=list)
    track: int | None = None  # the line of a payment track
    ended: str = ""  # why the file cannot be read any further


def judge_piece(piece: FilePiece, plan: AuditPlan, *, every: bool) -> PieceVerdicts:
    """Decode and count the rows of ``piece``; with ``every``, list each failing row."""
    return judge_table(piece.table(plan.readers), plan, every=every)


def judge_table(table: RowTable, plan: AuditPlan, *, every: bool) -> PieceVerdicts:
    """Decode and count the rows of a table."""
    found = PieceVerdicts(
        height=table.height, facts=Facts(plan.spaces), rows=len(table.lines) + len(table.faults),
        faults=list(table.faults), ended=table.ended,
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
    found.facts.names = plan.names
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
        columns = some.lines.tolist(), some.codes.tolist(), moments, some.texts.to_list()
        found.typed = list(map(TypedRow._make, zip(*columns, strict=True)))
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
    facts = found.facts
    facts.frames, facts.failed = facts.uses, facts.first  # here each row is read alone
    codes, moments = rows.codes, rows.moments
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
        found.edges, again = find_repeats(rows.hashes, codes, moments)
        facts.repeats.update(_count_codes(again))
    for code in np.flatnonzero(total).tolist():
        rows_there = int(total[code])
        facts.readers[code] = ReaderTotal(
            rows_there, rows_there - int(failing[code]), int(first[code]), int(last[code])
        )


def _count_codes(codes: Array) -> dict[int, int]:
    """How often each reader is among ``codes``."""
    counts = np.bincount(codes)
    return {code: int(counts[code]) for code in np.flatnonzero(counts).tolist()}


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


def _decode_rows(rows: _Rows, use: ChainUse, found: PieceVerdicts, secrets: TrackSearch, *, every: bool) -> Array:
    """Decode the rows of one use, count what fails, and say which are good."""
    found.facts.uses.add(use.place, np.bincount(rows.codes))
    if use.clean is None:
        return _read_texts(rows, use, found, secrets, every=every)
    good, numbers = use.clean.find(rows.texts, rows.hashes)
    if use.space is not None and good.any():
        owned = use.space.with_readers(numbers, rows.codes[good])
        found.facts.owners[use.space.place].add(owned)
    if not good.all():
        fresh = ~good
        good[fresh] = _read_texts(rows.only(fresh), use, found, secrets, every=every)
    return good


def _read_texts(rows: _Rows, use: ChainUse, found: PieceVerdicts, secrets: TrackSearch, *, every: bool) -> Array:
    """Decode the texts of rows of one use, count what is to be said of them, and say which are good."""
    read = use.bulk.inspect(rows.texts)
    good = read.ok
    codes, facts = rows.codes, found.facts
    clean = good.copy()
    for kind, marked in read.notes.items():
        if marked.any():
            clean &= ~marked
            facts.notes.add((kind.codec, kind.kind, kind.level), np.bincount(codes[marked & good]))
    if use.space is not None and read.columns:
        facts.owners[use.space.place].add(use.space.owned_numbers(read.columns, codes, good))
    strange = find_unexpected(use.kind, read.columns, good)
    if strange.any():
        assert use.kind is not None
        facts.notes.add((use.kind.name, UNEXPECTED, "care"), np.bincount(codes[strange]))
    bad = np.flatnonzero(~good)
    track = secrets.find_track(use, rows.texts, good, bad)
    if use.clean is not None and track is None:
        clean &= ~strange
        numbers = np.zeros(int(clean.sum()), np.uint64)
        if use.space is not None and len(numbers):
            numbers = use.space.numbers(read.columns, clean)
        use.clean.add(rows.texts.filter(pl.Series(clean)), rows.hashes[clean], numbers)
    if track is not None:
        line = int(rows.lines[track])
        found.track = line if found.track is None else min(line, found.track)
    if len(bad):
        _count_failures(rows, bad, use, read, found, every=every)
    return good


def _count_failures(
    rows: _Rows, bad: Array, use: ChainUse, read: Inspected, found: PieceVerdicts, *, every: bool
) -> None:
    """Count what the failing rows fail, and keep a sample of their texts."""
    rules = read.rules
    masks = [read.failures[rule][bad] for rule in rules]
    first, codes = read.first_failed_rule_of(bad), rows.codes[bad]
    for rule, mask in zip(rules, masks, strict=True):
        found.facts.tallies.add((use.place, rule), np.bincount(codes[mask]))
    for place in np.flatnonzero(np.bincount(first)).tolist():
        found.facts.first.add((use.place, rules[place]), np.bincount(codes[first == place]))
    _count_patterns(codes, rules, masks, use, found.facts)
    _keep_sample(rows, bad, use, found.facts)
    if every:
        texts = rows.texts.gather(bad)
        moments = [None] * len(bad) if rows.moments is None else rows.moments[bad].tolist()
        for line, code, moment, text, place in zip(
            rows.lines[bad].tolist(), codes.tolist(), moments, texts.to_list(), first.tolist(), strict=True
        ):
            found.failing.append(FailingRow(line, code, moment, text, use.place, rules[place]))


def _keep_sample(rows: _Rows, bad: Array, use: ChainUse, facts: Facts) -> None:
    """Keep the different failing texts of each reader that have the smallest hashes."""
    frame = pl.DataFrame({"code": rows.codes[bad], "hash": rows.hashes[bad], "row": bad})
    some = frame.unique(["code", "hash"], keep="any").sort("code", "hash")
    codes = some["code"].to_numpy()
    starts = np.flatnonzero(np.diff(codes, prepend=-1))
    kept = np.arange(len(codes)) - np.repeat(starts, np.diff(starts, append=len(codes))) < MOST_SAMPLED_TEXTS
    texts = rows.texts.gather(some["row"].to_numpy()[kept]).to_list()
    samples: dict[int, dict[str, int]] = {}
    for code, text, hashed in zip(codes[kept].tolist(), texts, some["hash"].to_numpy()[kept].tolist(), strict=True):
        samples.setdefault(code, {})[text] = hashed
    for code, hashes in samples.items():
        facts.add_sample(code, use.place, hashes)


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
