"""The details of an audit as text, at most 80 columns wide: counts, what fails where, what no check can see."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime, tzinfo

from credkit.audit.causes import LEAST_TEXTS, MOST_READERS_DIAGNOSED
from credkit.audit.entries import ONE_ENTRY_RULE
from credkit.audit.failure_rates import rank_failing
from credkit.audit.notes import LEVELS, total_notes
from credkit.audit.summary import CHECK, LENGTH, Audit, Diagnosis, RateChange, ReaderCount, UndetectedErrors
from credkit.audit.undetected_errors import MOST_FAILURES_BY_BIT_ERRORS
from credkit.core.sentences import format_count
from credkit.explain.screen import table_lines
from credkit.privacy.accounts import mask_accounts
from credkit.privacy.screentexts import wrap_masked

MOST_READERS_LISTED = 100  # readers in a table
MOST_CHECKS_NAMED = 6  # of a reader that are named
MOST_NOTE_READERS_NAMED = 5  # readers that are named with a note
MOST_EXCLUDED_READERS_NAMED = 8  # readers that are named where they are left out
MOST_CHANGES_NAMED = 6  # likewise, the last ones
NAMELESS = "(no column)"
EMPTY = "(empty)"
FRAMES_ONLY = (
    "An audit checks frames. Whether a number was issued, to whom, and whether it is the one expected there, the "
    "crosswalk finds"
)
NUMBERS_ONLY = (
    "Numbers were compared with the register. Who holds a card, and whether it is the one expected there, the "
    "crosswalk finds"
)
RULE_SORTS = {CHECK: "a check", LENGTH: "a wrong length"}
ENTRY_PROBLEM = "the rows do not form exactly one entry"
UNSTEADY = "the failure rate changes too often to give a start time"
COLUMNS = (
    "Form: good rows with the right form and nothing to check. Repeated: rows within a second after a "
    "row with the same text. Alone: good numbers that no other reader read; ?: too many numbers to count."
)
REGISTER_COLUMNS = (
    " Unknown: good rows whose number no card of the register has. Inactive: good rows whose card had ceased to be "
    "active when it was read, or never was."
)
NO_CHANGE = (
    "No start time does not mean no outage: an outage of fewer than four steps of time with rows, of few rows, or with "
    "a failure rate hardly above the usual one is not found."
)


def describe_details(audit: Audit, zone: tzinfo) -> Iterator[str]:
    """What was counted, what fails where, and what no check can see; times are by the clocks of ``zone``."""
    audit = name_nameless(audit)
    yield ""
    rows = [(mask_accounts(file.name), file.rows, file.good, file.failing, file.unreadable) for file in audit.files]
    if len(rows) > 1:
        rows.append(("all", audit.rows, audit.good, audit.failing, audit.unreadable))
    yield from table_lines(("file", "rows", "good", "failing", "unreadable"), rows)
    yield from wrap_masked("Every row is in one place: rows = good + failing + unreadable.")
    for file in audit.files:
        if file.ended:
            yield from wrap_masked(file.ended, "! ", "  ")
    if audit.unreadable:
        yield from ("", f"Unreadable rows ({audit.unreadable:,})")
        for file in audit.files:
            for fault in file.faults:
                yield from wrap_masked(fault, "  ", "    ")
            if file.unreadable > len(file.faults):
                yield from wrap_masked(f"and {file.unreadable - len(file.faults):,} more in {file.name}", "  ", "    ")
    shown = audit.readers
    failing = rank_failing(audit.readers)
    if len(shown) > MOST_READERS_LISTED:
        shown = (*failing, *(each for each in shown if not each.failing))[:MOST_READERS_LISTED]
    yield from ("", "Readers")
    yield from _reader_table(audit, shown)
    if len(audit.readers) > MOST_READERS_LISTED:
        yield f"  and {len(audit.readers) - MOST_READERS_LISTED:,} more, which fail less often"
    yield from wrap_masked(explain_columns(audit))
    for each in failing[:MOST_READERS_DIAGNOSED]:
        yield ""
        yield from _format_reader(each, audit, zone)
    if len(failing) > MOST_READERS_DIAGNOSED:
        yield ""
        yield from wrap_masked(
            f"{format_count(len(failing) - MOST_READERS_DIAGNOSED, 'other reader')} fail less often: --json has them "
            f"all. Causes are diagnosed for the {MOST_READERS_DIAGNOSED} that fail most often."
        )
    if any(each.counts.starts for each in audit.readers):
        yield ""
        yield from wrap_masked(NO_CHANGE)
    yield from _format_notes(audit)
    if audit.blind:
        yield from ("", "What the checks cannot see")
        for blind in audit.blind:
            yield from wrap_masked(describe_undetected(blind), "- ", "  ")
        yield from wrap_masked(
            "Faults of wires are lost bits, inversion and shift: they are not independent, and pass or fail together.",
            "- ", "  ",
        )  # fmt: skip
    yield ""
    yield from wrap_masked(f"{describe_scope(audit)}: credkit crosswalk SITE --out DIRECTORY")


def explain_columns(audit: Audit) -> str:
    """What the columns of the table of readers count."""
    return f"{COLUMNS}{REGISTER_COLUMNS * (audit.register is not None)}"


def _reader_table(audit: Audit, shown: Sequence[ReaderCount]) -> Iterator[str]:
    """The counts of readers; those by the register where there is one."""
    columns = ["reader", "rows", "failing", "%", "form"]
    columns += ["unknown", "inactive"] * (audit.register is not None)
    columns += ["repeated", "alone"]
    rows = list[list[str | int]]()
    for each in shown:
        row: list[str | int] = [
            mask_accounts(each.name), each.rows, each.failing, format_percent(each.share), each.form_only
        ]  # fmt: skip
        if audit.register is not None:
            row += ["", ""] if each.register is None else [each.register.unknown, each.register.inactive]
        rows.append([*row, each.repeated, "?" if each.only_here is None else each.only_here])
    yield from table_lines(columns, rows)


def describe_scope(audit: Audit) -> str:
    """What an audit compares, and what the crosswalk finds beyond."""
    return FRAMES_ONLY if audit.register is None else NUMBERS_ONLY


def name_of_nameless(audit: Audit) -> str:
    """The name of what has none: rows without a reader, or a file without a column of them."""
    return EMPTY if audit.by_reader else NAMELESS


def name_nameless(audit: Audit) -> Audit:
    """``audit`` with a name for what has none: rows without a reader, or a file without a column of them."""
    none = name_of_nameless(audit)
    return replace(
        audit, readers=tuple(replace(each, name=each.name or none) for each in audit.readers),
        blind=tuple(replace(each, apart=tuple(name or none for name in each.apart)) for each in audit.blind),
    )  # fmt: skip


def _format_notes(audit: Audit) -> Iterator[str]:
    """The notes on good rows by reader, with their meaning if the rows must not serve."""
    notes = [each for each in total_notes(audit) if each.level != "info"]
    if notes:
        yield from ("", "Notes on good rows")
    for each in notes:
        some = ", ".join(f"{name} {rows:,}" for name, rows in each.readers[:MOST_NOTE_READERS_NAMED])
        more = (
            f" and {format_count(len(each.readers) - MOST_NOTE_READERS_NAMED, 'other reader')}"
            if len(each.readers) > MOST_NOTE_READERS_NAMED
            else ""
        )
        meaning = f"; {LEVELS[each.level]}: {each.text}" if each.level == "refuse" else ""
        yield from wrap_masked(f"{each.rows:,} {each.kind} of {each.codec} ({some}{more}){meaning}", "- ", "  ")


def _format_reader(each: ReaderCount, audit: Audit, zone: tzinfo) -> Iterator[str]:
    span = (
        f", {format_minute(each.first, zone)} to {format_minute(each.last, zone)}" if each.first and each.last else ""
    )
    name = f"reader {each.name}" if audit.by_reader else "All rows"
    yield from wrap_masked(
        f"{name}: {format_percent(each.share)} % of {format_count(each.rows, 'row')} fail{span}", "", "  "
    )
    tallies = sorted(each.tallies, key=lambda tally: -tally.rows)
    for tally in tallies[:MOST_CHECKS_NAMED]:
        sort = describe_sort(tally.codec, tally.rule, tally.sort)
        what = "" if sort == RULE_SORTS[CHECK] else f", {sort}"
        yield from wrap_masked(f"{tally.rows:,} fail {tally.rule} of {tally.codec}{what}", "  ", "    ")
    if len(tallies) > MOST_CHECKS_NAMED:
        yield f"  and {format_count(len(tallies) - MOST_CHECKS_NAMED, 'other check')}"
    for both in each.together:
        if len(both.rules) > 1:
            yield from wrap_masked(f"{both.rows:,} fail {' and '.join(both.rules)} together", "  ", "    ")
    if len(each.changes) > MOST_CHANGES_NAMED:
        yield f"  {format_count(len(each.changes) - MOST_CHANGES_NAMED, 'change')} before these:"
    for change in each.changes[-MOST_CHANGES_NAMED:]:
        yield from wrap_masked(describe_change(change, zone), "  ", "    ")
    if each.unsteady:
        yield from wrap_masked(UNSTEADY, "  ", "    ")
    for hints in each.hints:
        yield from wrap_masked(describe_causes(hints), "  ", "    ")
    yield from wrap_masked(describe_doubt(each), "  ", "    ")


def describe_sort(codec: str, rule: str, sort: str) -> str:
    """The sort of fault that a check finds."""
    return ENTRY_PROBLEM if (codec, rule) == ("stream", ONE_ENTRY_RULE) else RULE_SORTS.get(sort, "another form")


def describe_change(change: RateChange, zone: tzinfo) -> str:
    """The start time of a new failure rate, as a sentence."""
    verb = "failing" if change.after > change.before else "better"
    return (
        f"{verb} since {format_minute(change.since, zone)} ({zone}): failure rate "
        f"{format_percent(change.before)} % before, {format_percent(change.after)} % after"
    )


def describe_causes(hints: Diagnosis) -> str:
    """The likely causes in a sample, as one sentence or two."""
    if hints.rows and hints.sampled < LEAST_TEXTS:
        same = "one text" if hints.sampled == 1 else f"{hints.sampled} texts"
        return f"{same}, {hints.rows:,} times: a line that is stuck, or a card that is tried again and again"
    lengths = ", ".join(f"{bits} bits ({count})" for bits, count in hints.lengths)
    found = f" Wrong lengths: {lengths}." if lengths else ""
    if not hints.causes:
        return f"no simple cause explains half of {hints.sampled} sampled texts{'.' if found else ''}{found}"
    if len(hints.causes) == 1:
        cause = hints.causes[0]
        causes = f"likely cause in {cause.explains} of {hints.sampled} sampled texts: {cause.text}"
    else:
        each = "; ".join(f"{cause.text} ({cause.explains})" for cause in hints.causes)
        causes = f"likely causes in {hints.sampled} sampled texts: {each}"
    return f"{causes}.{f' {hints.advice}' if hints.advice else ''}{found}"


def describe_doubt(each: ReaderCount) -> str:
    """That good rows of a reader may be wrong, if so many fail that it is no matter of single bits; else nothing."""
    if not each.good or each.share <= MOST_FAILURES_BY_BIT_ERRORS or not each.hints:
        return ""
    return (
        f"At this failure rate, its {format_count(each.good, 'good row')} may be wrong too: a fault of the wire "
        "changes every frame, and some changed frames pass the checks"
    )


def describe_undetected(blind: UndetectedErrors) -> str:
    """The errors that no check of a layout detects, in sentences."""
    if blind.passing == blind.pairs:
        return f"{blind.layout} ({blind.length} bits): it has no check, so every wrong bit passes."
    share = f"{blind.passing:,} of {blind.pairs:,} ({format_percent(blind.passing / blind.pairs)} %)"
    text = f"{blind.layout}: of all double bit errors {share} fail no check"
    if blind.more:
        text += ", before limits of digits and fields, which see some of them"
    text += f". {format_count(blind.unseen, 'bit')} of {blind.length} are in no check." if blind.unseen else "."
    if blind.failed and blind.expected is not None and blind.rate is not None:
        text += (
            f" {blind.failed:,} of {blind.frames:,} frames fail. With independent bit errors at the rate "
            f"{blind.rate:.2g}, {format_amount(blind.expected)} wrong frames would have passed."
        )
    if blind.apart:
        more = len(blind.apart) - MOST_EXCLUDED_READERS_NAMED
        some = ", ".join(blind.apart[:MOST_EXCLUDED_READERS_NAMED]) + (
            f" and {format_count(more, 'other')}" if more > 0 else ""
        )
        text += f" Excluded, because they fail too often for single bit errors: {some}."
    return text


def format_amount(number: float) -> str:
    """An expected number, in as many digits as it deserves.

    >>> format_amount(935.55), format_amount(1.59), format_amount(0.0004)
    ('about 936', 'about 1.6', 'less than 0.1')
    """
    if number < 0.1:
        return "less than 0.1"
    return f"about {number:.1f}" if number < 10 else f"about {number:,.0f}"


def format_percent(share: float) -> str:
    """A share in percent, without pretending that little is nothing.

    >>> format_percent(0.41), format_percent(0.000012), format_percent(0), format_percent(0.99999)
    ('41.0', '<0.1', '0.0', '>99.9')
    """
    if 0 < share < 0.0005:
        return "<0.1"
    return ">99.9" if 0.9995 <= share < 1 else f"{100 * share:.1f}"


def format_minute(moment: datetime, zone: tzinfo) -> str:
    """A moment by the clocks of a zone, to the minute."""
    return f"{moment.astimezone(zone):%Y-%m-%d %H:%M}"
