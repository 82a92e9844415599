"""Entries: rows of readers that send parts, put together by the stream of the reader.

A keypad sends a row for each key, a logger rows of bits in which swipes begin and end anywhere. A
row is good if the one entry it belongs to is, and if nobody paused in it, as in the crosswalk. Rows are
taken in the order of their times. What may go on in the next piece of the file waits for it, with a few
parts before it, whose zeros may be its own; so an entry is not cut in two, and no more is kept than the
window of the order and one entry need.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple
from zlib import crc32

import numpy as np

from credkit.audit.facts import Facts, ReaderTotal
from credkit.audit.piece_verdicts import FailingRow, PieceVerdicts, TypedRow
from credkit.audit.plan import AuditPlan, ChainUse
from credkit.audit.secrets import find_payment
from credkit.audit.time_bins import BIN_SECONDS
from credkit.audit.timeorder import EntryPart, TimeOrder
from credkit.bulk import Rule
from credkit.bulk.words import LIMB_BITS, Array
from credkit.core.reading import AnyReading
from credkit.facts.expected_values import UNEXPECTED, is_expected
from credkit.files.captures import FileLabel
from credkit.files.times import MICROSECOND, SECOND_MICROS
from credkit.privacy.accounts import holds_track
from credkit.privacy.payment import payment_in_valid
from credkit.streams import LONGEST_KEY_PAUSE, Frame

MOST_OPEN_PARTS = 8192  # rows of an entry that is not finished
PARTS_KEPT_BEFORE = 16  # rows that are kept before what waits
PARTS_JOINED_AT_ONCE = 4096  # rows of a stream that are joined to entries at once
MOST_TEXTS_KEPT = 1 << 14  # different texts whose verdicts are kept
ONE_ENTRY_RULE = "one-entry"


@dataclass(slots=True, kw_only=True)
class _OpenEntry:
    """Parts that wait for more; the first ``done`` of them are counted, the last ``fresh`` came in since."""

    order: TimeOrder
    parts: list[EntryPart] = field(default_factory=list)
    done: int = 0
    fresh: int = 0

    def copy(self) -> _OpenEntry:
        return _OpenEntry(order=self.order.copy(), parts=[*self.parts], done=self.done, fresh=self.fresh)


class EntryAssembler:
    """The rows of one file that streams have not made sense of yet.

    What it makes of them depends on the rows from the first one on, and not on how many are fed at once.
    """

    def __init__(self, file: FileLabel) -> None:
        self._file = file
        self._waiting: dict[tuple[int, int], _OpenEntry] = {}

    def copy(self) -> EntryAssembler:
        """One that waits for the same rows."""
        found = EntryAssembler(self._file)
        found._waiting = {key: waiting.copy() for key, waiting in self._waiting.items()}
        return found

    def feed(self, rows: Iterable[TypedRow], base: int, plan: AuditPlan) -> PieceVerdicts:
        """The verdicts on what is finished with these rows; their lines count from ``base``.

        Raises `DefinitionError` for a row too far behind later rows of its reader.
        """
        found = PieceVerdicts(height=0, facts=Facts(plan.spaces))
        found.facts.names = plan.names
        for line, code, moment, text in rows:
            key = code, _period_at(plan, code, moment)
            waiting = self._waiting.get(key) or self._begin(key, plan)
            part = waiting.order.push(EntryPart(moment, base + line, text))
            if part is not None:
                waiting.parts.append(part)
                waiting.fresh += 1
                if waiting.fresh >= PARTS_JOINED_AT_ONCE:
                    _settle(plan, key, waiting, found, last=False)
        return found

    def end(self, plan: AuditPlan) -> PieceVerdicts:
        """The verdicts on what is left at the end of the file."""
        found = PieceVerdicts(height=0, facts=Facts(plan.spaces))
        found.facts.names = plan.names
        for key, waiting in sorted(self._waiting.items(), key=lambda item: item[0]):
            waiting.parts += waiting.order.drain()
            _settle(plan, key, waiting, found, last=True)
        return found

    def _begin(self, key: tuple[int, int], plan: AuditPlan) -> _OpenEntry:
        order = TimeOrder(self._file, plan.names[key[0]], plan.clock.zone)
        return self._waiting.setdefault(key, _OpenEntry(order=order))


def _period_at(plan: AuditPlan, code: int, moment: int | None) -> int:
    periods = plan.periods_of_reader[code]
    return next(at for at, each in enumerate(periods) if moment is None or each.start <= moment < each.end)


def _settle(plan: AuditPlan, key: tuple[int, int], waiting: _OpenEntry, found: PieceVerdicts, *, last: bool) -> None:
    """Count the entries that are finished, or all of them at the end of the file."""
    code, period = key
    use = plan.uses[plan.periods_of_reader[code][period].use]
    parts, done = waiting.parts, waiting.done
    groups = [frames for frames in _groups(plan, code, parts) if _end_of(frames) > done]
    held = max((at for at, frames in enumerate(groups) if any(f.value is not None for f in frames)), default=0)
    held = min(held, len(groups) - 1)  # noise behind an entry does not end it
    ready = groups if last else groups[: max(held, 0)]
    full = last or len(parts) - (_end_of(ready[-1]) if ready else done) > MOST_OPEN_PARTS
    for frames in groups if full else ready:
        _judge(code, use, parts, frames, found)
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


def _judge(code: int, use: ChainUse, parts: list[EntryPart], frames: list[Frame], found: PieceVerdicts) -> None:
    """Count the rows of frames that belong together."""
    for frame in frames:
        if frame.value is not None and _judge_text(use, frame.value).holds_track:
            line = parts[frame.covers[0]].line
            found.track = line if found.track is None else min(found.track, line)
    covered = Counter(place for frame in frames for place in set(frame.covers))
    for frame in frames:
        rows = sorted({place for place in frame.covers if covered[place] == 1})
        paused = _has_pause([parts[place].moment for place in frame.covers])
        _count(code, use, parts, rows, None if paused else frame.value, found)
    _count(code, use, parts, sorted(place for place, count in covered.items() if count > 1), None, found)


def _count(
    code: int, use: ChainUse, parts: list[EntryPart], rows: list[int], value: str | None, found: PieceVerdicts
) -> None:
    if not rows:
        return
    facts = found.facts
    rules: tuple[Rule, ...] = (Rule(-1, "stream", ONE_ENTRY_RULE),)
    numbers = None
    if value is not None:
        verdict = _judge_text(use, value)
        rules, numbers = verdict.rules, verdict.numbers
        for note in verdict.notes:
            facts.notes.add_one(note, code, len(rows))
        facts.frames.add_one(use.place, code, 1)
        if rules:
            facts.failed.add_one((use.place, rules[0]), code, 1)
    moments = [parts[row].moment for row in rows]
    times = [moment for moment in moments if moment is not None]
    far = np.iinfo(np.int64)
    total = ReaderTotal(
        len(rows), 0 if rules else len(rows), min(times, default=int(far.max)), max(times, default=int(far.min))
    )
    facts.add_total(code, total)
    facts.uses.add_one(use.place, code, len(rows))
    if times:
        steps = Counter(moment // (BIN_SECONDS * SECOND_MICROS) for moment in times)
        keys = np.array([code << 40 | at for at in steps], np.int64)
        counts = np.array(list(steps.values()), np.int64)
        facts.bins.add(keys, counts, counts if rules else np.zeros_like(counts))
    if rules:
        facts.add_pattern(code, use.place, rules, len(rows))
        facts.first.add_one((use.place, rules[0]), code, len(rows))
        for rule in rules:
            facts.tallies.add_one((use.place, rule), code, len(rows))
        for row, moment in zip(rows, moments, strict=True):
            text = parts[row].text if value is None else value
            found.failing.append(FailingRow(parts[row].line, code, moment, text, use.place, rules[0]))
        if value is not None:
            facts.add_sample(code, use.place, {value: crc32(value.encode())})
    elif numbers is not None and use.space is not None:
        facts.owners[use.space.place].add(numbers | np.uint64(code))


class _TextVerdict(NamedTuple):
    """What a text of an entry is worth: failed rules, notes, its number without a reader, and a payment track."""

    rules: tuple[Rule, ...]
    notes: frozenset[tuple[str, str, str]]
    numbers: Array | None
    holds_track: bool


@lru_cache(maxsize=MOST_TEXTS_KEPT)
def _judge_text(use: ChainUse, text: str) -> _TextVerdict:
    """The verdict on a text, which the same card gives again and again."""
    reading = use.codec.inspect(text)
    rules = _failed_rules(reading)
    fields = None if rules else reading.value
    noted = [(step.codec, note) for step in reading.steps for note in step.reading.notes]
    noted = noted or [(use.name, note) for note in reading.notes]
    notes = {(codec, note.kind, note.level) for codec, note in noted if not rules}
    if use.kind is not None and fields is not None and not is_expected(fields, use.kind.expect):
        notes.add((use.kind.name, UNEXPECTED, "care"))
    numbers = None
    if fields is not None and use.space is not None:
        columns = {}
        for name, item in fields.items():
            small = isinstance(item, int) and item < 1 << LIMB_BITS
            columns[name] = np.array([item], np.uint64 if small else object)
        numbers = use.space.owned_numbers(columns, np.zeros(1, np.int64), np.ones(1, bool))
    track = False
    if not use.not_payment:
        secret = payment_in_valid(use.codec, text) if reading.ok else find_payment(use.codec, text)
        track = secret.has_valid_track or holds_track(text)
    return _TextVerdict(rules, frozenset(notes), numbers, track)


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
