"""Settings: which readers seem to be set otherwise than the site declares, and the chain that they seem to emit.

For a reader with failing texts, or with numbers that the register does not have, other chains are tried on the samples
of both: one that makes known numbers of most of them is proposed. When it was so is told by the counts over time. All
of it runs over samples and counts, and all of it is a proposal to check at the reader.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import product
from typing import NamedTuple

import numpy as np

from credkit.audit.changes import find_changes
from credkit.audit.entries import ONE_ENTRY_RULE
from credkit.audit.facts import Facts, RegisterVerdict
from credkit.audit.plan import AuditPlan, ChainUse
from credkit.bulk.words import Array
from credkit.core.codec import AnyCodec
from credkit.core.errors import CredkitError
from credkit.core.fields import Item
from credkit.explain.diagnosis import KEYBOARD_CAUSE
from credkit.site.model import Period, Reader
from credkit.work.cures import ReaderChain, cure_reader
from credkit.work.items import Sure
from credkit.work.other_chains import OtherChain, search_chains, usual_chains

LEAST_NUMBERS = 3  # different known numbers that a chain must make of the samples
LEAST_SHARE_UNRESOLVED = 0.02  # of a reader's rows, before chains are tried on them
LEAST_SHARE_SEARCHED = 0.1  # likewise, before every notation and layout is tried
LEAST_SHARE_EXPLAINED = 0.5  # of a sample, and of the rows of a time in which a chain is claimed
MOST_SHARE_RESOLVED = 0.1  # of the rows of a period that is claimed as a whole
MOST_READERS_TRIED = 40  # those with most unresolved rows
MOST_CONTROLS = 8  # known numbers by which a chain is compared with the declared one
NumberValues = tuple[Item, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherSetting:
    """A reader that seems to emit another chain: by it ``matched`` of ``sampled`` texts give numbers of the register.

    ``task`` says what that is, ``lines`` are ready for the site file. ``failing`` and ``unknown`` rows are of the times
    in which it seems to be so; ``others`` counts other chains that match as many.
    """

    task: str
    reader: str
    matched: int
    sampled: int
    others: int
    failing: int
    unknown: int
    lines: tuple[str, ...]
    sure: Sure = "likely"


class _Samples(NamedTuple):
    """The sampled texts of a reader on a use: failing ones, and those whose number the register does not have."""

    failing: list[str]
    unknown: list[str]


class _Match(NamedTuple):
    """A chain, and the known number that it makes of each sampled text."""

    other: OtherChain
    failing: tuple[NumberValues | None, ...]
    unknown: tuple[NumberValues | None, ...]

    @property
    def numbers(self) -> tuple[NumberValues, ...]:
        return tuple(each for each in (*self.failing, *self.unknown) if each is not None)

    @property
    def explains_failing(self) -> bool:
        return _share_known(self.failing) >= LEAST_SHARE_EXPLAINED

    @property
    def explains_unknown(self) -> bool:
        return _share_known(self.unknown) >= LEAST_SHARE_EXPLAINED


def _share_known(numbers: Sequence[NumberValues | None]) -> float:
    return sum(each is not None for each in numbers) / len(numbers) if numbers else 0.0


class _Stretch(NamedTuple):
    """Seconds since 1970, by the reader's own clock, in which most of its rows are unresolved; None is open."""

    start: int | None
    stop: int | None


def find_settings(plan: AuditPlan, facts: Facts) -> Iterator[OtherSetting]:
    """The readers that seem to be set otherwise than declared, as far as the register tells."""
    if plan.site is None or plan.register is None:
        return
    unresolved = {code: _count_unresolved(facts, code) for code in facts.readers}
    tried = sorted(
        (code for code, count in unresolved.items() if count >= LEAST_NUMBERS), key=lambda code: -unresolved[code]
    )[:MOST_READERS_TRIED]
    for code in sorted(tried):
        for use in plan.uses:
            samples = _Samples(*(list(kept.get((code, use.place), ())) for kept in (facts.samples, facts.strangers)))
            if use.register is not None and any(samples):
                found = _Trial(plan, facts, code, use, samples).run()
                if found is not None:
                    yield found


