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
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple
from zlib import crc32

import numpy as np
import polars as pl

from credkit.audit.facts import Facts
from credkit.audit.piece_verdicts import PieceVerdicts, TypedRows
from credkit.audit.plan import AuditPlan, ChainUse
from credkit.audit.row_counts import FailingRow, Rows, count_totals, count_verdicts, list_failing
from credkit.audit.text_verdicts import find_verdicts
from credkit.audit.timeorder import EntryPart, LateRow, TimeOrder
from credkit.bulk import Rule
from credkit.files.captures import FileLabel
from credkit.files.times import MICROSECOND
from credkit.streams import LONGEST_KEY_PAUSE, Frame

MOST_OPEN_PARTS = 8192  # rows of an entry that is not finished
PARTS_KEPT_BEFORE = 16  # rows that are kept before what waits
PARTS_JOINED_AT_ONCE = 4096  # rows of a stream that are joined to entries at once
ONE_ENTRY_RULE = "one-entry"
_ONE_ENTRY = Rule(-1, "stream", ONE_ENTRY_RULE)


@dataclass(slots=True, kw_only=True)
class _OpenEntry:
    """Parts that wait for more; the first ``done`` of them are counted, the last ``fresh`` came in since."""

    order: TimeOrder
    parts: list[EntryPart] = field(default_factory=list)
    done: int = 0
    fresh: int = 0

    def copy(self) -> _OpenEntry:
        return _OpenEntry(order=self.order.copy(), parts=[*self.parts], done=self.done, fresh=self.fresh)


class _Key(NamedTuple):
    """Whose rows are joined: a reader, and the place of one of its periods."""

    code: int
    period: int


class _Entry(NamedTuple):
    """Parts that belong together, and the text that they make; None where they are not exactly one entry."""

    text: str | None
    parts: Sequence[EntryPart]


@dataclass(slots=True, kw_only=True)
class _Joined:
    """What was joined of a reader: its entries, and every text that was made with the line on which it begins."""

    entries: list[_Entry] = field(default_factory=list)
    texts: list[tuple[int, str]] = field(default_factory=list)


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
            while ready:
                some = ready[: PARTS_JOINED_AT_ONCE - waiting.fresh]
                ready = ready[len(some) :]
                waiting.parts += some
                waiting.fresh += len(some)
                if waiting.fresh >= PARTS_JOINED_AT_ONCE:
                    _settle(plan, key, waiting, joined.setdefault(key, _Joined()), last=False)
        if late:
            raise min(late, key=lambda row: row.line).error
        return self._count(joined, plan)

    def end(self, plan: AuditPlan) -> PieceVerdicts:
        """The verdicts on what is left at the end of the file."""
        joined: dict[_Key, _Joined] = {}
        for key, waiting in sorted(self._waiting.items(), key=lambda item: item[0]):
            waiting.parts += waiting.order.drain()
            _settle(plan, key, waiting, joined.setdefault(key, _Joined()), last=True)
        return self._count(joined, plan)

    def _begin(self, key: _Key, plan: AuditPlan) -> _OpenEntry:
        order = TimeOrder(self._file, plan.names[key.code], plan.clock.zone)
        return self._waiting.setdefault(key, _OpenEntry(order=order))

    def _count(self, joined: dict[_Key, _Joined], plan: AuditPlan) -> PieceVerdicts:
        found = PieceVerdicts(height=0, facts=Facts(plan.spaces))
        found.facts.names = plan.names
        for (code, period), each in joined.items():
            _count_entries(code, plan.uses[plan.periods_of_reader[code][period].use], each, found, every=self._lists)
        return found


def _parts_by_key(rows: TypedRows, base: int, plan: AuditPlan) -> Iterator[tuple[_Key, list[EntryPart]]]:
    """The rows of each reader and period, in their order."""
    texts = np.array(rows.texts, object)
    for code in np.unique(rows.codes).tolist():
        left = rows.codes == code
        for place, period in enumerate(plan.periods_of_reader[code]):
            here = left if rows.moments is None else left & (rows.moments >= period.start) & (rows.moments < period.end)
            left = left & ~here
            moments = [None] * int(here.sum()) if rows.moments is None else rows.moments[here].tolist()
            lines = (rows.lines[here] + base).tolist()
            if lines:
                parts = zip(moments, lines, texts[here].tolist(), strict=True)
                yield _Key(code, place), list(map(EntryPart._make, parts))


def _settle(plan: AuditPlan, key: _Key, waiting: _OpenEntry, joined: _Joined, *, last: bool) -> None:
    """Join the entries that are finished, or all of them at the end of the file."""
    parts, done = waiting.parts, waiting.done
    groups = [frames for frames in _groups(plan, key.code, parts) if _end_of(frames) > done]
    held = max((at for at, frames in enumerate(groups) if any(f.value is not None for f in frames)), default=0)
    held = min(held, len(groups) - 1)  # noise behind an entry does not end it
    ready = groups if last else groups[: max(held, 0)]
    full = last or len(parts) - (_end_of(ready[-1]) if ready else done) > MOST_OPEN_PARTS
    for frames in groups if full else ready:
        _join(parts, frames, joined)
        done = _end_of(frames)
    start = done if full else max(done - PARTS_KEPT_BEFORE, 0)  # what was cut off in the middle is no zeros
    waiting.parts, waiting.done, waiting.fresh = parts[start:], done - start, 0


