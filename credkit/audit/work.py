"""Work: what people do about an audit, one item for each cause, with all its effects.

Each failing row and each row of an unknown card belongs to one item: that of its reader's setting, where another chain
explains it, or what is left. All of it is told from counts and samples, never from rows.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace

import polars as pl

from credkit.audit.altered_rows import WORDS as ALTERATIONS
from credkit.audit.altered_rows import find_altered
from credkit.audit.entries import ONE_ENTRY_RULE
from credkit.audit.facts import Facts
from credkit.audit.plan import AuditPlan
from credkit.audit.sentences import describe_causes, describe_change, name_nameless, name_of_nameless
from credkit.audit.settings import OtherSetting
from credkit.audit.single_fields import find_single_fields
from credkit.audit.summary import Audit, Diagnosis, ReaderCount
from credkit.audit.tasks import TASKS
from credkit.core.sentences import format_count, redacted_repr
from credkit.facts.expected_values import UNEXPECTED
from credkit.facts.statuses import EXPIRED
from credkit.site.standins import has_no_chain
from credkit.work.filelines import NO_LINES, FileLines
from credkit.work.items import Effect, Sure, WorkItem, sort_items

SPREADSHEET_CAUSES = ("spreadsheet", "lost-zeros")  # likely causes that are an item of their own
MOST_READERS_WITH_ITEM = 20  # readers whose failing rows are an item of their own
MOST_READERS_NAMED = 5  # in a sentence
LEAST_SHARE_STRANGE = 0.5  # of a reader's rows that are of unknown cards, for an item of its own
LEAST_STRANGE = 3  # rows, likewise
LEAST_SHARE_CAUSED = 0.5  # of a sample that one cause explains, for its chain to be proposed


def list_work(audit: Audit, plan: AuditPlan, facts: Facts, settings: Sequence[OtherSetting]) -> tuple[WorkItem, ...]:
    """The items of work, in their order."""
    return sort_items(_Work(name_nameless(audit), plan, facts, settings).items(), TASKS)


class _Work:
    """The causes in an audit."""

    def __init__(self, audit: Audit, plan: AuditPlan, facts: Facts, settings: Sequence[OtherSetting]) -> None:
        self.audit, self.plan, self.facts, self.settings = audit, plan, facts, settings
        names = plan.names if plan.site else facts.names
        self.names = [name or name_of_nameless(audit) for name in names]
        self.explained: dict[str, Counter[str]] = defaultdict(Counter)  # by reader: rows that have an item
        self.reset = {each.reader for each in settings}  # readers that another chain explains
        self.single = set[str]()  # readers that send one value of a field for all cards
        for each in settings:
            self.explained[each.reader].update(failing=each.failing, unknown=each.unknown)

    def items(self) -> Iterator[WorkItem]:
        """All items, in no order."""
        yield from self._inactive()
        yield from map(self._setting, self.settings)
        yield from self._single_fields()
        yield from self._altered()
        yield from self._failing()
        yield from self._unknown()
        yield from self._notes()
        yield from self._files()
        if self.audit.register_fault:
            yield _make("no-register", f"{self.audit.register_fault}.")
        elif self.audit.register is None and self.audit.form_only:
            readers = [each for each in self.audit.readers if each.form_only]
            yield _make("nothing-checks", readings=self.audit.form_only, readers=len(readers))

    def _inactive(self) -> Iterator[WorkItem]:
        """The cards that are not active and still read."""
        register = self.plan.register
        if register is None or not self.facts.inactive:
            return
        namespaces = {use.space.place: use.kind.namespace for use in self.plan.uses if use.kind and use.space}
        numbers: dict[str, list[int]] = defaultdict(list)
        for place, number in self.facts.inactive:
            numbers[namespaces[place]].append(number)
        rows = pl.concat([register.rows_with(name, mine) for name, mine in numbers.items()])
        is_active = pl.col("status").is_in(list(self.plan.site.rules.active if self.plan.site else ()))
        state = pl.when(is_active).then(pl.lit(EXPIRED)).otherwise("status").alias("state")
        counts = rows.group_by(state).agg(pl.col("credential").n_unique()).sort("credential", "state", descending=True)
        count = sum(self.facts.inactive.values())
        yield _make(
            "inactive-read", readings=count, readers=self._count_readers("inactive"),
            people=rows["person"].n_unique(), credentials=rows["credential"].n_unique(),
            evidence=", ".join(f"{cards:,} {redacted_repr(state)}" for state, cards in counts.iter_rows()),
            rows=FileLines({register.file: rows["line"].to_list()}),
            ends=(Effect(code="inactive", count=count, noun="reading"),),
        )  # fmt: skip

    def _count_readers(self, verdict: str) -> int:
        return sum(bool(each.register and getattr(each.register, verdict)) for each in self.audit.readers)

    def _setting(self, found: OtherSetting) -> WorkItem:
        """The item of a reader that another chain explains."""
        also = f"; {found.others:,} other chain{'s fit' if found.others > 1 else ' fits'} as well" * bool(found.others)
        times = "; times to 10 minutes" * (found.task == "re-set")
        counts = {"failing": found.failing, "unknown": found.unknown}
        return _make(
            found.task, found.reader, readings=found.failing + found.unknown, lines=found.lines,
            evidence=f"with it, {found.matched} of {found.sampled} sampled texts match known cards{also}{times}",
            ends=tuple(
                Effect(code=code, count=count, noun="reading", at_most=True) for code, count in counts.items() if count
            ),
        )  # fmt: skip

    def _left_failing(self, reader: ReaderCount) -> int:
        """The failing rows of a reader that have no item so far, but for incomplete entries."""
        return reader.failing - _count_torn(reader) - self.explained[reader.name]["failing"]

    def _left_unknown(self, reader: ReaderCount) -> int:
        """The rows of unknown cards of a reader that have no item so far, but for unexpected values."""
        if reader.register is None:
            return reader.good
        strange = sum(note.rows for note in reader.notes if note.kind == UNEXPECTED)
        left = reader.register.unknown - self.explained[reader.name]["unknown"]
        return left if reader.name in self.single else left - strange

    def _single_fields(self) -> Iterator[WorkItem]:
        """The readers that send one value of a field for all cards."""
        for found in find_single_fields(self.plan, self.facts):
            if found.reader in self.reset:
                continue
            self.explained[found.reader].update(unknown=found.unknown)
            self.single.add(found.reader)
            others = " or ".join(map(redacted_repr, found.others))
            yield _make(
                "single-facility", found.reader, readings=found.unknown,
                evidence=f"every number read has {found.name} {redacted_repr(found.value)}; {found.matched} of "
                f"{found.sampled} sampled unknown numbers match known cards with {found.name} {others}",
                ends=(Effect(code="unknown", count=found.unknown, noun="reading", at_most=True),),
            )  # fmt: skip

    def _altered(self) -> Iterator[WorkItem]:
        """The rows that a spreadsheet altered, and the columns that it may have rounded."""
        kinds, readers, ends = Counter[str](), Counter[str](), Counter[str]()
        rows = {each.name: each for each in self.audit.readers}
        for found in find_altered(self.plan, self.facts, self.names):
            if found.doubtful:
                yield _make(
                    "maybe-rounded", found.reader, readings=found.doubtful,
                    evidence=f"{found.reader}: {'; '.join(found.doubts)}",
                )  # fmt: skip
            unknown, failing = self._left_unknown(rows[found.reader]), self._left_failing(rows[found.reader])
            if found.rows and found.failing <= failing and found.unknown <= unknown:  # else a setting explains them
                kinds += found.kinds
                readers[found.reader] = found.rows
                ends.update(failing=found.failing, unknown=found.unknown)
                self.explained[found.reader].update(failing=found.failing, unknown=found.unknown)
        if readers:
            files = self.audit.files
            what = ", ".join(f"{count:,} {ALTERATIONS[kind]}" for kind, count in kinds.most_common())
            yield _make(
                "spreadsheet-damage", files[0].name if len(files) == 1 else f"{len(files):,} files",
                readings=sum(readers.values()), readers=len(readers), evidence=f"{what}; {_name_readers(readers)}",
                ends=tuple(Effect(code=code, count=count, noun="reading") for code, count in ends.items() if count),
            )  # fmt: skip

    def _failing(self) -> Iterator[WorkItem]:
        """The failing rows that no setting explains, reader by reader; incomplete entries apart from others."""
        others = Counter[str]()
        for place, reader in enumerate(sorted(self.audit.readers, key=lambda each: -each.failing)):
            torn, left = _count_torn(reader), self._left_failing(reader)
            if place >= MOST_READERS_WITH_ITEM:
                others.update({reader.name: torn + left} if torn + left else {})
                continue
            if torn:
                yield _make("incomplete-entry", reader.name, readings=torn, ends=_failing_end(torn))
            if left > 0:
                yield self._failing_reader(reader, left)
        if others:
            count = sum(others.values())
            yield _make("others-failing", readings=count, readers=len(others), ends=_failing_end(count))

    def _failing_reader(self, reader: ReaderCount, left: int) -> WorkItem:
        """The failing rows of a reader that are left, with their likely cause and since when."""
        parts, task, lines = list[str](), "failing", tuple[str, ...]()
        sure: Sure = "certain"
        site = self.plan.site
        if site is not None and has_no_chain(site.readers[reader.name]):
            task = "no-chain"
        elif reader.name not in self.reset:
            for hints in self._other_hints(reader):
                cause = describe_causes(replace(hints, advice="", lengths=()))
                parts.append(cause.removeprefix("likely ").removesuffix("."))
                lines = lines or self._likely_chains(reader, hints)
            task = "likely-chain" if lines else task
            if reader.changes:
                parts.append(describe_change(reader.changes[-1], self.plan.clock.zone))
            sure = "likely" if any(hints.causes for hints in self._other_hints(reader)) else "certain"
        return _make(
            task, reader.name, readings=left, evidence="; ".join(parts), lines=lines, sure=sure, ends=_failing_end(left)
        )

    def _other_hints(self, reader: ReaderCount) -> list[Diagnosis]:
        """The diagnoses of a reader, without what a spreadsheet did where that has an item."""
        told = SPREADSHEET_CAUSES if self.explained[reader.name] else ()
        return [
            replace(hints, causes=tuple(cause for cause in hints.causes if cause.cause not in told))
            for hints in reader.hints
        ]

    def _likely_chains(self, reader: ReaderCount, hints: Diagnosis) -> tuple[str, ...]:
        """The chains by which the likeliest causes would be undone, where most rows of a reader fail without a site."""
        if self.plan.site is not None or reader.failing <= LEAST_SHARE_CAUSED * reader.rows:
            return ()
        most = max((cause.explains for cause in hints.causes), default=0)
        best = [cause for cause in hints.causes if cause.explains == most]
        return tuple(f"{each.chain}  ({each.text})" for each in best) if all(each.chain for each in best) else ()

    def _unknown(self) -> Iterator[WorkItem]:
        """The rows of unknown cards that no setting explains."""
        left: Counter[str] = Counter()
        for reader in self.audit.readers:
            if reader.register is None:
                continue
            count = self._left_unknown(reader)
            if count >= max(LEAST_STRANGE, LEAST_SHARE_STRANGE * reader.rows):
                yield _make("strange-reader", reader.name, readings=count, ends=_unknown_end(count))
            elif count > 0:
                left[reader.name] = count
        if left:
            count = sum(left.values())
            yield _make(
                "unknown-card",
                readings=count,
                readers=len(left),
                evidence=_name_readers(left),
                ends=_unknown_end(count),
            )

    def _notes(self) -> Iterator[WorkItem]:
        """The numbers that must not serve, and values that the site does not expect."""
        refused, strange, kinds = Counter[str](), Counter[str](), Counter[str]()
        for reader in self.audit.readers:
            for note in reader.notes:
                if note.kind == UNEXPECTED and reader.name not in self.single:
                    strange[reader.name] += note.rows
                elif note.level == "refuse":
                    refused[reader.name] += note.rows
                    kinds[note.kind] += note.rows
        if refused:
            yield _make(
                "refused-value", readings=sum(refused.values()), readers=len(refused),
                evidence=", ".join(f"{count:,} {kind}" for kind, count in kinds.most_common()),
            )  # fmt: skip
        if strange:
            yield _make(
                "unexpected-value",
                readings=sum(strange.values()),
                readers=len(strange),
                evidence=_name_readers(strange),
            )

    def _files(self) -> Iterator[WorkItem]:
        """The rows that are wrong in themselves, and files that were not read to their end."""
        for file in self.audit.files:
            if file.unreadable:
                ends = (Effect(code="unreadable", count=file.unreadable, noun="row"),)
                evidence = f"first {file.faults[0]}" if file.faults else ""
                yield _make("unreadable-rows", file.name, readings=file.unreadable, evidence=evidence, ends=ends)
            if file.ended:
                yield _make("not-to-end", file.name, evidence=file.ended)


def _make(
    task: str, subject: str = "", *, people: int = 0, credentials: int = 0, readings: int = 0, readers: int = 0,
    sure: Sure | None = None, evidence: str = "", lines: tuple[str, ...] = (), rows: FileLines = NO_LINES,
    ends: tuple[Effect, ...] = (),
) -> WorkItem:  # fmt: skip
    """An item with the words of its task."""
    words = TASKS[task]
    return WorkItem(
        task=task, subject=subject, title=words.title.format(subject=subject), act=words.act.format(subject=subject),
        people=people, credentials=credentials, readings=readings, readers=readers, sure=sure or words.sure,
        evidence=evidence, lines=lines, rows=rows, ends=ends,
    )  # fmt: skip


def _count_torn(reader: ReaderCount) -> int:
    """The rows of entries that are not complete."""
    return sum(tally.first for tally in reader.tallies if tally.rule == ONE_ENTRY_RULE)


def _failing_end(count: int) -> tuple[Effect, ...]:
    return (Effect(code="failing", count=count, noun="reading"),)


def _unknown_end(count: int) -> tuple[Effect, ...]:
    return (Effect(code="unknown", count=count, noun="reading"),)


def _name_readers(counts: Counter[str]) -> str:
    """The readers with most rows, and how many others there are.

    >>> _name_readers(Counter({"crane": 180, "yard": 31}))
    'crane 180, yard 31'
    """
    some = ", ".join(f"{name} {count:,}" for name, count in counts.most_common(MOST_READERS_NAMED))
    more = len(counts) - MOST_READERS_NAMED
    return f"{some} and {format_count(more, 'other reader')}" if more > 0 else some
