"""The audit as text, at most 80 columns wide: counts, what fails where, what no check can see."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, tzinfo
from textwrap import wrap

from credkit.accounts import masked
from credkit.audit.causes import READERS
from credkit.audit.shares import worst
from credkit.audit.summary import CHECK, LENGTH, Audit, Blind, Change, Hints, ReaderCount
from credkit.cautions import COPIES, DATA, EGRESS, PEOPLE
from credkit.crosswalk.result import counted
from credkit.screen import WIDTH, plain

WIDEST = 26  # of a name in a table; the whole name stands in JSON
MOST = 100  # readers in a table
CHECKS = 6  # of a reader that are named
CHANGES = 6  # likewise, the last ones
NAMELESS = "(no column)"
UNSTEADY = "its share of failing rows changes so often that no time since when is named"
NO_CHANGE = (
    "Where no time since when is named there may have been an outage all the same: one of fewer than four steps of "
    "time with rows in them, of few rows, or of a share hardly beyond what the reader fails anyway, is not found."
)


def audit_text(audit: Audit, zone: tzinfo) -> str:
    """The audit as text; times are by the clocks of ``zone``."""
    return "\n".join(_text(audit, zone)) + "\n"


def _text(audit: Audit, zone: tzinfo) -> Iterator[str]:
    yield from _wrapped(f"Audit of {counted(len(audit.files), 'file')}{f' of {audit.site}' if audit.site else ''}")
    yield ""
    rows = [(file.name, file.rows, file.good, file.failing, file.unreadable) for file in audit.files]
    if len(rows) > 1:
        rows.append(("all", audit.rows, audit.good, audit.failing, audit.unreadable))
    yield from _table(("file", "rows", "good", "failing", "unreadable"), rows)
    yield from _wrapped("Every row is in one place: rows = good + failing + unreadable.")
    for file in audit.files:
        if file.ended:
            yield from _wrapped(file.ended, "! ", "  ")
    if audit.unreadable:
        yield from ("", f"Rows that are wrong in themselves ({audit.unreadable:,})")
        for file in audit.files:
            for fault in file.faults:
                yield from _wrapped(fault, "  ", "    ")
            if file.unreadable > len(file.faults):
                yield from _wrapped(f"and {file.unreadable - len(file.faults):,} more in {file.name}", "  ", "    ")
    shown = audit.readers
    failing = worst(audit.readers)
    if len(shown) > MOST:
        shown = (*failing, *(each for each in shown if not each.failing))[:MOST]
    yield from ("", "Readers")
    yield from _table(
        ("reader", "rows", "failing", "%", "repeated", "only here"),
        [
            (each.name or NAMELESS, each.rows, each.failing, percent(each.share), each.duplicates,
             "?" if each.only_here is None else each.only_here)
            for each in shown
        ],
    )  # fmt: skip
    if len(audit.readers) > MOST:
        yield f"  and {len(audit.readers) - MOST:,} more, which fail less often"
    yield from _wrapped(
        "repeated: rows within a second behind one with the same text. only here: good numbers that no other reader "
        "read; ? if there were too many to tell."
    )
    for each in failing[:READERS]:
        yield ""
        yield from _reader(each, zone)
    if len(failing) > READERS:
        yield ""
        yield from _wrapped(
            f"{counted(len(failing) - READERS, 'other reader')} fail less often: --json has them all. Causes are "
            f"looked for at the {READERS} that fail most often."
        )
    if any(each.counts.starts for each in audit.readers):
        yield ""
        yield from _wrapped(NO_CHANGE)
    if audit.blind:
        yield from ("", "What the checks cannot see")
        for blind in audit.blind:
            yield from _wrapped(blind_text(blind), "- ", "  ")
        yield from _wrapped(
            "Faults of wires are lost bits, inversion and shift: they are not independent, and pass or fail together.",
            "- ", "  ",
        )  # fmt: skip
    yield from ("", "Before you use this")
    for caution in (DATA, COPIES, PEOPLE, EGRESS):
        yield from _wrapped(caution, "- ", "  ")


def _reader(each: ReaderCount, zone: tzinfo) -> Iterator[str]:
    span = f", {when(each.first, zone)} to {when(each.last, zone)}" if each.first and each.last else ""
    name = f"reader {each.name}" if each.name else "All rows"
    yield from _wrapped(f"{name}: {percent(each.share)} % of {counted(each.rows, 'row')} fail{span}", "", "  ")
    tallies = sorted(each.tallies, key=lambda tally: -tally.rows)
    for tally in tallies[:CHECKS]:
        what = {CHECK: "", LENGTH: ", a wrong length"}.get(tally.sort, ", another form")
        yield from _wrapped(f"{tally.rows:,} fail {tally.rule} of {tally.codec}{what}", "  ", "    ")
    if len(tallies) > CHECKS:
        yield f"  and {counted(len(tallies) - CHECKS, 'other check')}"
    for both in each.together:
        if len(both.rules) > 1:
            yield from _wrapped(f"{both.rows:,} fail {' and '.join(both.rules)} together", "  ", "    ")
    if len(each.changes) > CHANGES:
        yield f"  {counted(len(each.changes) - CHANGES, 'change')} before these:"
    for change in each.changes[-CHANGES:]:
        yield from _wrapped(change_text(change, zone), "  ", "    ")
    if each.unsteady:
        yield from _wrapped(UNSTEADY, "  ", "    ")
    for hints in each.hints:
        yield from _wrapped(hints_text(hints), "  ", "    ")


def change_text(change: Change, zone: tzinfo) -> str:
    """Since when a reader fails with another share, as a sentence."""
    verb = "failing" if change.after > change.before else "better"
    return (
        f"{verb} since {when(change.since, zone)} ({zone}): {percent(change.before)} % before, "
        f"{percent(change.after)} % from then on"
    )


def hints_text(hints: Hints) -> str:
    """What diagnosis says of a sample, as one sentence or two."""
    sample = f"of {hints.sampled} different failing texts"
    if not hints.causes:
        return f"{sample}, no simple cause explains half"
    told = "; ".join(
        f"{cause.text} ({'all' if cause.explains == hints.sampled else f'{cause.explains:,}'})"
        for cause in hints.causes
    )
    return f"{sample}, it would explain: {told}.{f' {hints.advice}' if hints.advice else ''}"


def blind_text(blind: Blind) -> str:
    """What the checks of a layout cannot see, in sentences."""
    if blind.passing == blind.pairs:
        return f"{blind.layout} ({blind.length} bits): it has no check, so every wrong bit passes."
    share = f"{blind.passing:,} of {blind.pairs:,}"
    text = f"{blind.layout}: of all double bit errors {share} ({percent(blind.passing / blind.pairs)} %) fail no check"
    if blind.more:
        text += ", before limits of digits and fields, which see some of them"
    text += f". {counted(blind.unseen, 'bit')} of {blind.length} are in no check." if blind.unseen else "."
    if blind.failed and blind.expected is not None and blind.rate is not None:
        text += (
            f" {blind.failed:,} of {blind.frames:,} frames fail. If bits were wrong independently of each other, "
            f"{blind.rate:.2g} of them would be, and about {amount(blind.expected)} wrong frames would have passed."
        )
    if blind.apart:
        some = ", ".join(blind.apart[:3]) + (" and others" if len(blind.apart) > 3 else "")
        text += f" Left out, since they fail too often for single bits: {some}."
    return text


def amount(number: float) -> str:
    """An expected number, in as many digits as it deserves.

    >>> amount(935.55), amount(1.59), amount(0.0004)
    ('936', '1.6', 'less than 0.1')
    """
    if number < 0.1:
        return "less than 0.1"
    return f"{number:.1f}" if number < 10 else f"{number:,.0f}"


def percent(share: float) -> str:
    """A share in percent, without pretending that little is nothing.

    >>> percent(0.41), percent(0.000012), percent(0), percent(0.99999)
    ('41.0', '<0.1', '0.0', '>99.9')
    """
    if 0 < share < 0.0005:
        return "<0.1"
    return ">99.9" if 0.9995 <= share < 1 else f"{100 * share:.1f}"


def when(moment: datetime, zone: tzinfo) -> str:
    """A moment by the clocks of a zone, to the minute."""
    return f"{moment.astimezone(zone):%Y-%m-%d %H:%M}"


def _wrapped(text: str, first: str = "", rest: str = "") -> list[str]:
    return wrap(plain(masked(text)), WIDTH, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False)


def _table(columns: Sequence[str], rows: Sequence[Sequence[str | int]]) -> Iterator[str]:
    """Rows under their columns, numbers to the right; a name that is too long loses its middle."""
    cells = [tuple(columns), *(tuple(f"{cell:,}" if isinstance(cell, int) else cell for cell in row) for row in rows)]
    sizes = [max(len(row[place]) for row in cells) for place in range(1, len(columns))]
    room = min(max(WIDEST, WIDTH - 2 - sum(size + 2 for size in sizes)), WIDTH)
    names = [_short(plain(masked(row[0])), room) for row in cells]
    words = max(map(len, names))
    for name, row in zip(names, cells, strict=True):
        numbers = "".join(f"  {cell:>{size}}" for cell, size in zip(row[1:], sizes, strict=True))
        yield f"  {name:<{words}}{numbers}".rstrip()


def _short(name: str, room: int) -> str:
    half = (room - 1) // 2
    return name if len(name) <= room else f"{name[:half]}…{name[len(name) - (room - 1 - half) :]}"
