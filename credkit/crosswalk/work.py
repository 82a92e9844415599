"""Work: what people do about a crosswalk, one item for each cause, with all its effects.

Every held line and every exception but those that are `SETTLED` belongs to exactly one item. What another setting of
a reader explains is that reader's; what a target holds of a card that is not active is told with the readings of it;
values that a spreadsheet may have rounded stand with those of the file that it did alter.
Items count people and cards once each, from the lines. Those of security come first, then those that lines of the
site file cure, then the others by the people that one act helps; what helps most stands before what helps less.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import NamedTuple

import polars as pl

from credkit.core.sentences import format_count, join_values, redacted_repr
from credkit.core.whitespace import WHITE_SPACE
from credkit.crosswalk.linetable import WRITTEN_ACTIONS, LineTable
from credkit.crosswalk.readers import ReaderFindings
from credkit.crosswalk.relatedrows import RelatedRows
from credkit.crosswalk.result import READER_CODES, CardCounts, Finding
from credkit.crosswalk.tasks import ABOUT, FACT_TASKS, INACTIVE_TASKS, SETTLED, TASK_OF, TASKS
from credkit.facts.exceptions import ExceptionRow
from credkit.facts.statuses import ACTIVE
from credkit.files.declaredfiles import CsvFile
from credkit.site.model import Site
from credkit.site.nearids import near_keys
from credkit.site.rows import is_guarded
from credkit.site.standins import find_doubted_statuses, has_no_chain
from credkit.work.cures import cure_reader, strip_lines
from credkit.work.filelines import NO_LINES, FileLines
from credkit.work.items import Effect, WorkItem, sort_items

GUARDED_CODES = ("unreadable-value", "unreadable", "check-failed", "existing-unmatched")  # of a number behind a '
FAILING_CODES = ("check-failed", "unreadable", "unknown-card", "unexpected-value")  # that a setting of a reader causes


def count_cards(lines: LineTable) -> CardCounts:
    """The cards of a crosswalk, each counted once."""
    frame = lines.select("credential", "action").lazy()
    held = frame.filter(pl.col("action") == "hold").select("credential").unique()
    written = frame.filter(pl.col("action").is_in(WRITTEN_ACTIONS)).select("credential").unique()
    counts = pl.collect_all([
        frame.select(pl.col("credential").n_unique()), held.select(pl.len()),
        written.join(held, on="credential", how="anti").select(pl.len()),
    ])  # fmt: skip
    every, stopped, ready = (int(count.item()) for count in counts)
    return CardCounts(ready=ready, held=stopped, idle=every - stopped - ready)


class _Cause(NamedTuple):
    """A task, and the subject by which its items are told apart."""

    task: str
    subject: str


@dataclass(slots=True)
class _Effects:
    """What a cause does: lines held, exceptions, findings, and credentials that its readings would show."""

    held: list[pl.DataFrame] = field(default_factory=list)
    exceptions: list[ExceptionRow] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    credentials: set[str] = field(default_factory=set)


def list_work(
    site: Site, findings: Sequence[Finding], lines: LineTable, exceptions: Iterable[ExceptionRow],
    reader_findings: ReaderFindings, related: RelatedRows,
) -> tuple[WorkItem, ...]:  # fmt: skip
    """The items of work, in their order."""
    return _Work(site, findings, lines, reader_findings, related).run(exceptions)


class _Work:
    """The causes that were found so far, each with its effects."""

    def __init__(
        self, site: Site, findings: Sequence[Finding], lines: LineTable, reader_findings: ReaderFindings,
        related: RelatedRows,
    ) -> None:  # fmt: skip
        self.site, self.findings, self.related = site, findings, related
        self.frame = lines.select("line", "person", "credential", "kind", "status", "target", "action", "code")
        self.causes: dict[_Cause, _Effects] = defaultdict(_Effects)
        self.explained = {
            line: (sighting.reader.name, credentials)
            for sighting, credentials in reader_findings.explained.items()
            for line in sighting.lines
        }
        self.like_payment = {
            line for each in findings if each.code == "like-payment" for line in each.rows.of(site.readings.name)
        }
        self.guarded: dict[str, set[int]] = defaultdict(set)
        self.spaced: dict[str, tuple[CsvFile, set[str]]] = {}
        self.readers = self._reader_causes()
        self.targets = {each.existing.name: name for name, each in site.targets.items() if each.existing}

    def run(self, exceptions: Iterable[ExceptionRow]) -> tuple[WorkItem, ...]:
        """Give each effect to its cause, and make the items."""
        for finding in self.findings:
            if finding.code in READER_CODES:
                self.causes[self.readers[finding.subject]].findings.append(finding)
            elif finding.code == "white-space":
                self.causes[self._white_space(self.site.credentials, finding.subject)].findings.append(finding)
            elif finding.code in FACT_TASKS:
                subject = finding.subject if ABOUT.get(finding.code) == "reader" else ""
                self.causes[_Cause(finding.code, subject)].findings.append(finding)
        self._add_exceptions(exceptions)
        self._add_held_lines()
        items = [self._item(cause, effects) for cause, effects in self.causes.items()]
        return _refer_to_held(sort_items(items, TASKS))

    def _reader_causes(self) -> dict[str, _Cause]:
        """The cause of each reader that seems to be set otherwise than declared: the first that was found."""
        found: dict[str, _Cause] = {}
        for finding in self.findings:
            if finding.code in READER_CODES and finding.subject not in found:
                task = finding.code
                if task != "single-facility" and finding.cure is None:
                    task = "fails-since" if task == "re-set" else "two-settings"
                found[finding.subject] = _Cause(task, finding.subject)
        return found

    def _white_space(self, file: CsvFile, column: str) -> _Cause:
        """The cause that is white space in a file, with this column among those that have it."""
        self.spaced.setdefault(file.name, (file, set()))[1].add(column)
        return _Cause("white-space", file.name)

    def _add_exceptions(self, exceptions: Iterable[ExceptionRow]) -> None:
        exceptions = [each for each in exceptions if each.code not in SETTLED]
        held: dict[str, str] = {}  # the file in which a target still holds a credential that is not active
        for each in exceptions:
            if each.code == "inactive-held":
                held |= dict.fromkeys(each.candidates, each.file)
        for each in exceptions:
            cause, credentials = self._cause_of(each, held)
            effects = self.causes[cause]
            effects.exceptions.append(each)
            effects.credentials.update(credentials)

    def _cause_of(self, row: ExceptionRow, held: Mapping[str, str]) -> tuple[_Cause, Collection[str]]:
        """The cause of an exception, and the credentials it is about, as far as they are known."""
        own = (row.credential,) if row.credential else ()
        if row.file == self.site.readings.name:
            if row.line in self.explained:
                reader, credentials = self.explained[row.line]
                return self.readers[reader], credentials
            if row.line in self.like_payment:
                return _Cause("like-payment", ""), own
            reader_cause = self.readers.get(row.reader)
            if reader_cause and reader_cause.task == "fails-since" and row.code in FAILING_CODES:
                return reader_cause, own
            if credential := self.related.damaged.get(row.line):
                return _Cause("spreadsheet-damage", self.site.credentials.name), (credential,)
            if row.line in self.related.spaced_texts:
                return self._white_space(self.site.readings, "text"), own
            if credential := self.related.spaced.get(row.line):
                return self._white_space(self.site.credentials, "value"), (credential,)
            if credential := self.related.reissued.get(row.line):
                own = (credential,)
            if row.code == "inactive-read" and row.credential in held:
                return _Cause("inactive-held", self.targets[held[row.credential]]), own
        if row.code == "unreadable-value" and row.line in self.related.spaced_values:
            return self._white_space(self.site.credentials, "value"), own
        if row.code in GUARDED_CODES and is_guarded(row.input):
            self.guarded[row.file].add(row.line)
            return _Cause("guarded", row.file), own
        task = TASK_OF.get(row.code, row.code)
        if row.code == "existing-unmatched" and row.candidates:
            task = "number-of-another"
        if task == "failing" and has_no_chain(self.site.readers[row.reader]):
            task = "no-chain"
        about = ABOUT.get(task)
        if about is None:
            return _Cause(task, ""), own
        subject = row.reader if about == "reader" else row.file if about == "file" else self.targets[row.file]
        return _Cause(task, subject), own

    def _add_held_lines(self) -> None:
        held = self.frame.filter(pl.col("action") == "hold").select("line", "person", "credential", "code", "target")
        register = self.site.credentials.name
        spaced = self._held_for_white_space(held)
        for column, rows in spaced.items():
            cause = self._white_space(self.site.credentials, column)
            self.causes[cause].held.append(held.join(rows, on=["line", "target"], how="semi"))
            held = held.join(rows, on=["line", "target"], how="anti", maintain_order="left")
        guarded = (pl.col("code") == "unreadable-value") & pl.col("line").is_in(list(self.guarded[register]))
        if (rows := held.filter(guarded)).height:
            self.causes[_Cause("guarded", register)].held.append(rows)
            held = held.filter(~guarded)
        altered = _Cause("spreadsheet-damage", self.site.credentials.name)
        is_altered = altered in self.causes or "spreadsheet-damage" in held["code"]
        for (code, target), rows in held.group_by("code", "target", maintain_order=True):
            if code == "maybe-rounded" and is_altered:
                self.causes[altered].held.append(rows)
                continue
            task = TASK_OF.get(str(code), str(code))
            subjects = {"target": str(target), "file": self.site.credentials.name, "reader": ""}
            self.causes[_Cause(task, subjects[ABOUT[task]] if task in ABOUT else "")].held.append(rows)

    def _held_for_white_space(self, held: pl.DataFrame) -> dict[str, pl.DataFrame]:
        """By column: the lines that are held as near ids, or as unreadable, for the white space in it alone."""
        found: dict[str, pl.DataFrame] = {}
        near = held.filter(pl.col("code") == "near-id")
        for name in {finding.subject for finding in self.findings if finding.code == "white-space"}:
            ids = near[name.removesuffix("_id")]
            keyed = near.with_columns(id=ids, key=near_keys(ids), bare=ids.str.strip_chars(WHITE_SPACE))
            several = (pl.col("id").n_unique().over("key") > 1) & (pl.col("bare").n_unique().over("key") == 1)
            found[name] = keyed.filter(several).select("line", "target")
        unreadable = held.filter(pl.col("code") == "unreadable-value")
        found["value"] = unreadable.filter(pl.col("line").is_in(list(self.related.spaced_values))).select(
            "line", "target"
        )
        return {column: rows for column, rows in found.items() if rows.height}

    def _item(self, cause: _Cause, effects: _Effects) -> WorkItem:
        """The item of a cause: what is to be done, whom it concerns, and what ends when it is done."""
        task = TASKS[cause.task]
        held = pl.concat(effects.held) if effects.held else self.frame.head(0)
        register = self.site.credentials.name
        rows = FileLines({register: held["line"].to_list()})
        for finding in effects.findings:
            rows = rows.union(finding.rows)
        by_file: dict[str, list[int]] = defaultdict(list)
        for each in effects.exceptions:
            by_file[each.file].append(each.line)
        files = sorted(
            by_file, key=lambda file: file == self.site.readings.name
        )  # readings behind what is to be mended
        rows = rows.union(FileLines({file: by_file[file] for file in files})) if files else rows
        people, credentials = self._count(held, effects, rows)
        unseen = self._count_unseen(cause, effects.credentials)
        codes = Counter(each.code for each in effects.exceptions)
        ends = [Effect(code=code, count=count, noun="exception") for code, count in codes.most_common()]
        ends += [
            Effect(code=code, count=count, noun="held line")
            for code, count in held["code"].value_counts().sort("count", "code", descending=True).iter_rows()
        ]
        ends += [Effect(code="never-seen", count=unseen, noun="card")] if unseen else []
        readings = sum(each.file == self.site.readings.name for each in effects.exceptions)
        if not readings:
            readings = len(list(rows.of(self.site.readings.name))) or sum(
                finding.count for finding in effects.findings if finding.code in (*READER_CODES, "clock")
            )
        sure = task.sure
        if cause.task in INACTIVE_TASKS:
            evidence = self._describe_statuses(effects)
            doubted = [each for each in sorted(self._doubted) if redacted_repr(each) in evidence]
            if doubted:
                sure = "likely"
                evidence += f"; the site file doubts its word for {join_values(doubted)}"
        else:
            evidence = _describe_evidence(effects.findings) or _describe_doubtful(cause, held)
            evidence = evidence or _describe_zeros(effects.exceptions)
        return WorkItem(
            task=cause.task, subject=cause.subject, title=_title(cause, effects),
            act=task.act.format(subject=cause.subject), people=people, credentials=credentials, readings=readings,
            sure=sure, evidence=evidence, lines=self._lines(cause, effects.findings),
            rows=rows if rows else NO_LINES, ends=tuple(ends),
        )  # fmt: skip

    def _count(self, held: pl.DataFrame, effects: _Effects, rows: FileLines) -> tuple[int, int]:
        """How many people and credentials a cause concerns, each counted once."""
        register = self.site.credentials.name
        parts = [held.select("person", "credential")]
        if effects.findings or any(each.file == register for each in effects.exceptions):
            own = list(rows.of(register))
            parts.append(self.frame.filter(pl.col("line").is_in(own)).select("person", "credential"))
        if effects.credentials:
            named = self.frame.filter(pl.col("credential").is_in(list(effects.credentials)))
            parts.append(named.select("person", "credential"))
        both = pl.concat(parts)
        people = {each.person for each in effects.exceptions if each.person}
        persons = pl.concat([both["person"], pl.Series(list(people), dtype=pl.String)])
        return persons.n_unique(), both["credential"].n_unique()

    def _count_unseen(self, cause: _Cause, credentials: Collection[str]) -> int:
        """How many of the ``credentials`` that a reader's readings would show are active, and no reading shows them."""
        if cause not in self.readers.values() or not credentials:
            return 0
        namespace = self.site.readers[cause.subject].kind.namespace
        kinds = [kind.name for kind in self.site.kinds.values() if kind.namespace == namespace]
        shown = self._unseen.filter(pl.col("credential").is_in(list(credentials)), pl.col("kind").is_in(kinds))
        return shown.select("credential", "kind").n_unique()

    @cached_property
    def _unseen(self) -> pl.DataFrame:
        """The lines of active cards that no reading shows."""
        register = self.site.credentials.name
        lines = [line for each in self.findings if each.code == "never-seen" for line in each.rows.of(register)]
        return self.frame.filter(pl.col("line").is_in(lines)).select("credential", "kind")

    @cached_property
    def _doubted(self) -> set[str]:
        return find_doubted_statuses(self.site)

    def _describe_statuses(self, effects: _Effects) -> str:
        """How many cards there are of each status but active."""
        own = self.frame.filter(pl.col("credential").is_in(list(effects.credentials)), pl.col("status") != ACTIVE)
        counts = (
            own.group_by("status").agg(pl.col("credential").n_unique()).sort("credential", "status", descending=True)
        )
        return ", ".join(f"{count:,} {redacted_repr(status)}" for status, count in counts.iter_rows())

    def _lines(self, cause: _Cause, findings: Iterable[Finding]) -> tuple[str, ...]:
        """The lines for the site file, of all cures of the cause together."""
        if cause.task == "white-space":
            file, columns = self.spaced[cause.subject]
            table = "files.readings" if file is self.site.readings else "files.credentials"
            return strip_lines(table, columns | file.strip) if file.site_key else ()
        cures = [finding.cure for finding in findings if finding.cure]
        return cure_reader(self.site, self.site.readers[cause.subject], cures) if cures else ()


