"""Totals: what the facts of all files say of each reader, chain and layout."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Container, Mapping, Sequence
from itertools import groupby
from typing import Any

from credkit.audit.causes import MOST_READERS_DIAGNOSED, find_causes
from credkit.audit.changes import find_changes
from credkit.audit.entries import ONE_ENTRY_RULE
from credkit.audit.examples import MOST_EXAMPLES, find_example
from credkit.audit.facts import MOST_SAMPLED_TEXTS, Facts, FailurePattern, ReaderTotal, RegisterVerdict
from credkit.audit.failure_rates import lower_bound
from credkit.audit.formats import chain_periods, count_chains, has_check
from credkit.audit.notes import note_texts
from credkit.audit.plan import AuditPlan, ChainUse
from credkit.audit.summary import (
    CHECK,
    LENGTH,
    REFUSAL,
    ChainCount,
    Diagnosis,
    FailedTogether,
    FailingExample,
    RateChange,
    ReaderCount,
    ReaderNote,
    RegisterCount,
    RuleCount,
    TimeCounts,
    UndetectedErrors,
)
from credkit.audit.undetected_errors import CheckedFrames, error_key, estimate_undetected, layout_steps
from credkit.bulk import Rule
from credkit.bulk.words import Array
from credkit.files.times import to_datetime

REFUSALS = ("form", "alphabet", "range", "choice")  # rules about what a value is made of
RowsByRule = Mapping[tuple[int, Rule], int]  # rows by the use and the rule that they fail
MOST_COMBINATIONS = 5  # combinations of failed rules that are kept for a reader


class Totals:
    """What the facts of all files say of each reader."""

    def __init__(self, plan: AuditPlan, facts: Facts) -> None:
        self.plan = plan
        self.facts = facts
        self.names = plan.names if plan.site else facts.names

    def reader_counts(self) -> tuple[ReaderCount, ...]:
        """Every reader: those of a site in its order, others by name."""
        plan, facts = self.plan, self.facts
        over_time = self._over_time()
        meant = note_texts(plan)
        only = [owners.count_exclusive() for owners in facts.owners]
        worst = self._rank_failing()
        hints = self._hints(worst[:MOST_READERS_DIAGNOSED])
        examples = {code: self._example(code, facts.first.counts_of(code)) for code in worst[:MOST_EXAMPLES]}
        every = range(len(plan.uses))
        unchecked = {use.place for use in plan.uses if not has_check(use.codec)}
        found = []
        for code in range(len(self.names)) if plan.site else sorted(facts.readers, key=self._name):
            rows, good, first, last = facts.readers.get(code, ReaderTotal(0, 0, 0, 0))
            timed = bool(plan.columns.time and rows)
            here, changed = over_time.get(code, (TimeCounts(), ()))
            site = plan.site.readers[self.names[code]] if plan.site else None
            found.append(
                ReaderCount(
                    name=self.names[code],
                    chains=tuple(plan.uses[use].name for use in sorted(facts.uses.counts_of(code))),
                    rows=rows, good=good, failing=rows - good,
                    first=to_datetime(first) if timed else None, last=to_datetime(last) if timed else None,
                    repeated=facts.repeats[code], only_here=_count_exclusive(only, code),
                    tallies=self._tallies(facts.tallies.counts_of(code), facts.first.counts_of(code)),
                    together=_frequent_combinations(facts.patterns.get(code, {})),
                    notes=tuple(
                        ReaderNote(codec=codec, kind=kind, level=level, rows=count, text=meant.get((codec, kind), ""))
                        for (codec, kind, level), count in sorted(facts.notes.counts_of(code).items())
                    ),
                    changes=changed or (), unsteady=changed is None, hints=hints.get(code, ()), counts=here,
                    example=examples.get(code), stream=site.stream_text if site else "",
                    clock_offset=site.clock_offset.total_seconds() if site else 0.0, spells=chain_periods(site),
                    form_only=self._count_good(code, unchecked), register=self._count_register(code, every),
                    form_register=self._count_register(code, unchecked),
                )
            )  # fmt: skip
        return tuple(found)

    def _count_good(self, code: int, uses: Container[int]) -> int:
        """The good rows of a reader on some uses."""
        rows = sum(count for use, count in self.facts.uses.counts_of(code).items() if use in uses)
        return rows - sum(count for (use, _), count in self.facts.first.counts_of(code).items() if use in uses)

    def _count_register(self, code: int, uses: Container[int]) -> RegisterCount | None:
        """The good rows of a reader on some uses by what the register has of their number."""
        if self.plan.register is None:
            return None
        good = self._count_good(code, uses)
        counts: Counter[RegisterVerdict] = Counter()
        for (use, verdict), count in self.facts.compared.counts_of(code).items():
            counts[verdict] += count if use in uses else 0
        inactive, unknown, others = (
            counts[verdict]
            for verdict in (RegisterVerdict.INACTIVE, RegisterVerdict.UNKNOWN, RegisterVerdict.NOT_COMPARED)
        )
        return RegisterCount(
            active=good - inactive - unknown - others, inactive=inactive, unknown=unknown, not_compared=others
        )  # fmt: skip

    def _over_time(self) -> dict[int, tuple[TimeCounts, tuple[RateChange, ...] | None]]:
        """The counts of each reader over time, and their changes."""
        found = {}
        times: dict[bytes, tuple[int, ...]] = {}  # most readers have the same
        for code, (starts, rows, failing) in self.facts.bins.columns().items():
            written = starts.tobytes()
            if written not in times:
                times[written] = tuple(starts.tolist())
            counts = TimeCounts(
                seconds=self.facts.bins.width, starts=times[written], rows=tuple(rows.tolist()),
                failing=tuple(failing.tolist()),
            )  # fmt: skip
            found[code] = counts, find_changes(starts, rows, failing)
        return found

    def _name(self, code: int) -> tuple[Any, ...]:
        return natural_order(self.names[code])

    def _tallies(self, rows: RowsByRule, first: RowsByRule) -> tuple[RuleCount, ...]:
        return tuple(
            RuleCount(
                chain=self.plan.uses[use].name, step=rule.step, codec=rule.codec, rule=rule.rule,
                sort=LENGTH if rule.rule == "length" else REFUSAL if rule.rule in REFUSALS else CHECK,
                rows=rows[use, rule], first=first.get((use, rule), 0),
            )
            for use, rule in sorted(rows)
        )  # fmt: skip

    def _rank_failing(self) -> list[int]:
        """The readers that fail, those first that fail most often."""
        shares = {
            code: lower_bound(total.rows - total.good, total.rows)
            for code, total in self.facts.readers.items()
            if total.good < total.rows
        }
        return sorted(shares, key=lambda code: (-shares[code], self.names[code]))

    def _example(self, code: int, first: RowsByRule) -> FailingExample | None:
        """A failing text of a reader: one of the use and the first rule that most of its rows fail, if one was kept."""
        samples = dict(self._samples(code))
        kinds = sorted(first, key=lambda kind: (-first[kind], kind))
        found = (find_example(self.plan.uses[use], samples.get(use, ()), rule) for use, rule in kinds)
        return next((each for each in found if each is not None), None)

    def chain_counts(self) -> tuple[ChainCount, ...]:
        """Every chain through which rows were read."""
        uses = self.facts.uses
        return count_chains(self.plan, {(code, use): rows for use in uses for code, rows in uses.readers(use).items()})

    def _hints(self, worst: Sequence[int]) -> dict[int, tuple[Diagnosis, ...]]:
        """The diagnoses of the readers that fail most."""
        found: dict[int, tuple[Diagnosis, ...]] = {}
        for code in worst:
            diagnosed = (self._causes(code, self.plan.uses[use], texts) for use, texts in self._samples(code))
            found[code] = tuple(each for each in diagnosed if each is not None)
        return found

    def _samples(self, code: int) -> list[tuple[int, list[str]]]:
        """The sampled failing texts of a reader by use."""
        samples = self.facts.samples.items()
        return sorted((use, list(texts)) for (reader, use), texts in samples if reader == code)

    def _causes(self, code: int, use: ChainUse, texts: Sequence[str]) -> Diagnosis | None:
        rows = sum(
            count
            for (place, rule), count in self.facts.first.counts_of(code).items()
            if place == use.place and rule.rule != ONE_ENTRY_RULE
        )
        return find_causes(
            use.codec, texts, rows if len(texts) < MOST_SAMPLED_TEXTS else 0, use.kind.expect if use.kind else None,
            self._registered_values(use),
        )  # fmt: skip

    def _registered_values(self, use: ChainUse) -> Callable[[Any], bool] | None:
        """Whether the register has a value of a use; None where there is no register to compare with."""
        if self.plan.register is None or use.register is None or use.kind is None or use.space is None:
            return None
        numbers, key = self.plan.register.values(use.kind.namespace), use.space.key
        return lambda value: isinstance(value, Mapping) and tuple(map(value.get, key)) in numbers

    def undetected_errors(self) -> tuple[UndetectedErrors, ...]:
        """The undetected errors of the layouts of all chains; a layout in several chains counts once."""
        found: dict[object, CheckedFrames] = {}
        for use in self.plan.uses:
            for step, layout in layout_steps(use.codec):
                frames = self._checked_frames(use, step)
                if frames:
                    found.setdefault(error_key(layout), CheckedFrames(layout)).add(use.name, frames)
        return tuple(map(estimate_undetected, found.values()))

    def _checked_frames(self, use: ChainUse, step: int) -> dict[str, tuple[int, int]]:
        """For each reader the frames that got to a step of a use, and those that failed there."""
        frames = Counter(self.facts.frames.readers(use.place))
        failed: Counter[int] = Counter()
        for place, rule in self.facts.failed:
            if place == use.place:
                counts = self.facts.failed.readers((place, rule))
                if rule.step < step or (rule.step == step and rule.rule == "length"):
                    frames.subtract(counts)
                elif rule.step == step:
                    failed.update(counts)
        return {self.names[code]: (rows, failed[code]) for code, rows in frames.items() if rows}


def _count_exclusive(counts: Sequence[Array | None], code: int) -> int | None:
    """The numbers that only this reader read, in all namespaces; None if they were too many to count."""
    found = [None if each is None else int(each[code]) for each in counts]
    return None if None in found else sum(each for each in found if each is not None)


def _frequent_combinations(patterns: Mapping[FailurePattern, int]) -> tuple[FailedTogether, ...]:
    """The most frequent combinations of failed rules."""
    counts: Counter[tuple[str, ...]] = Counter()
    for pattern, count in patterns.items():
        counts[tuple(dict.fromkeys(rule.rule for rule in pattern.rules))] += count
    most = sorted(counts.items(), key=lambda item: (-item[1], item[0]))[:MOST_COMBINATIONS]
    return tuple(FailedTogether(rules=rules, rows=count) for rules, count in most)


def natural_order(name: str) -> tuple[Any, ...]:
    """A key that sorts gate-9 before gate-10.

    >>> sorted(["gate-10", "gate-9", "gate"], key=natural_order)
    ['gate', 'gate-9', 'gate-10']
    """
    found: list[Any] = []
    for digits, part in groupby(name, key=lambda char: char in "0123456789"):
        text = "".join(part)
        found.append((0, int(text[:64]), text) if digits else (1, 0, text))
    return tuple(found)