def _count_unresolved(facts: Facts, code: int) -> int:
    strange = sum(n for (_, why), n in facts.compared.counts_of(code).items() if why is RegisterVerdict.UNKNOWN)
    return facts.readers[code].rows - facts.readers[code].good + strange


class _Trial:
    """The chains that one reader may emit instead of that of a use."""

    def __init__(self, plan: AuditPlan, facts: Facts, code: int, use: ChainUse, samples: _Samples) -> None:
        assert plan.site is not None
        assert plan.register is not None
        assert use.kind is not None
        self.plan, self.facts, self.code, self.use, self.samples = plan, facts, code, use, samples
        self.site, self.kind = plan.site, use.kind
        self.reader: Reader = plan.site.readers[plan.names[code]]
        self.known = plan.register.values(use.kind.namespace)
        self.controls = plan.register.some_values(use.kind.namespace, MOST_CONTROLS)
        first = facts.first.counts_of(code)
        self.failing = sum(n for (at, rule), n in first.items() if at == use.place and rule.rule != ONE_ENTRY_RULE)
        self.unknown = facts.compared.counts_of(code).get((use.place, RegisterVerdict.UNKNOWN), 0)
        self.rows = facts.uses.counts_of(code)[use.place]

    def run(self) -> OtherSetting | None:
        """The setting that explains most; None where nothing does."""
        if self.failing + self.unknown < max(LEAST_NUMBERS, LEAST_SHARE_UNRESOLVED * self.rows):
            return None
        others = list(dict.fromkeys(
            period.codec
            for reader in self.site.readers.values() if reader.kind.namespace == self.kind.namespace
            for period in reader.periods if period.codec is not self.use.codec
        ))  # fmt: skip
        usual = usual_chains(self.use.codec, self.kind, others)
        matches = self._matches(usual)
        if not matches and self.failing + self.unknown >= LEAST_SHARE_SEARCHED * self.rows:
            texts = [*self.samples.failing, *self.samples.unknown]
            chains = [self.use.codec, self.kind.value, *others]
            searched, _ = search_chains(texts, self.kind, chains, self.known, len(usual))
            matches = self._matches(searched)
        if not matches:
            return None
        most = max(len(match.numbers) for match in matches)
        best = [match for match in matches if len(match.numbers) == most]
        return self._setting(best[0], sum(match[1:] != best[0][1:] for match in best[1:]))

    def _matches(self, others: Sequence[OtherChain]) -> list[_Match]:
        """Those of some chains that explain most of a sample."""
        found = []
        for other in others:
            match = _Match(other, *(tuple(self._number(other.codec, text) for text in part) for part in self.samples))
            if len(set(match.numbers)) >= LEAST_NUMBERS and (match.explains_failing or match.explains_unknown):
                found.append(match)
        return [match for match in found if not self._agrees(match.other.codec)]

    def _number(self, codec: AnyCodec, text: str) -> NumberValues | None:
        """The number of the register that a chain makes of a text."""
        fields = codec._decode_raw(text)
        if fields is None or not fields.keys() >= {*self.kind.key}:
            return None
        number = self.kind.number_in(fields)
        return number if number in self.known else None

    def _agrees(self, codec: AnyCodec) -> bool:
        """Whether a chain reads as the declared one does what that writes: then it only checks less."""
        alike = controls = 0
        for values in self.controls:
            try:
                text = self.use.codec.encode(dict(zip(self.kind.key, values, strict=True)))
            except CredkitError:
                continue
            controls += 1
            fields = codec._decode_raw(text) if isinstance(text, str) else None
            alike += fields is not None and fields.keys() >= {*self.kind.key} and self.kind.number_in(fields) == values
        return 2 * alike > controls > 0

    def _setting(self, match: _Match, others: int) -> OtherSetting:
        """What is claimed of the best match: for all of a period, for some time, or side by side with the declared."""
        failing, unknown = self.failing * match.explains_failing, self.unknown * match.explains_unknown
        is_order = match.other.cause not in ("", KEYBOARD_CAUSE)
        task, lines = "other-order" if is_order else "other-chain", tuple[str, ...]()
        periods = [period for period in self.reader.periods if period.codec is self.use.codec]
        if self.rows - failing - unknown <= MOST_SHARE_RESOLVED * self.rows:
            cures = [self._cure(match, period, period.start, period.end) for period in periods]
            lines = cure_reader(self.site, self.reader, cures)
        else:
            stretches = list(self._stretches(match))
            task = "re-set" if stretches else "two-settings"
            if stretches:
                failing, unknown = self._count_within(match, stretches)
                pairs = product(periods, stretches)
                cures = [cure for period, each in pairs for cure in self._cures_within(match, period, each)]
                lines = cure_reader(self.site, self.reader, cures)
        return OtherSetting(
            task=task, reader=self.reader.name, matched=len(match.numbers),
            sampled=len(match.failing) * match.explains_failing + len(match.unknown) * match.explains_unknown,
            others=others, failing=failing, unknown=unknown, lines=lines,
        )  # fmt: skip

    def _cure(self, match: _Match, period: Period, since: datetime | None, until: datetime | None) -> ReaderChain:
        return ReaderChain(
            reader=self.reader.name, chain=match.other.codec.name, since=since, until=until,
            explained=len(match.numbers), unresolved=sum(map(len, self.samples)),
        )  # fmt: skip

    def _cures_within(self, match: _Match, period: Period, stretch: _Stretch) -> Iterator[ReaderChain]:
        """The chain in that part of a period that a stretch covers."""
        start, stop = (
            None if each is None else datetime.fromtimestamp(each, UTC) + self.reader.clock_offset for each in stretch
        )
        since = max((each for each in (start, period.start) if each), default=None)
        until = min((each for each in (stop, period.end) if each), default=None)
        if since is None or until is None or since < until:
            yield self._cure(match, period, since, until)

    def _over_time(self, match: _Match) -> tuple[Array, Array, Array, Array]:
        """The counts of the reader over time: starts in seconds, rows, failing rows and rows of unknown cards."""
        starts, rows, failing = self.facts.bins.columns().get(self.code, (np.zeros(0, np.int64),) * 3)
        unknown = np.zeros(len(rows), np.int64)
        at, counts, _ = self.facts.strange_bins.columns().get(self.code, (np.zeros(0, np.int64),) * 3)
        np.add.at(unknown, np.searchsorted(starts, at, side="right") - 1, counts)
        return starts, rows, failing * match.explains_failing, unknown * match.explains_unknown

    def _stretches(self, match: _Match) -> Iterator[_Stretch]:
        """The times in which most rows of the reader are unresolved."""
        starts, rows, failing, unknown = self._over_time(match)
        changes = find_changes(starts, rows, failing + unknown)
        if not changes:
            return
        edges = [None, *(int(change.since.timestamp()) for change in changes), None]
        shares = [changes[0].before, *(change.after for change in changes)]
        for share, start, stop in zip(shares, edges[:-1], edges[1:], strict=True):
            if share >= 1 - MOST_SHARE_RESOLVED:
                yield _Stretch(start, stop)

    def _count_within(self, match: _Match, stretches: Sequence[_Stretch]) -> tuple[int, int]:
        """The failing rows and those of unknown cards in some stretches."""
        starts, _, failing, unknown = self._over_time(match)
        inside = np.zeros(len(starts), bool)
        for start, stop in stretches:
            inside |= (starts >= (starts[0] if start is None else start)) & (
                starts < (starts[-1] + 1 if stop is None else stop)
            )
        return int(failing[inside].sum()), int(unknown[inside].sum())