def _groups(plan: AuditPlan, code: int, parts: list[EntryPart]) -> Iterator[list[Frame]]:
    """The frames in ``parts``, in order; those that share rows, or stand within each other, in one list."""
    assert plan.site is not None
    stream = plan.site.readers[plan.names[code]].stream
    assert stream is not None
    group: list[Frame] = []
    reach = -1
    for frame in sorted(stream.frames(part.text for part in parts), key=lambda frame: frame.covers[0]):
        if group and frame.covers[0] > reach:
            yield group
            group = []
        group.append(frame)
        reach = max(reach, *frame.covers)
    if group:
        yield group


def _join(parts: list[EntryPart], frames: list[Frame], joined: _Joined) -> None:
    """Join the rows of frames that belong together."""
    shared: set[int] = set()
    if len(frames) > 1:
        covered = Counter(place for frame in frames for place in set(frame.covers))
        shared = {place for place, count in covered.items() if count > 1}
    for frame in frames:
        if frame.value is not None:
            joined.texts.append((parts[frame.covers[0]].line, frame.value))
        paused = _has_pause([parts[place].moment for place in frame.covers])
        own = [parts[place] for place in sorted(set(frame.covers) - shared)]
        if own:
            joined.entries.append(_Entry(None if paused else frame.value, own))
    if shared:
        joined.entries.append(_Entry(None, [parts[place] for place in sorted(shared)]))


def _count_entries(code: int, use: ChainUse, joined: _Joined, found: PieceVerdicts, *, every: bool) -> None:
    """Count the rows of entries of one reader, read by one use."""
    facts = found.facts
    lines: dict[str, int] = {}
    for line, text in sorted(joined.texts):  # in the order of lines, as the first track counts
        lines.setdefault(text, line)
    verdicts, places = find_verdicts(use, pl.Series([*lines], dtype=pl.String))
    if verdicts.track is not None:
        found.add_track([*lines.values()][verdicts.track])
    place_of = dict(zip(lines, range(len(lines)) if places is None else places.tolist(), strict=True))
    read = [entry for entry in joined.entries if entry.text is not None]
    of_entry = np.array([place_of[entry.text] for entry in read if entry.text is not None], np.int64)
    if read:
        facts.frames.add_one(use.place, code, len(read))
        first = verdicts.first[of_entry]
        for rule in first[first >= 0].tolist():
            facts.failed.add_one((use.place, verdicts.rules[rule]), code, 1)
        rows, sizes = _entry_rows(code, read)
        of_row = np.repeat(of_entry, sizes)
        good = count_verdicts(rows, use, verdicts, of_row, facts)
        count_totals(rows.codes, rows.moments, good, facts)
        if every:
            found.failing += list_failing(rows, use, verdicts, of_row)
    others = [part for entry in joined.entries if entry.text is None for part in entry.parts]
    if others:
        rows, _ = _entry_rows(code, [_Entry("", others)])
        facts.uses.add_one(use.place, code, len(others))
        facts.first.add_one((use.place, _ONE_ENTRY), code, len(others))
        facts.tallies.add_one((use.place, _ONE_ENTRY), code, len(others))
        facts.add_pattern(code, use.place, (_ONE_ENTRY,), len(others))
        count_totals(rows.codes, rows.moments, np.zeros(len(others), bool), facts)
        if every:
            found.failing += [
                FailingRow(part.line, code, part.moment, part.text, use.place, _ONE_ENTRY) for part in others
            ]


def _entry_rows(code: int, entries: Sequence[_Entry]) -> tuple[Rows, list[int]]:
    """The rows of entries, each with the text of its entry, and how many rows each entry has."""
    sizes = [len(entry.parts) for entry in entries]
    texts = [entry.text or "" for entry in entries]
    moments = [part.moment for entry in entries for part in entry.parts]
    of_row = np.repeat(np.arange(len(entries)), sizes)
    rows = Rows(
        lines=np.array([part.line for entry in entries for part in entry.parts], np.int64),
        texts=pl.Series(texts, dtype=pl.String).gather(of_row),
        hashes=np.array([crc32(text.encode()) for text in texts], np.uint64)[of_row],
        codes=np.full(len(moments), code, np.int64),
        moments=None if None in moments else np.array(moments, np.int64),
    )  # fmt: skip
    return rows, sizes


def _end_of(frames: Sequence[Frame]) -> int:
    """The place behind the last part of these frames."""
    return max(max(frame.covers) for frame in frames) + 1


def _has_pause(moments: Sequence[int | None]) -> bool:
    """Whether nothing came for so long between two parts that the latter may begin another entry."""
    return any(
        one is not None and other is not None and (other - one) * MICROSECOND > LONGEST_KEY_PAUSE
        for one, other in pairwise(moments)
    )