def _refer_to_held(items: Sequence[WorkItem]) -> tuple[WorkItem, ...]:
    """The items; that of cards that are used though not active names the items that have the other readings."""
    others = [
        f"{item.readings:,} of {format_count(item.credentials, 'card')} that {item.subject} still holds: item {number}"
        for number, item in enumerate(items, 1)
        if item.task == "inactive-held" and any(end.code == "inactive-read" for end in item.ends)
    ]
    if not others:
        return tuple(items)
    also = f"other readings: {'; '.join(others)}"
    return tuple(
        replace(item, evidence="; ".join(filter(None, (item.evidence, also)))) if item.task == "inactive-read" else item
        for item in items
    )


def _title(cause: _Cause, effects: _Effects) -> str:
    """The title of a cause; ``people`` in it are those for whom a target has the exceptions."""
    persons = {each.person for each in effects.exceptions if each.person}
    people = format_count(len(persons), "person", "people") if persons else "other people"
    return TASKS[cause.task].title.format(subject=cause.subject, people=people)


def _describe_doubtful(cause: _Cause, held: pl.DataFrame) -> str:
    """How many cards of those that a spreadsheet altered it may have altered only."""
    doubtful = held.filter(pl.col("code") == "maybe-rounded")["credential"].n_unique()
    if cause.task != "spreadsheet-damage" or not doubtful:
        return ""
    return f"{doubtful:,} of the cards only may have been rounded"


def _describe_zeros(exceptions: Iterable[ExceptionRow]) -> str:
    """How many texts of failing readings are zeros only."""
    texts = [each.input for each in exceptions if TASK_OF.get(each.code) == "failing"]
    zeros = sum(bool(text) and not text.strip("0") for text in texts)
    verb = "is" if zeros == 1 else "are"
    return f"{zeros:,} of {format_count(len(texts), 'text')} {verb} all zeros: nothing was read" if zeros else ""


def _describe_evidence(findings: Iterable[Finding]) -> str:
    """How much of what is unresolved the other chains of a reader explain."""
    cures = [finding.cure for finding in findings if finding.cure]
    if not cures:
        return ""
    explained, unresolved = sum(cure.explained for cure in cures), sum(cure.unresolved for cure in cures)
    others = max(cure.alternatives for cure in cures)
    also = f"; {others:,} other chain{'s fit' if others > 1 else ' fits'} as well" * bool(others)
    return f"with it, {explained:,} of {unresolved:,} unresolved readings match known cards{also}"
