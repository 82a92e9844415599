"""Allocation: unused numbers for new badges that duplicate no card at any target or reader.

Numbers are tried in order. A number is skipped if the register ever had it or would not read it back, if it is
reserved, if a target cannot hold it or would hold the same text for another card, if a reader cannot give it or would
give the same number for another card, or if it looks like a payment account number. Skipped numbers are listed with the
reason.

Number 0 is not given out: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby, islice

import numpy as np
import polars as pl

from credkit import bulk
from credkit.bulk.decoded_columns import decode_columns
from credkit.bulk.words import Array
from credkit.census.numbers import KindNumbers, PopulationNumbers
from credkit.census.ranges import FACILITY, NUMBER, as_integers, number_field
from credkit.census.result import Allocation, NewBadge, SkippedNumbers
from credkit.census.views import TruncatedView, can_give, encode_for_target, may_merge, truncated_views
from credkit.core.errors import DefinitionError
from credkit.core.sentences import format_count, nearest, redacted_repr
from credkit.facts.number_bits import chains_in_use
from credkit.facts.number_columns import KEY_PREFIX
from credkit.facts.target_columns import as_stored
from credkit.facts.texts import branches, is_rounded
from credkit.privacy.payment import payment_in_valid
from credkit.site.columns import load_existing
from credkit.site.model import CredentialKind, Site, Target

NUMBERS_TRIED_AT_ONCE = 1 << 12
MOST_NUMBERS_TRIED = 1 << 22
MOST_BADGES_WANTED = 1_000_000
FIRST_ISSUE = 1  # of a new card, where the issue is a part of its number


@dataclass(frozen=True, slots=True, kw_only=True)
class AllocationRequest:
    """A request for new numbers of a facility code and kind; ``reserved`` spans (ends included) are skipped."""

    count: int
    facility: int | None = None
    kind: str | None = None
    reserved: Sequence[tuple[int, int]] = ()


def allocate(site: Site, population: pl.DataFrame, numbers: PopulationNumbers, wanted: AllocationRequest) -> Allocation:
    """The numbers for new badges; raises `DefinitionError` for a request that the site cannot fulfil."""
    if not 1 <= wanted.count <= MOST_BADGES_WANTED:
        raise DefinitionError(f"allocate: {wanted.count} is not a count from 1 to {MOST_BADGES_WANTED:,}")
    kind = _choose_kind(site, wanted)
    row = number_field(site, kind.namespace)
    assert row is not None  # a bug here: `_choose_kind` lets no other pass
    search = _FreeNumberSearch(site, population, numbers, kind, wanted)
    badges: list[NewBadge] = []
    reasons: list[tuple[int, str]] = []
    start, last = row.least, min(row.most, row.least + MOST_NUMBERS_TRIED - 1)
    while start <= last and len(badges) < wanted.count:
        tried = np.arange(start, min(start + NUMBERS_TRIED_AT_ONCE, last + 1), dtype=np.uint64)
        for number, found in search.judge(tried):
            if isinstance(found, NewBadge):
                badges.append(found)
                if len(badges) == wanted.count:
                    break
            else:
                reasons.append((number, found))
        start += NUMBERS_TRIED_AT_ONCE
    remarks = list(search.remarks)
    if len(badges) < wanted.count:
        where = (
            f"up to {row.most:,}, where the field ends"
            if last == row.most
            else f"among the first {MOST_NUMBERS_TRIED:,}"
        )
        remarks.insert(0, f"only {len(badges):,} of {wanted.count:,} numbers were found {where}")
    return Allocation(
        kind=kind.name, facility=wanted.facility, wanted=wanted.count, badges=tuple(badges),
        skipped=tuple(_join_runs(reasons)), remarks=tuple(remarks),
    )  # fmt: skip


def _choose_kind(site: Site, wanted: AllocationRequest) -> CredentialKind:
    """The kind of the new badges."""
    able = {
        name: kind
        for name, kind in site.kinds.items()
        if number_field(site, kind.namespace) is not None
        and (FACILITY in kind.key) == (wanted.facility is not None)
        and set(kind.schema) <= {FACILITY, NUMBER, *filter(None, [kind.issue])}
    }
    fields = "a facility code and a number" if wanted.facility is not None else "a number without a facility code"
    if wanted.kind is not None:
        if wanted.kind not in site.kinds:
            raise DefinitionError(
                f"allocate: no kind is called {redacted_repr(wanted.kind)}{nearest(wanted.kind, site.kinds)}"
            )
        if wanted.kind not in able:
            hint = _hint_at_facility(site, [wanted.kind], wanted)
            raise DefinitionError(f"allocate: the number of a {redacted_repr(wanted.kind)} is not {fields}{hint}")
    if not able:
        hint = _hint_at_facility(site, site.kinds, wanted)
        raise DefinitionError(f"allocate: no kind of the site has {fields} below 2^63 as its number{hint}")
    if wanted.kind is None and len(able) > 1:
        hint = _hint_at_facility(site, site.kinds, wanted)
        raise DefinitionError(f"allocate: {', '.join(able)} have {fields}: choose one with --kind{hint}")
    kind = able[wanted.kind or next(iter(able))]
    row = kind.schema.get(FACILITY)
    if wanted.facility is not None and wanted.facility >> 64:
        raise DefinitionError(f"allocate: facility {redacted_repr(wanted.facility)} has more than 64 bits")
    if row is not None and (problem := row.problem(wanted.facility)):
        raise DefinitionError(f"allocate: {problem}")
    allowed = kind.expect.get(FACILITY)
    if allowed is not None and wanted.facility not in allowed:
        words = ", ".join(map(str, sorted(allowed)))
        raise DefinitionError(f"allocate: facility {wanted.facility} is not expected of {kind.name}, only {words}")
    return kind


def _hint_at_facility(site: Site, names: Iterable[str], wanted: AllocationRequest) -> str:
    """A hint to give a facility code where a kind has facility codes and the request has none."""
    kinds = [site.kinds[name] for name in names if FACILITY in site.kinds[name].key]
    if wanted.facility is not None or not kinds:
        return ""
    codes = ", ".join(map(str, sorted(kinds[0].expect.get(FACILITY, ()), key=str)))
    return f"; {kinds[0].name} has facility codes{f' ({codes})' if codes else ''}: choose one with --facility"


def _join_runs(reasons: Iterable[tuple[int, str]]) -> Iterator[SkippedNumbers]:
    """Consecutive numbers with the same reason, joined."""
    for (_, reason), run in groupby(enumerate(reasons), lambda each: (each[1][0] - each[0], each[1][1])):
        numbers = [number for _, (number, _) in run]
        yield SkippedNumbers(first=numbers[0], last=numbers[-1], reason=reason)


@dataclass(slots=True, kw_only=True)
class _TakenTexts:
    """The texts that a target would hold for existing cards, and those it holds today."""

    texts: set[object] = field(default_factory=set)
    exported: set[object] = field(default_factory=set)


class _FreeNumberSearch:
    """Decides which numbers are free, with the reason for each that is not."""

    def __init__(
        self,
        site: Site,
        population: pl.DataFrame,
        numbers: PopulationNumbers,
        kind: CredentialKind,
        wanted: AllocationRequest,
    ) -> None:
        self.kind = kind
        self.wanted = wanted
        writers = [codec for codec in branches(kind.value) if not codec.encode_obstacle]
        if not writers:
            raise DefinitionError(f"allocate: {kind.value.name} cannot write: {kind.value.encode_obstacle}")
        self.writers = writers
        self.used = _used_numbers(site, population, numbers, kind, wanted.facility)
        mine = numbers.kinds.get(kind.name)
        targets = [target for target in site.targets.values() if target.kind.name == kind.name]
        self.targets = [(target, _texts_of_target(target, mine, population)) for target in targets]
        truncating = [view for view in truncated_views(site) if view.reader.kind.name == kind.name]
        self.truncating = {
            view.name: (view, _values_of_view(view, mine, population)) for view in truncating if view.rest is not None
        }
        names = {reader.name: {codec.name for codec in chains_in_use(site, reader)} for reader in site.readers.values()}
        self.past_views = {view.name for view in truncating if view.codec.name not in names[view.reader.name]}
        self.whole_chains = [
            (reader.name, codec)
            for reader in site.readers.values()
            if reader.kind.name == kind.name
            for codec in chains_in_use(site, reader)
            if not codec.lossy
        ]
        kinds = [each.name for each in site.kinds.values() if each.namespace == kind.namespace]
        lines = population.filter(pl.col("kind").is_in(kinds))["line"]
        unread = int(lines.is_in([each.line for each in numbers.unreadable]).sum())
        self.remarks = [
            f"reader {view.name}: its duplicates are unknown, so a new number may be one of them"
            for view in truncating
            if view.rest is None
        ]
        if unread:
            rows = format_count(unread, "row")
            self.remarks.append(f"{rows} cannot be read: a new number may be the number of one of them")

    def judge(self, tried: Array) -> Iterator[tuple[int, NewBadge | str]]:
        """Each of the numbers ``tried`` with a badge, or with the reason for which it is skipped."""
        count = len(tried)
        columns = {FACILITY: np.full(count, self.wanted.facility or 0, np.uint64), NUMBER: tried}
        columns |= {self.kind.issue: np.full(count, FIRST_ISSUE, np.uint64)} if self.kind.issue else {}
        columns = {name: columns[name] for name in self.kind.schema}
        values, read = self.values(columns)
        texts = {target.name: encode_for_target(target, columns).to_list() for target, _ in self.targets}
        seen = {
            name: _view_values(view, pl.Series(values, dtype=pl.String), columns)
            for name, (view, _) in self.truncating.items()
        }
        number = pl.DataFrame([pl.Series(f"{KEY_PREFIX}{name}", columns[name]) for name in self.kind.key])
        able = [(name, can_give(codec, number).to_list()) for name, codec in self.whole_chains]
        for place, each in enumerate(tried.tolist()):
            reason = self.describe_taken(each) or self.describe_unwritable(values[place], bool(read[place]))
            reason = reason or next((f"reader {name} cannot give it" for name, rows in able if not rows[place]), "")
            reason = reason or self.describe_target_problem({name: rows[place] for name, rows in texts.items()})
            reason = reason or self.describe_reader_problem({name: rows[place] for name, rows in seen.items()})
            reason = reason or self.describe_refusal(
                values[place], {name: str(rows[place]) for name, rows in texts.items()}
            )
            if reason:
                yield each, reason
                continue
            for target, taken in self.targets:
                taken.texts.add(texts[target.name][place])
            for name, (_, given) in self.truncating.items():
                given.add(seen[name][place])
            yield (
                each,
                NewBadge(
                    facility=self.wanted.facility, number=each, value=values[place],
                    texts={name: rows[place] for name, rows in texts.items()},
                ),
            )  # fmt: skip

    def values(self, columns: Mapping[str, Array]) -> tuple[list[str], Array]:
        """How the register writes each number, empty if it cannot, and which of these texts it reads back.

        Of several chains the first one serves whose text is read back as the same number.
        """
        count = len(columns[NUMBER])
        found, good = [""] * count, np.zeros(count, bool)
        for writer in self.writers:
            rows = np.flatnonzero(~good)
            if not len(rows):
                break
            done = bulk.compile(writer).encode_or_null({name: columns[name][rows] for name in writer.schema})
            texts = pl.Series(done.values, dtype=pl.String).fill_null("")
            back = decode_columns(self.kind.value, texts)
            same = done.ok & back.ok
            for name, column in back.fields.items():
                same = same & (column == columns[name][rows])
            for row, text in zip(rows.tolist(), texts.to_list(), strict=True):
                found[row] = text or found[row]
            good[rows] = same
        return found, good

    def describe_unwritable(self, value: str, read: bool) -> str:
        """Why the register cannot hold a number as ``value``; ``read``: whether its chain decodes that text again."""
        if not value:
            return "the register cannot write it"
        if is_rounded(value):
            return "it would look like a number that a spreadsheet rounded"
        return "" if read else "the register would not read it back"

    def describe_taken(self, number: int) -> str:
        """Why a number is not free in the register."""
        if number == 0:
            return "number 0 is not given out"
        if any(first <= number <= last for first, last in self.wanted.reserved):
            return "reserved"
        return self.used.get(number, "")

    def describe_target_problem(self, texts: Mapping[str, str | None]) -> str:
        """The reason why a target cannot take a number; empty if it can."""
        for target, taken in self.targets:
            text = texts[target.name]
            if text is None:
                return f"target {target.name} cannot write it"
            if target.column.problem(text):
                return f"it does not fit in {target.column.declaration} of target {target.name}"
            if text in taken.texts:
                return f"target {target.name} would have the same text for another card"
            if text in taken.exported:
                return f"target {target.name} holds its text today"
        return ""

    def describe_reader_problem(self, seen: Mapping[str, object]) -> str:
        """Which reader cannot give a number, or gives the same one for another card."""
        for name, (_, taken) in self.truncating.items():
            if seen[name] is None and name not in self.past_views:
                return f"reader {name} cannot give it"
            if seen[name] is not None and seen[name] in taken:
                return f"reader {name} would take it for another card"
        return ""

    def describe_refusal(self, value: str, texts: Mapping[str, str]) -> str:
        """Why a number must not serve: what it looks like."""
        notes = self.kind.value.inspect(value).notes
        if self.kind.refuses and any(note.level == "refuse" for note in notes):
            return "its value must not serve"
        looks = (
            not (self.kind.not_payment or self.kind.declared) and payment_in_valid(self.kind.value, value).has_account
        )
        return "it looks like a payment account number" if looks else ""


def _used_numbers(
    site: Site, population: pl.DataFrame, numbers: PopulationNumbers, kind: CredentialKind, facility: int | None
) -> dict[int, str]:  # fmt: skip
    """The numbers that the register ever had, each with the state of its row."""
    frame = numbers.spaces.get(kind.namespace)
    if frame is None:
        return {}
    frame = as_integers(frame)
    if facility is not None:
        frame = frame.filter(pl.col(f"{KEY_PREFIX}{FACILITY}") == facility)
    facts = population.select("person", "state", "active", "late")[frame["row"]]
    frame = pl.DataFrame([frame[f"{KEY_PREFIX}{NUMBER}"], *facts.get_columns()])
    words = (
        pl.when(pl.col("late")).then(pl.lit("issued in a superseded row"))
        .when(pl.col("person").is_in(list(site.rules.pools))).then(pl.lit("issued to a pool"))
        .when(pl.col("active")).then(pl.lit("issued"))
        .otherwise(pl.concat_str(pl.lit("issued, "), "state"))
    )  # fmt: skip
    frame = frame.with_columns(words.alias("why")).sort("late", "active", descending=[False, True])
    first = frame.unique(f"{KEY_PREFIX}{NUMBER}", keep="first", maintain_order=True)
    return dict(zip(first[f"{KEY_PREFIX}{NUMBER}"].to_list(), first["why"].to_list(), strict=True))


def _rows_of_held_cards(population: pl.DataFrame, numbers: KindNumbers) -> Array:
    held: Array = population["held"].to_numpy()[numbers.rows]
    return held


def _texts_of_target(target: Target, numbers: KindNumbers | None, population: pl.DataFrame) -> _TakenTexts:
    taken = _TakenTexts()
    if numbers is not None and may_merge(target):
        texts = encode_for_target(target, numbers.fields).filter(pl.Series(_rows_of_held_cards(population, numbers)))
        taken.texts = set(texts.drop_nulls().to_list())
    if target.existing:
        taken.exported = set(as_stored(target, load_existing(target)["text"]).to_list())
    return taken


def _values_of_view(view: TruncatedView, numbers: KindNumbers | None, population: pl.DataFrame) -> set[object]:
    if numbers is None:
        return set()
    given = _view_values(view, numbers.values, numbers.fields)
    return {
        each
        for each, held in zip(given, _rows_of_held_cards(population, numbers).tolist(), strict=True)
        if held and each is not None
    }


def _view_values(view: TruncatedView, values: pl.Series, fields: Mapping[str, Array]) -> list[object]:
    """The values that a truncating reader gives for each row; None where it gives none."""
    columns, ok = view.numbers(values, fields)
    rows = zip(*(column.to_list() for column in columns), strict=True)
    return [row if good else None for row, good in zip(islice(rows, len(ok)), ok.tolist(), strict=True)]
