"""Entries: rows of readers that send parts, put together by the stream of the reader.

A keypad sends a row for each key, a logger rows of bits in which swipes begin and end anywhere. A
row is good if the one entry it belongs to is, and if nobody paused in it, as in the crosswalk. Rows are
taken in the order of their times. What may go on in the next piece of the file waits for it, with a few
parts before it, whose zeros may be its own; so an entry is not cut in two, and no more is kept than the
window of the order and one entry need. The rows of entries are counted as other rows are, each with the text of
its entry.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple
from zlib import crc32

import numpy as np
import polars as pl

from credkit.audit.facts import Facts
from credkit.audit.piece_verdicts import PieceVerdicts, TypedRows
from credkit.audit.plan import AuditPlan, ChainUse
from credkit.audit.row_counts import FailingRow, ReadRows, Rows, count_totals, count_verdicts, list_failing
from credkit.audit.text_verdicts import find_verdicts
from credkit.audit.timeorder import EntryParts, LateRow, TimeOrder, join_parts
from credkit.bulk import Rule
from credkit.files.captures import FileLabel
from credkit.files.times import MICROSECOND
from credkit.streams import LONGEST_KEY_PAUSE, Frame

MOST_OPEN_PARTS = 8192  # rows of an entry that is not finished
PARTS_KEPT_BEFORE = 16  # rows that are kept before what waits
PARTS_JOINED_AT_ONCE = 4096  # rows of a stream that are joined to entries at once
ONE_ENTRY_RULE = "one-entry"
_PAUSE_MICROS = LONGEST_KEY_PAUSE // MICROSECOND
_ONE_ENTRY = Rule(-1, "stream", ONE_ENTRY_RULE)


@dataclass(slots=True, kw_only=True)
class _OpenEntry:
    """Parts that wait for more; the first ``done`` of them are counted, the last ``fresh`` came in since."""

    order: TimeOrder
    parts: EntryParts
    done: int = 0
    fresh: int = 0

    def copy(self) -> _OpenEntry:
        return _OpenEntry(order=self.order.copy(), parts=self.parts, done=self.done, fresh=self.fresh)

    def add(self, parts: EntryParts) -> None:
        self.parts = join_parts([self.parts, parts])
        self.fresh += parts.size


class _Key(NamedTuple):
    """Whose rows are joined: a reader, and the place of one of its periods."""

    code: int
    period: int


@dataclass(slots=True, kw_only=True)
class _Joined:
    """What was joined of a reader: the ``texts`` of entries, each of so many of the ``parts``, and ``others``.

    The others are not exactly one entry. ``lines`` has the first line of every text that was made.
    """

    texts: list[str] = field(default_factory=list)
    sizes: list[int] = field(default_factory=list)
    parts: list[EntryParts] = field(default_factory=list)
    others: list[EntryParts] = field(default_factory=list)
    lines: dict[str, int] = field(default_factory=dict)


class EntryAssembler:
    """The rows of one file that streams have not made sense of yet.

    What it makes of them depends on the rows from the first one on, and not on how many are fed at once. With
    ``lists``, each failing row is listed.
    """

    def __init__(self, file: FileLabel, *, lists: bool) -> None:
        self._file = file
        self._lists = lists
        self._waiting: dict[_Key, _OpenEntry] = {}

    def copy(self) -> EntryAssembler:
        """One that waits for the same rows."""
        found = EntryAssembler(self._file, lists=self._lists)
        found._waiting = {key: waiting.copy() for key, waiting in self._waiting.items()}
        return found

    def feed(self, rows: TypedRows, base: int, plan: AuditPlan) -> PieceVerdicts:
        """The verdicts on what is finished with these rows; their lines count from ``base``.

        Raises `DefinitionError` for the first row too far behind later rows of its reader.
        """
        joined: dict[_Key, _Joined] = {}
        late: list[LateRow] = []
        for key, parts in _parts_by_key(rows, base, plan):
            waiting = self._waiting.get(key) or self._begin(key, plan)
            try:
                ready = waiting.order.push(parts)
            except LateRow as row:
                late.append(row)
                continue
            while ready.size:
                room = PARTS_JOINED_AT_ONCE - waiting.fresh
                waiting.add(ready.only(slice(room)))
                ready = ready.only(slice(room, None))
                if waiting.fresh >= PARTS_JOINED_AT_ONCE:
                    _settle(plan, key, waiting, joined.setdefault(key, _Joined()), last=False)
        if late:
            raise min(late, key=lambda row: row.line).error
        return self._count(joined, plan)

    def end(self, plan: AuditPlan) -> PieceVerdicts:
        """The verdicts on what is left at the end of the file."""
        joined: dict[_Key, _Joined] = {}
        for key, waiting in sorted(self._waiting.items(), key=lambda item: item[0]):
            rest = waiting.order.drain()
            if rest is not None:
                waiting.add(rest)
            _settle(plan, key, waiting, joined.setdefault(key, _Joined()), last=True)
        return self._count(joined, plan)

    def _begin(self, key: _Key, plan: AuditPlan) -> _OpenEntry:
        order = TimeOrder(self._file, plan.names[key.code], plan.clock.zone)
        none = np.zeros(0, np.int64)
        parts = EntryParts(moments=none if plan.columns.time else None, lines=none, texts=np.zeros(0, object))
        return self._waiting.setdefault(key, _OpenEntry(order=order, parts=parts))

    def _count(self, joined: dict[_Key, _Joined], plan: AuditPlan) -> PieceVerdicts:
        found = PieceVerdicts(height=0, facts=Facts(plan.spaces))
        found.facts.names = plan.names
        for (code, period), each in joined.items():
            _count_entries(code, plan.uses[plan.periods_of_reader[code][period].use], each, found, every=self._lists)
        return found


def _parts_by_key(rows: TypedRows, base: int, plan: AuditPlan) -> Iterator[tuple[_Key, EntryParts]]:
    """The rows of each reader and period, in their order."""
    parts = EntryParts(moments=rows.moments, lines=rows.lines + base, texts=np.array(rows.texts, object))
    for code in np.unique(rows.codes).tolist():
        left = rows.codes == code
        for place, period in enumerate(plan.periods_of_reader[code]):
            here = left if rows.moments is None else left & (rows.moments >= period.start) & (rows.moments < period.end)
            left = left & ~here
            if here.any():
                yield _Key(code, place), parts.only(here)


def _settle(plan: AuditPlan, key: _Key, waiting: _OpenEntry, joined: _Joined, *, last: bool) -> None:
    """Join the entries that are finished, or all of them at the end of the file."""
    parts, done = waiting.parts, waiting.done
    groups = [frames for frames in _groups(plan, key.code, parts.texts.tolist()) if _end_of(frames) > done]
    held = max((at for at, frames in enumerate(groups) if any(f.value is not None for f in frames)), default=0)
    held = min(held, len(groups) - 1)  # noise behind an entry does not end it
    ready = groups if last else groups[: max(held, 0)]
    full = last or parts.size - (_end_of(ready[-1]) if ready else done) > MOST_OPEN_PARTS
    finished = groups if full else ready
    _join(parts, finished, joined)
    done = _end_of(finished[-1]) if finished else done
    start = done if full else max(done - PARTS_KEPT_BEFORE, 0)  # what was cut off in the middle is no zeros
    waiting.parts, waiting.done, waiting.fresh = parts.only(slice(start, None)), done - start, 0


def _groups(plan: AuditPlan, code: int, texts: list[str]) -> Iterator[list[Frame]]:
    """The frames in ``texts``, in order; those that share rows, or stand within each other, in one list."""
    assert plan.site is not None
    stream = plan.site.readers[plan.names[code]].stream
    assert stream is not None
    group: list[Frame] = []
    reach = -1
    for frame in sorted(stream.frames(texts), key=lambda frame: frame.covers[0]):
        if group and frame.covers[0] > reach:
            yield group
            group = []
        group.append(frame)
        reach = max(reach, frame.covers[-1])
    if group:
        yield group


def _join(parts: EntryParts, groups: Iterable[list[Frame]], joined: _Joined) -> None:
    """Join the rows of frames; each group of them belongs together."""
    lines, moments = parts.lines.tolist(), None if parts.moments is None else parts.moments.tolist()
    rows: list[int] = []
    others: list[int] = []
    for frames in groups:
        shared: set[int] = set()
        if len(frames) > 1:
            covered = Counter(place for frame in frames for place in set(frame.covers))
            shared = {place for place, count in covered.items() if count > 1}
        for frame in frames:
            own = sorted(set(frame.covers) - shared)
            if frame.value is None:
                others += own
                continue
            line = lines[frame.covers[0]]
            joined.lines[frame.value] = min(line, joined.lines.get(frame.value, line))
            if moments is not None and _has_pause([moments[place] for place in frame.covers]):
                others += own
            elif own:
                joined.texts.append(frame.value)
                joined.sizes.append(len(own))
                rows += own
        others += sorted(shared)
    if rows:
        joined.parts.append(parts.only(np.array(rows)))
    if others:
        joined.others.append(parts.only(np.array(others)))


def _count_entries(code: int, use: ChainUse, joined: _Joined, found: PieceVerdicts, *, every: bool) -> None:
    """Count the rows of entries of one reader, read by one use."""
    facts = found.facts
    made = sorted(joined.lines, key=joined.lines.__getitem__)  # in the order of lines, as the first track counts
    texts = pl.Series(made, dtype=pl.String)
    verdicts, places = find_verdicts(use, texts)
    if verdicts.track is not None:
        found.add_track(joined.lines[made[verdicts.track]])
    if joined.texts:
        numbers = {text: number for number, text in enumerate(made)}
        of_entry = np.array([numbers[text] for text in joined.texts])
        of_row = np.repeat(of_entry, joined.sizes)
        facts.frames.add_one(use.place, code, len(of_entry))
        first = verdicts.first[of_entry if places is None else places[of_entry]]
        for rule, count in zip(*np.unique(first[first >= 0], return_counts=True), strict=True):
            facts.failed.add_one((use.place, verdicts.rules[rule]), code, int(count))
        parts = join_parts(joined.parts)
        hashes = np.array([crc32(text.encode()) for text in made], np.uint64)
        rows = Rows(parts.lines, texts.gather(of_row), hashes[of_row], np.full(parts.size, code), parts.moments)
        read = ReadRows(rows, None, use, verdicts, of_row if places is None else places[of_row], is_typed=True)
        count_totals(rows.codes, rows.moments, count_verdicts(read, facts), facts)
        if every:
            found.failing += list_failing(read)
    if joined.others:
        others = join_parts(joined.others)
        facts.uses.add_one(use.place, code, others.size)
        facts.first.add_one((use.place, _ONE_ENTRY), code, others.size)
        facts.tallies.add_one((use.place, _ONE_ENTRY), code, others.size)
        facts.add_pattern(code, use.place, (_ONE_ENTRY,), others.size)
        count_totals(np.full(others.size, code), others.moments, np.zeros(others.size, bool), facts)
        if every:
            moments = [None] * others.size if others.moments is None else others.moments.tolist()
            found.failing += [
                FailingRow(line, code, moment, text, use.place, _ONE_ENTRY)
                for line, moment, text in zip(others.lines.tolist(), moments, others.texts.tolist(), strict=True)
            ]


def _end_of(frames: Sequence[Frame]) -> int:
    """The place behind the last part of these frames."""
    return max(frame.covers[-1] for frame in frames) + 1


def _has_pause(moments: Sequence[int]) -> bool:
    """Whether nothing came for so long between two parts that the latter may begin another entry."""
    return any(other - one > _PAUSE_MICROS for one, other in pairwise(moments))
