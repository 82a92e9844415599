"""Entries: rows of readers that send parts, put together by the stream of the reader.

A keypad sends a row for each key, a logger rows of bits in which swipes begin and end anywhere. A
row is good if the one entry it belongs to is, and if nobody paused in it, as in the crosswalk. Rows are
taken in the order of their times. What may go on in the next piece of the file waits for it, with a few
parts before it, whose zeros may be its own; so an entry is not cut in two, and no more is kept than the
window of the order and one entry need.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from zlib import crc32

import numpy as np

from credkit.audit.piece_verdicts import BIN_SECONDS, BinColumns, FailingRow, FailurePattern, PieceVerdicts, ReaderTotal
from credkit.audit.plan import AuditPlan, ChainUse
from credkit.audit.secrets import find_payment
from credkit.audit.sources import CaptureFile
from credkit.audit.timeorder import EntryPart, TimeOrder
from credkit.bulk import Rule
from credkit.bulk.words import LIMB_BITS
from credkit.core.reading import AnyReading
from credkit.facts.expected_values import UNEXPECTED, is_expected
from credkit.files.times import MICROSECOND, SECOND_MICROS
from credkit.privacy.accounts import holds_track
from credkit.privacy.payment import payment_in_valid
from credkit.streams import LONGEST_KEY_PAUSE, Frame

MOST_OPEN_PARTS = 8192  # rows of an entry that is not finished
PARTS_KEPT_BEFORE = 16  # rows that are kept before what waits
ONE_ENTRY_RULE = "one-entry"


@dataclass(slots=True, kw_only=True)
class _OpenEntry:
    """Parts that wait for more; the first ``done`` of them are counted."""

    order: TimeOrder
    parts: list[EntryPart] = field(default_factory=list)
    done: int = 0


class EntryAssembler:
    """The rows of one file that streams have not made sense of yet."""

    def __init__(self, plan: AuditPlan, source: CaptureFile) -> None:
        self.plan = plan
        self.source = source
        self._waiting: dict[tuple[int, int], _OpenEntry] = {}

    def feed(self, found: PieceVerdicts, base: int) -> PieceVerdicts:
        """The verdicts on what is finished with the typed rows of a piece whose first line is ``base``.

        Raises `DefinitionError` for a row too far behind later rows of its reader.
        """
        fresh: set[tuple[int, int]] = set()
        for line, code, moment, text in found.typed:
            key = code, self._period_at(code, moment)
            waiting = self._waiting.get(key) or self._begin(key)
            part = waiting.order.push(EntryPart(moment, base + line, text))
            if part is not None:
                waiting.parts.append(part)
                fresh.add(key)
        return self._settle(fresh, last=False)

    def end(self) -> PieceVerdicts:
        """The verdicts on what is left at the end of the file."""
        for waiting in self._waiting.values():
            waiting.parts += waiting.order.drain()
        return self._settle(set(self._waiting), last=True)

    def _begin(self, key: tuple[int, int]) -> _OpenEntry:
        order = TimeOrder(self.source, self.plan.names[key[0]], self.plan.clock.zone)
        return self._waiting.setdefault(key, _OpenEntry(order=order))

    def _period_at(self, code: int, moment: int | None) -> int:
        periods = self.plan.periods_of_reader[code]
        return next(at for at, each in enumerate(periods) if moment is None or each.start <= moment < each.end)

    def _settle(self, keys: set[tuple[int, int]], *, last: bool) -> PieceVerdicts:
        found = PieceVerdicts(height=0)
        for code, period in sorted(keys):
            waiting = self._waiting[code, period]
            use = self.plan.uses[self.plan.periods_of_reader[code][period].use]
            parts, done = waiting.parts, waiting.done
            groups = [frames for frames in self._groups(code, parts) if _end_of(frames) > done]
            held = max((at for at, frames in enumerate(groups) if any(f.value is not None for f in frames)), default=0)
            held = min(held, len(groups) - 1)  # noise behind an entry does not end it
            full = last or len(parts) - done > MOST_OPEN_PARTS
            for frames in groups if full else groups[:held]:
                self._judge(code, use, parts, frames, found)
                done = _end_of(frames)
            start = done if full else max(done - PARTS_KEPT_BEFORE, 0)  # what was cut off in the middle is no zeros
            waiting.parts, waiting.done = parts[start:], done - start
        return found

    def _groups(self, code: int, parts: list[EntryPart]) -> Iterator[list[Frame]]:
        """The frames in ``parts``, in order; those that share rows, or stand within each other, in one list."""
        assert self.plan.site is not None
        stream = self.plan.site.readers[self.plan.names[code]].stream
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

    def _judge(
        self, code: int, use: ChainUse, parts: list[EntryPart], frames: list[Frame], found: PieceVerdicts
    ) -> None:
        """Count the rows of frames that belong together."""
        for frame in frames:
            if frame.value is not None and not use.not_payment:
                good = use.codec.inspect(frame.value).ok
                secret = payment_in_valid(use.codec, frame.value) if good else find_payment(use.codec, frame.value)
                line = parts[frame.covers[0]].line
                if secret.has_valid_track or holds_track(frame.value):
                    found.track = line if found.track is None else min(found.track, line)
        covered = Counter(place for frame in frames for place in set(frame.covers))
        for frame in frames:
            rows = sorted({place for place in frame.covers if covered[place] == 1})
            paused = _has_pause([parts[place].moment for place in frame.covers])
            self._count(code, use, parts, rows, None if paused else frame.value, found)
        self._count(code, use, parts, sorted(place for place, count in covered.items() if count > 1), None, found)

    def _count(
        self, code: int, use: ChainUse, parts: list[EntryPart], rows: list[int], value: str | None, found: PieceVerdicts
    ) -> None:
        if not rows:
            return
        rules: tuple[Rule, ...] = (Rule(-1, "stream", ONE_ENTRY_RULE),)
        fields = None
        kinds: set[tuple[str, str, str]] = set()
        if value is not None:
            reading = use.codec.inspect(value)
            rules = _failed_rules(reading)
            fields = None if rules else reading.value
            noted = [(step.codec, note) for step in reading.steps for note in step.reading.notes]
            for codec, note in () if rules else noted or [(use.name, note) for note in reading.notes]:
                kinds.add((codec, note.kind, note.level))
            if use.kind is not None and fields is not None and not is_expected(fields, use.kind.expect):
                kinds.add((use.kind.name, UNEXPECTED, "care"))
            for codec, kind, level in kinds:
                found.notes.add_one((codec, kind, level), code, len(rows))
            found.frames.add_one(use.place, code, 1)
            if rules:
                found.failed.add_one((use.place, rules[0]), code, 1)
        moments = [parts[row].moment for row in rows]
        times = [moment for moment in moments if moment is not None]
        far = np.iinfo(np.int64)
        total = ReaderTotal(
            len(rows), 0 if rules else len(rows), min(times, default=int(far.max)), max(times, default=int(far.min))
        )
        found.readers[code] = found.readers[code].plus(total) if code in found.readers else total
        found.uses.add_one(use.place, code, len(rows))
        if times:
            steps = Counter(moment // (BIN_SECONDS * SECOND_MICROS) for moment in times)
            keys = np.array([code << 40 | at for at in steps], np.int64)
            counts = np.array(list(steps.values()), np.int64)
            bins = BinColumns(keys, counts, counts if rules else np.zeros_like(counts))
            if found.bins is not None:
                bins = BinColumns(*(np.concatenate(pair) for pair in zip(found.bins, bins, strict=True)))
            found.bins = bins
        if rules:
            found.patterns[FailurePattern(code, use.place, rules)] += len(rows)
            found.first.add_one((use.place, rules[0]), code, len(rows))
            for rule in rules:
                found.tallies.add_one((use.place, rule), code, len(rows))
            for row, moment in zip(rows, moments, strict=True):
                text = parts[row].text if value is None else value
                found.failing.append(FailingRow(parts[row].line, code, moment, text, use.place, rules[0]))
            if value is not None:
                found.samples.setdefault((code, use.place), {})[value] = crc32(value.encode())
        elif fields is not None and use.space is not None:
            columns = {}
            for name, item in fields.items():
                small = isinstance(item, int) and item < 1 << LIMB_BITS
                columns[name] = np.array([item], np.uint64 if small else object)
            use.space.add(columns, np.array([code]), np.ones(1, bool))


def _end_of(frames: Sequence[Frame]) -> int:
    """The place behind the last part of these frames."""
    return max(max(frame.covers) for frame in frames) + 1


def _has_pause(moments: Sequence[int | None]) -> bool:
    """Whether nothing came for so long between two parts that the latter may begin another entry."""
    return any(
        one is not None and other is not None and (other - one) * MICROSECOND > LONGEST_KEY_PAUSE
        for one, other in pairwise(moments)
    )


def _failed_rules(reading: AnyReading) -> tuple[Rule, ...]:
    """The rules that fail in a reading, in their order."""
    steps = [step.reading for step in reading.steps] or [reading]
    return tuple(
        Rule(place, check.codec, check.rule)
        for place, step in enumerate(steps)
        for check in step.checks
        if not check.passed
    )
