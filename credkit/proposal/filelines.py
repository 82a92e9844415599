"""The lines of a site file on its two files: form, columns, words, each with its evidence.

Whatever the cells leave open is named: words of status that nobody knows are taken for cards not to be used, days that
may be months have the other pattern beside them, cells that are empty get a name.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from credkit.core.sentences import format_count, nearest_word, redacted_repr
from credkit.core.whitespace import describe_ends
from credkit.proposal.cellforms import count_shortened, describe_cells, describe_made_dates, filled
from credkit.proposal.columnroles import LogRoles, RegisterRoles
from credkit.proposal.exporttable import ExportTable
from credkit.proposal.filepair import CardColumn
from credkit.proposal.momentcolumns import (
    ISO_DAYS,
    LOCAL,
    OFFSET,
    MomentForm,
    count_reversals,
    find_days,
    to_moment,
)
from credkit.proposal.sitelines import SiteLines
from credkit.proposal.statuswords import ACTIVE, UNKNOWN, status_meaning
from credkit.site.rows import OPTIONAL
from credkit.site.standins import DOUBTED_STATUS

MOST_SAMPLES = 5  # of cells in a comment
MOST_LEFT_OUT = 12  # headers in a comment
NUMBER_COLUMNS = ("value", "printed", "credential_id")
DAY_ROLES = ("valid_from", "valid_until")


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterColumns:
    """Where the columns of the credentials come from: the header of each.

    ``cards`` are several columns with numbers in place of one, and ``ids`` builds the ids of their credentials where no
    column has one.
    """

    headers: Mapping[str, str]
    other_numbers: Mapping[str, int]  # columns with numbers that readers give, too
    cards: tuple[CardColumn, ...] = ()
    ids: str = ""

    @property
    def used(self) -> set[str]:
        """The headers of all columns that are taken."""
        return {*self.headers.values(), *(name for each in self.cards for name in (each.header, each.printed) if name)}


def write_file_keys(lines: SiteLines, table: ExportTable, path: str) -> None:
    """The path of an export, and how it is written."""
    lines.key("path", path, f"{format_count(table.rows, 'row')}, {format_count(len(table.header), 'column')}",
              doubt=table.doubts.get("path", ""))  # fmt: skip
    if not table.file.is_workbook:
        doubt = table.doubts.get("encoding", "")
        lines.key("encoding", table.file.encoding, table.evidence["encoding"], doubt=doubt)
        lines.key("delimiter", table.file.delimiter, table.evidence["delimiter"])
    elif len(table.sheets) > 1:
        lines.key("sheet", table.file.sheet, table.evidence["sheet"])
    if table.file.header_line > 1:
        lines.key("header_line", table.file.header_line, table.evidence["header_line"])
    if table.file.footer:
        lines.key("footer", table.file.footer, doubt=table.doubts["footer"])


def write_strip(lines: SiteLines, table: ExportTable, columns: Mapping[str, Sequence[str]]) -> None:
    """The columns of ours whose cells have white space around them, by the headers they come from."""
    counts = {
        (column, header): sum(describe_ends(cell) is not None for cell in table.columns[header])
        for column, headers in columns.items() for header in headers
    }  # fmt: skip
    found = {each: count for each, count in counts.items() if count}
    if found:
        some = ", ".join(f"{redacted_repr(header)} in {format_count(count, 'cell')}"
                         for (_, header), count in found.items())  # fmt: skip
        lines.key("strip", [*dict.fromkeys(column for column, _ in found)], f"white space stands around {some}")
    elif table.strips_header:
        lines.key("strip", [next(iter(columns))], "names in the header have white space around them")


def write_others(lines: SiteLines, table: ExportTable, used: Collection[str]) -> None:
    """That all other columns are left out, and which they are."""
    others = [name for name in table.header if name and name not in used]
    rest = f" and {len(others) - MOST_LEFT_OUT} more" if len(others) > MOST_LEFT_OUT else ""
    if others:
        lines.comment(f"left out: {', '.join(map(redacted_repr, others[:MOST_LEFT_OUT]))}{rest}")
    lines.key("ignore_other_columns", True)


def absent_constants(table: ExportTable, names: Collection[str], used: Mapping[str, str]) -> dict[str, str]:
    """Optional columns that are declared empty because a header that is left out is spelt like them."""
    others = [name for name in table.header if name not in used.values()]
    return {
        name: "" for name in names
        if name in OPTIONAL and name not in used and (name in others or nearest_word(name, others) is not None)
    }  # fmt: skip


def register_days(table: ExportTable, roles: RegisterRoles, log_pattern: str) -> tuple[MomentForm | None, str]:
    """How the days of a register are written, and what leaves it in doubt."""
    names = [roles.headers[role] for role in DAY_ROLES if role in roles.headers]
    form = find_days([cell for name in names for cell in table.columns[name]])
    if form is None:
        return None, ""
    doubt = ""
    if form.rivals:
        rival = form.rivals[0]
        reversed_days = {each: _count_reversed(table, names, each) for each in (form.pattern, rival)}
        pattern, why = form.pattern, "nothing shows which is the day; the day is taken to stand first"
        if reversed_days[form.pattern] != reversed_days[rival]:
            pattern = min(reversed_days, key=lambda each: reversed_days[each])
            why = f"by the other, {format_count(max(reversed_days.values()), 'row')} would end before it begins"
        elif log_pattern and _leads_with_day(log_pattern) is not None:
            same = _leads_with_day(log_pattern) == _leads_with_day(form.pattern)
            pattern = form.pattern if same else rival
            why = "taken as in the other file"
        other = rival if pattern == form.pattern else form.pattern
        doubt = f"every day reads as {other}, too: {why}"
        form = MomentForm(pattern=pattern, rivals=(other,), read=form.read, total=form.total, others=form.others)
    return form, doubt


def _count_reversed(table: ExportTable, names: Sequence[str], pattern: str) -> int:
    """How many rows end before they begin, by a pattern."""
    if len(names) < 2:
        return 0
    days = ((to_moment(first, pattern), to_moment(last, pattern))
            for first, last in zip(*(table.columns[name] for name in names), strict=True))  # fmt: skip
    return sum(first is not None and last is not None and last < first for first, last in days)


def _leads_with_day(pattern: str) -> bool | None:
    """Whether the day stands before the month; None where the year is first, as nothing follows from that."""
    return None if pattern in (OFFSET, LOCAL, ISO_DAYS) or pattern.startswith("Y") else pattern.startswith("D")


def find_day_order(table: ExportTable, roles: RegisterRoles) -> bool | None:
    """Whether the days of a register stand before their months; None where nothing shows it."""
    names = [roles.headers[role] for role in DAY_ROLES if role in roles.headers]
    form = find_days([cell for name in names for cell in table.columns[name]])
    return None if form is None or form.rivals else _leads_with_day(form.pattern)


def log_form(
    table: ExportTable, roles: LogRoles, cells: Sequence[str], day_first: bool | None = None
) -> tuple[MomentForm, str]:  # fmt: skip
    """How the times of a log are written, and what leaves it in doubt; ``day_first`` is of the days of the register."""
    form = roles.form
    if not form.rivals:
        return form, ""
    rival = form.rivals[0]
    counts = {each: count_reversals(cells, each) for each in (form.pattern, rival)}
    pattern = min(counts, key=lambda each: counts[each])  # the first of equals
    is_open = counts[form.pattern] == counts[rival]
    if is_open and day_first is not None and _leads_with_day(form.pattern) is not day_first:
        pattern = rival
    other = rival if pattern == form.pattern else form.pattern
    why = (
        f"in the order of the rows, times turn back {counts[pattern]:,} times, by the other {counts[other]:,}"
        if not is_open else "nothing shows which is the day; the day is taken to stand first" if day_first is None
        else "taken as in the other file"
    )  # fmt: skip
    chosen = MomentForm(pattern=pattern, rivals=(other,), read=form.read, total=form.total, others=form.others)
    return chosen, f"every time reads as {other}, too: {why}"


def write_date(lines: SiteLines, form: MomentForm | None, doubt: str) -> None:
    """The pattern of days, unless they are as ISO 8601 has them."""
    if form is None:
        return
    if form.pattern != ISO_DAYS:
        lines.key("date", form.pattern, form.evidence, doubt=doubt)
    else:
        lines.comment(form.evidence)
    wrong = Counter({text: count for text, count in form.others.items() if any(map(str.isdigit, text))})
    if wrong:
        lines.doubt("date", f"{_list_cells(wrong)} no such day: credkit refuses these rows until they are corrected")


def write_time(lines: SiteLines, form: MomentForm, doubt: str, rows: int) -> None:
    """The form of times in so many rows."""
    lines.key("time", form.pattern, form.evidence, doubt=doubt)
    if empty := rows - form.total:
        lines.doubt("time", f"{format_count(empty, 'row')} without a time: credkit refuses them until corrected")
    if form.others:
        lines.doubt("time", f"{_list_cells(form.others)} no such time: credkit refuses these rows until corrected")


def _list_cells(counts: Counter[str]) -> str:
    some = ", ".join(redacted_repr(text) for text, _ in counts.most_common(MOST_SAMPLES))
    return f"{format_count(counts.total(), 'cell')} ({some}{', …' if len(counts) > MOST_SAMPLES else ''}) hold"


def write_register_columns(lines: SiteLines, table: ExportTable, found: RegisterColumns, where: str) -> None:
    """The headers of our columns, each with what its cells are."""
    lines.table("files", where, "columns")
    for column, header in found.headers.items():
        cells = table.columns[header]
        is_repeated = column != "value" and header == found.headers.get("value")
        doubt = _describe_damage(table, header) if column in NUMBER_COLUMNS and not is_repeated else ""
        if column == "value":
            for other, known in found.other_numbers.items():
                lines.comment(f"{redacted_repr(other)} holds numbers that readers give, too ({known:,} of those tried)")
        elif column == "person_id" and header == found.headers.get("credential_id"):
            doubt = "no column names the holders: each number is taken for a person of its own"
        elif is_repeated:
            lines.comment("no other column names the credential: its number does")
        days = find_days(cells) if column in ("valid_from", "valid_until") else None
        lines.key(column, header, days.evidence if days else describe_cells(cells), doubt=doubt)


def write_cards(lines: SiteLines, table: ExportTable, found: RegisterColumns, where: str) -> None:
    """The columns of numbers, each with what its cells are."""
    for card in found.cards:
        cells = table.columns[card.header]
        lines.row("files", where, "numbers")
        columns = {"value": card.header, **({"printed": card.printed} if card.printed else {})}
        unread = "" if card.is_read else "no reader gives these numbers: is it a card?"
        doubts = [_describe_damage(table, card.header), unread]
        lines.key("columns", columns, describe_cells(cells), doubt="; ".join(filter(None, doubts)))
        lines.key("constants", {"kind": card.header})


def _describe_damage(table: ExportTable, header: str) -> str:
    """What a spreadsheet may have done to the numbers in a column; empty where nothing shows."""
    doubts = [table.stored[header]] if header in table.stored else []
    if shortened := count_shortened(table.columns[header]):
        doubts.append(f"a spreadsheet shortened {format_count(shortened, 'number')}")
    if dates := describe_made_dates(table.columns[header]):
        doubts.append(dates)
    return f"{'; '.join(doubts)}: re-export them from the source" if doubts else ""


def write_words(
    lines: SiteLines, where: str, column: str, words: Mapping[str, tuple[str, int]], doubts: Mapping[str, str]
) -> None:
    """The words of a column, with how many cells have them."""
    if words:
        lines.table("files", where, "words", column)
    for word, (meaning, count) in words.items():
        lines.key(word, meaning, format_count(count, "cell"), doubt=doubts.get(word, ""))


def status_words(cells: Sequence[str], header: str) -> tuple[dict[str, tuple[str, int]], dict[str, str]]:
    """What the words of a status mean, and those that are in doubt.

    >>> status_words(["gültig", "gültig", "active", "Z"], "Status")[0]
    {'gültig': ('active', 2), 'Z': ('suspended', 1)}
    """
    words: dict[str, tuple[str, int]] = {}
    doubts: dict[str, str] = {}
    for word, count in Counter(cells).most_common():
        meaning = status_meaning(word, header) if word else None
        if meaning is None:
            doubts[word] = (
                f'nothing says what {redacted_repr(word)} {DOUBTED_STATUS}; if they are in use, write "{ACTIVE}"'
            )
        if word != meaning:
            words[word] = (meaning or UNKNOWN, count)
    return words, doubts


def day_words(form: MomentForm | None, cells: Sequence[str]) -> tuple[dict[str, tuple[str, int]], dict[str, str]]:
    """Words that stand where a day should: without an end, as it seems."""
    counts = Counter(filled(cells))
    words = {text: ("", counts[text]) for text in (form.others if form else ())
             if text in counts and not any(map(str.isdigit, text))}  # fmt: skip
    return words, {text: f"{redacted_repr(text)} is taken for no day: valid without a limit" for text in words}


def empty_words(cells: Sequence[str], name: str, what: str) -> tuple[dict[str, tuple[str, int]], dict[str, str]]:
    """The name that empty cells get, where every row needs one."""
    empty = len(cells) - len(filled(cells))
    if not empty:
        return {}, {}
    return {"": (name, empty)}, {"": f"{format_count(empty, 'row')} {'has' if empty == 1 else 'have'} no {what}"}
