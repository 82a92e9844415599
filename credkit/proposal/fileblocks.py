"""The blocks of a proposed site file on its two files: which column is taken for what, and the lines about it."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from shlex import quote

from credkit.core.sentences import format_count, redacted_repr
from credkit.discover.siteresults import SiteDiscovery
from credkit.discover.sitetoml import quote_toml
from credkit.proposal.cellforms import describe_cells, filled
from credkit.proposal.columnroles import find_credential_ids, find_id_columns
from credkit.proposal.exporttable import ExportTable
from credkit.proposal.filelines import (
    RegisterColumns,
    absent_constants,
    day_words,
    empty_words,
    register_days,
    status_words,
    write_cards,
    write_date,
    write_file_keys,
    write_others,
    write_register_columns,
    write_strip,
    write_time,
    write_words,
)
from credkit.proposal.filepair import (
    NOBODY,
    ONE_KIND,
    ONE_READER,
    UNNAMED,
    CardColumn,
    FilePair,
    column_cells,
    kind_cells,
)
from credkit.proposal.headerwords import names_subject
from credkit.proposal.momentcolumns import MomentForm
from credkit.proposal.numbers import FEWEST_SHARED, NumberColumns
from credkit.proposal.printednumbers import find_printed
from credkit.proposal.sitelines import SiteLines
from credkit.site.rows import CREDENTIALS, READINGS

SHORTEST_NUMBER = 5  # characters of what looks like the number of a card
CREDENTIALS_TABLE, READINGS_TABLE = "credentials", "readings"
CARD_HEADERS = {"value": "header", "printed": "printed"}  # what a `CardColumn` calls the headers of our columns


def find_cards(
    pair: FilePair, numbers: NumberColumns, together: Sequence[str], found: SiteDiscovery,
    declared: Collection[str] = (),
) -> tuple[CardColumn, ...]:  # fmt: skip
    """The columns of a register that have the numbers of several cards of each person; none where there is one only.

    They are those that readers give ``together``, those whose header and cells are of a card that no reader gives, and
    those that are ``declared`` as cards.
    """
    table, given = pair.register, [*together] or [numbers.value]
    if not has_card_columns(pair) or not (together or declared or numbers.known >= FEWEST_SHARED):
        return ()
    ids = find_credential_ids(table, [name for name in pair.roles.numbers if name not in given])
    named = [
        name for name, known in numbers.others.items()
        if name not in given and (name in declared or (
            known == 0 and name != ids and names_subject(name, "value", "credential_id") and not any(
                find_printed(table, [name], [one if together else ONE_KIND] * table.rows, one, found) for one in given
            )
        ))
    ]  # fmt: skip
    cards = [
        *(CardColumn(header=name) for name in given),
        *(CardColumn(header=name, is_read=numbers.others[name] > 0) for name in named),
    ]
    order = [*table.columns]
    return tuple(sorted(cards, key=lambda card: order.index(card.header))) if len(cards) > 1 else ()


def has_card_columns(pair: FilePair) -> bool:
    """Whether a line of the register may have several cards: it has a person, and no column names the kind."""
    return "person_id" in pair.roles.headers and "kind" not in pair.roles.headers


def register_columns(
    pair: FilePair, numbers: NumberColumns, found: SiteDiscovery, cards: Sequence[CardColumn] = ()
) -> RegisterColumns:  # fmt: skip
    """Where each column of the credentials comes from, now that it is known which have the numbers."""
    if cards:
        return _columns_of_cards(pair, found, cards)
    headers = {role: name for role, name in pair.roles.headers.items() if role != "issue"}
    if any(kind.has_issue for kind in found.kinds) and "issue" in pair.roles.headers:
        headers["issue"] = pair.roles.headers["issue"]
    headers["value"] = numbers.value
    taken = {*headers.values()}
    left = [name for name in pair.register.columns if name not in taken]
    printed = find_printed(pair.register, left, kind_cells(pair.register, pair.roles), numbers.value, found)
    if printed is not None:
        headers["printed"] = printed
        left.remove(printed)
    headers["credential_id"] = find_credential_ids(pair.register, left) or numbers.value
    headers.setdefault("person_id", headers["credential_id"])
    return RegisterColumns(
        headers={name: headers[name] for name in CREDENTIALS if name in headers},
        other_numbers={name: known for name, known in numbers.others.items()
                       if known and name not in headers.values()},
    )  # fmt: skip


def _columns_of_cards(pair: FilePair, found: SiteDiscovery, cards: Sequence[CardColumn]) -> RegisterColumns:
    """The same where each line has the numbers of several cards."""
    table = pair.register
    headers = {role: name for role, name in pair.roles.headers.items() if role != "issue"}
    left = [name for name in table.columns if name not in {*headers.values(), *(card.header for card in cards)}]
    printed: list[CardColumn] = []
    for card in cards:
        name = find_printed(table, left, [card.header] * table.rows, card.header, found)
        left = [each for each in left if each != name]
        printed.append(replace(card, printed=name or ""))
    if ids := find_credential_ids(table, left):
        headers["credential_id"] = ids
    persons = [cell for cell in column_cells(table, headers["person_id"]) if cell]
    template = "{person_id}-{kind}" if len(set(persons)) == table.rows else "{kind}-{value}"
    return RegisterColumns(
        headers={name: headers[name] for name in CREDENTIALS if name in headers}, other_numbers={},
        cards=tuple(printed), ids="" if ids else template,
    )  # fmt: skip


def write_credentials(
    lines: SiteLines, pair: FilePair, columns: RegisterColumns, log_pattern: str, path: str
) -> list[str]:
    """The lines on the credentials; the persons that stand for cards without a holder."""
    table, headers = pair.register, columns.headers
    days, day_doubt = register_days(table, pair.roles, log_pattern)
    lines.table("files", CREDENTIALS_TABLE)
    write_file_keys(lines, table, path)
    write_date(lines, days, day_doubt)
    taken = {column: (header,) for column, header in headers.items()}
    for column in ("value", "printed"):
        if found_there := [name for card in columns.cards if (name := getattr(card, CARD_HEADERS[column]))]:
            taken[column] = tuple(found_there)
    write_strip(lines, table, taken)
    constants = absent_constants(table, CREDENTIALS, {name: header for name, (header, *_) in taken.items()})
    if columns.cards:
        _write_ids(lines, columns)
    elif "kind" not in headers:
        constants["kind"] = ONE_KIND
        lines.comment("no column names the kind of card: all are one")
    if "status" not in headers:
        constants["status"] = "active"
        lines.doubt("constants", "no column has a status: all cards are taken for active within their days")
    if constants:
        lines.key("constants", constants)
    if pair.roles.days:
        names = ", ".join(map(redacted_repr, pair.roles.days))
        lines.doubt("columns", f"nothing says what the days in {names} mean: left out; if cards are valid until one "
                    f'of them, write valid_until = {redacted_repr(pair.roles.days[0])} under columns')  # fmt: skip
    write_others(lines, table, columns.used)
    _write_other_numbers(lines, table, pair.roles.numbers, columns)
    write_register_columns(lines, table, columns, CREDENTIALS_TABLE)
    words = {}
    if "status" in headers:
        words["status"] = status_words(column_cells(table, headers["status"]), headers["status"])
    for role in ("valid_from", "valid_until"):
        if role in headers:
            words[role] = day_words(days, table.columns[headers[role]])
    words["person_id"] = empty_words(table.columns[headers["person_id"]], NOBODY, "holder")
    if "credential_id" in headers:
        words["credential_id"] = empty_words(table.columns[headers["credential_id"]], UNNAMED, "credential id")
    if "kind" in headers:
        words["kind"] = empty_words(table.columns[headers["kind"]], UNNAMED, "kind")
    for column, (meanings, doubts) in words.items():
        write_words(lines, CREDENTIALS_TABLE, column, meanings, doubts)
    write_cards(lines, table, columns, CREDENTIALS_TABLE)
    return [NOBODY] if words["person_id"][0] else []


def _write_other_numbers(
    lines: SiteLines, table: ExportTable, names: Sequence[str], columns: RegisterColumns
) -> None:  # fmt: skip
    """The columns that are left out and whose cells look like numbers of cards, each with what would take it."""
    for name in names:
        some = filled(table.columns[name])
        count = sum(len(text) >= SHORTEST_NUMBER for text in some)
        known = columns.other_numbers.get(name, 0)
        if name in columns.used or count < FEWEST_SHARED or (not known and len(set(some)) < len(some)):
            continue
        what = f"; readers give {known:,} of those tried" if known else "; of those tried, readers give none"
        cells = format_count(len(some), "cell")
        lines.doubt(
            "columns", f"{redacted_repr(name)} is left out, and {count:,} of {cells} look like numbers of cards{what}: "
            f"if they are cards, run init again with --card {quote(name)}",
        )  # fmt: skip


def _write_ids(lines: SiteLines, columns: RegisterColumns) -> None:
    """How the ids of several credentials in one line are made."""
    count = len(columns.cards)
    if columns.ids:
        lines.key("credential_id", columns.ids, doubt=f"no column names the credentials: the {count} numbers of a line "
                  'are taken for cards of their own; if they are on one card, write "{person_id}"')  # fmt: skip
    else:
        lines.doubt(
            "credential_id", f"the {count} numbers of a line have one id: they are taken for numbers of one card"
        )


def write_readings(
    lines: SiteLines, pair: FilePair, numbers: NumberColumns, time: tuple[MomentForm, str], path: str,
    ids: Collection[str],
) -> None:  # fmt: skip
    """The lines on the readings."""
    table, roles = pair.log, pair.log_roles
    headers = {**roles.headers, "text": numbers.text}
    lines.table("files", READINGS_TABLE)
    write_file_keys(lines, table, path)
    write_time(lines, *time, table.rows)
    write_strip(lines, table, {"time": roles.time, **{column: (header,) for column, header in headers.items()}})
    used = {**headers, **{f"time {name}": name for name in roles.time}, "time": roles.time[0]}
    constants = absent_constants(table, READINGS, used)
    if "reader" not in headers:
        constants["reader"] = ONE_READER
        lines.doubt("constants", "no column names the reader: all readings are taken for those of one")
    if constants:
        lines.key("constants", constants)
    write_others(lines, table, {*headers.values(), *roles.time})
    lines.table("files", READINGS_TABLE, "columns")
    time_names = roles.time[0] if len(roles.time) == 1 else [*roles.time]
    joined = "a day and a clock, joined" if len(roles.time) > 1 else describe_cells(table.columns[roles.time[0]])
    more = f"{', '.join(map(redacted_repr, roles.other_times))} hold times, too" if roles.other_times else ""
    lines.key("time", time_names, joined, *([more] if more else []))
    for column in READINGS[1:]:
        if column in headers:
            evidence = describe_cells(table.columns[headers[column]])
            if column == "text" and numbers.known:
                evidence += f"; of those tried, {numbers.known:,} are numbers of the credentials"
            doubt = table.stored.get(headers[column], "") if column == "text" else ""
            if column == "expected":
                doubt = "only what somebody saw at the desk is proof: leave it out if the system itself wrote it"
            lines.key(column, headers[column], evidence, doubt=doubt)
    if "reader" in headers:
        write_words(lines, READINGS_TABLE, "reader", *empty_words(table.columns[headers["reader"]], UNNAMED, "reader"))
    for name in find_id_columns(table, ids, {*headers.values(), *roles.time}):
        lines.doubt(
            "expected",
            f"{redacted_repr(name)} names credentials, and is left out: if the desk saw these cards, and the system "
            f"itself did not write it, add expected = {quote_toml(name)}",
        )
    if not numbers.known:
        lines.doubt("text", f"{format_count(numbers.texts, 'text')} tried: readers give no number of the credentials")
