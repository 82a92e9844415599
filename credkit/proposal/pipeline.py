"""From exports to a proposed site file: which file is which, what their columns hold, which chains fit."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import permutations
from pathlib import Path

from credkit.core.errors import DefinitionError
from credkit.core.progress import SILENT, Progress
from credkit.core.sentences import format_count, redacted_repr
from credkit.core.whitespace import strip_white_space
from credkit.discover.siteregister import RegisterRow
from credkit.discover.siteresults import SiteDiscovery
from credkit.discover.sitetoml import quote_toml
from credkit.proposal.cellforms import describe_cells
from credkit.proposal.chainlines import write_chains, write_targets
from credkit.proposal.columnroles import (
    LogRoles,
    RegisterRoles,
    find_credential_ids,
    find_id_columns,
    join_cells,
    log_roles,
    register_roles,
)
from credkit.proposal.exporttable import ExportTable, read_export
from credkit.proposal.filelines import (
    NOBODY,
    ONE_KIND,
    ONE_READER,
    UNNAMED,
    RegisterColumns,
    absent_constants,
    day_words,
    empty_words,
    log_form,
    register_days,
    status_words,
    write_date,
    write_file_keys,
    write_others,
    write_register_columns,
    write_strip,
    write_time,
    write_words,
)
from credkit.proposal.momentcolumns import OFFSET, MomentForm, to_moment
from credkit.proposal.numbers import NumberColumns, choose_columns, search_chains
from credkit.proposal.printednumbers import find_printed
from credkit.proposal.sitelines import SiteLines
from credkit.site.rows import CREDENTIALS, READINGS

FEWEST_KNOWN = 5  # texts of readers that are numbers of the register, where a header of one file only names a card
FAR_DAYS = 400  # between a day and the readings before it: a clock that is wrong
CREDENTIALS_TABLE, READINGS_TABLE = "credentials", "readings"


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteProposal:
    """A proposed site file: its text, what must be looked at, and which export is which."""

    toml: str
    doubts: tuple[str, ...]
    credentials: Path
    readings: Path
    unused: tuple[Path, ...]
    found: SiteDiscovery


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pair:
    """The two files of a site, with what their columns may hold."""

    register: ExportTable
    roles: RegisterRoles
    log: ExportTable
    log_roles: LogRoles


def propose_site(
    paths: Sequence[Path], folder: Path, *, time_zone: str = "", seconds: float | None = None,
    progress: Progress = SILENT,
) -> SiteProposal:  # fmt: skip
    """The site file for ``folder`` that the exports at ``paths`` suggest; they are read where they are.

    Raises `DefinitionError` where no two of them are a register of credentials and a log of readings.
    """
    tables = [read_export(path) for path in paths]
    pair = _find_pair(tables)
    kinds = _kind_cells(pair.register, pair.roles)
    issues = _cells(pair.register, pair.roles.headers.get("issue"))
    rows = {
        name: [RegisterRow(*row) for row in zip(kinds, _cells(pair.register, name), issues, strict=True) if row[1]]
        for name in pair.roles.numbers
    }
    times = join_cells(pair.log, pair.log_roles.time)
    form, time_doubt = log_form(pair.log, pair.log_roles, times)
    readers = _reader_cells(pair.log, pair.log_roles)
    order = _order_of_time(times, form)
    texts = {name: _group(readers, _cells(pair.log, name), order) for name in pair.log_roles.texts}
    progress.phase("looking for the numbers of cards")
    numbers = choose_columns(rows, texts)
    named = pair.roles.has_subject + pair.log_roles.has_subject
    if named == 0 or (named == 1 and numbers.known < FEWEST_KNOWN):
        raise DefinitionError(_describe_nothing(tables))
    found = search_chains(texts[numbers.text], rows[numbers.value], kinds, seconds=seconds, progress=progress)
    lines = SiteLines()
    lines.comment(
        "Proposed by credkit init. The evidence for each line stands above it.",
        "LOOK marks what the files leave in doubt: look at these lines before you rely on a result.",
    )
    lines.table("site")
    lines.key("name", folder.resolve().name)
    zone_doubt = "" if time_zone or form.pattern == OFFSET or "+hh:mm" in form.pattern else (
        "no file names the time zone, and the times have no offset: write the site's own, such as "
        '"Europe/Amsterdam" (credkit init --time-zone NAME)'
    )  # fmt: skip
    lines.key("time_zone", time_zone or "Etc/UTC", doubt=zone_doubt)
    lines.key("as_of", _last_day(times, form), "the day of the last reading",
              doubt="status is judged on this day: write the day on which the register was exported")  # fmt: skip
    columns = _register_columns(pair, numbers, found, rows[numbers.value])
    pools = _write_credentials(lines, pair, columns, form.pattern, _relative(pair.register.path, folder))
    ids = set(_cells(pair.register, columns.headers["credential_id"]))
    _write_readings(
        lines, pair, numbers, (form, time_doubt), _relative(pair.log.path, folder),
        frozenset() if columns.headers["credential_id"] == numbers.value else ids,
    )  # fmt: skip
    stamps = {name: [moment.isoformat() for moment in moments] for name, moments in
              _group_moments(readers, times, order, form).items()} if form.pattern == OFFSET else {}  # fmt: skip
    printed = columns.headers.get("printed")
    write_chains(lines, found, _cells(pair.register, printed) if printed else (), kinds,
                 _cells(pair.register, numbers.value), stamps)  # fmt: skip
    write_targets(lines, found)
    if pools:
        lines.table("rules")
        lines.key("pools", pools, "cards without a holder")
    unused = tuple(table.path for table in tables if table not in (pair.register, pair.log))
    return SiteProposal(
        toml=lines.toml(), doubts=tuple(lines.doubts), credentials=pair.register.path, readings=pair.log.path,
        unused=unused, found=found,
    )  # fmt: skip


def _find_pair(tables: Sequence[ExportTable]) -> _Pair:
    """The register and the log among the files: those whose columns speak most for it."""
    registers = {place: roles for place, table in enumerate(tables) if (roles := register_roles(table)) is not None}
    logs = {place: found for place, table in enumerate(tables) if (found := log_roles(table)) is not None}
    pairs = [(one, other) for one, other in permutations(range(len(tables)), 2) if one in registers and other in logs]
    if not pairs:
        raise DefinitionError(_describe_nothing(tables))
    one, other = max(pairs, key=lambda pair: registers[pair[0]].score + logs[pair[1]].score)
    return _Pair(register=tables[one], roles=registers[one], log=tables[other], log_roles=logs[other])


def _describe_nothing(tables: Sequence[ExportTable]) -> str:
    """Why the files are no site: what was looked for, and what each may be."""
    said = []
    for table in tables:
        register, log = register_roles(table), log_roles(table)
        what = (
            "may be readings" if log is not None and log.has_subject
            else "may be credentials" if register is not None and register.has_subject
            else "no column is known to hold numbers of cards, holders or what readers gave"
        )  # fmt: skip
        said.append(f"{table.path.name}: {what}")
    return (
        "no site file can be proposed: a list of credentials (who holds which card number) and a log of readings "
        f"(time, reader, what it gave) are needed, one file each (--from); {'; '.join(said)}"
    )


def _cells(table: ExportTable, header: str | None) -> list[str]:
    return [""] * table.rows if header is None else [strip_white_space(cell) for cell in table.columns[header]]


def _kind_cells(table: ExportTable, roles: RegisterRoles) -> list[str]:
    if "kind" not in roles.headers:
        return [ONE_KIND] * table.rows
    return [cell or UNNAMED for cell in _cells(table, roles.headers["kind"])]


def _reader_cells(table: ExportTable, roles: LogRoles) -> list[str]:
    if "reader" not in roles.headers:
        return [ONE_READER] * table.rows
    return [cell or UNNAMED for cell in _cells(table, roles.headers["reader"])]


def _order_of_time(times: Sequence[str], form: MomentForm) -> list[int]:
    """The rows in the order of their times; those without a time first."""
    moments = [to_moment(text, form.pattern) for text in times]
    return sorted(range(len(times)), key=lambda place: moments[place] or datetime.min)


def _group(readers: Sequence[str], texts: Sequence[str], order: Sequence[int]) -> dict[str, list[str]]:
    """The texts of each reader, in order."""
    found: dict[str, list[str]] = defaultdict(list)
    for place in order:
        if texts[place]:
            found[readers[place]].append(texts[place])
        else:
            found.setdefault(readers[place], [])
    return {name: found[name] for name in sorted(found)}


def _group_moments(
    readers: Sequence[str], times: Sequence[str], order: Sequence[int], form: MomentForm
) -> dict[str, list[datetime]]:
    """The times of each reader, in order, with their offsets."""
    found: dict[str, list[datetime]] = defaultdict(list)
    for place in order:
        if to_moment(times[place], form.pattern) is not None:
            found[readers[place]].append(datetime.fromisoformat(times[place].replace(",", ".")))
    return found


def _last_day(times: Sequence[str], form: MomentForm) -> date:
    """The last day of the readings, without those far behind all others."""
    days = sorted({moment.date() for text in times if (moment := to_moment(text, form.pattern)) is not None})
    while len(days) > 1 and (days[-1] - days[-2]).days > FAR_DAYS:
        days.pop()
    return days[-1]


def _relative(path: Path, folder: Path) -> str:
    """The path of an export as the site file in ``folder`` names it."""
    try:
        return Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix()
    except ValueError:  # another drive
        return path.resolve().as_posix()


def _register_columns(
    pair: _Pair, numbers: NumberColumns, found: SiteDiscovery, rows: Sequence[RegisterRow]
) -> RegisterColumns:
    """Where each column of the credentials comes from, now that it is known which one has the numbers."""
    headers = {role: name for role, name in pair.roles.headers.items() if role != "issue"}
    if any(kind.has_issue for kind in found.kinds) and "issue" in pair.roles.headers:
        headers["issue"] = pair.roles.headers["issue"]
    headers["value"] = numbers.value
    taken = {*headers.values()}
    left = [name for name in pair.register.columns if name not in taken]
    printed = find_printed(pair.register, left, _kind_cells(pair.register, pair.roles), numbers.value, found)
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


def _write_credentials(
    lines: SiteLines, pair: _Pair, columns: RegisterColumns, log_pattern: str, path: str
) -> list[str]:
    """The lines on the credentials; the persons that stand for cards without a holder."""
    table, headers = pair.register, columns.headers
    days, day_doubt = register_days(table, pair.roles, log_pattern)
    lines.table("files", CREDENTIALS_TABLE)
    write_file_keys(lines, table, path)
    write_date(lines, days, day_doubt)
    write_strip(lines, table, {column: (header,) for column, header in headers.items()})
    constants = absent_constants(table, CREDENTIALS, headers)
    if "kind" not in headers:
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
    write_others(lines, table, headers.values())
    write_register_columns(lines, table, columns, CREDENTIALS_TABLE)
    words = {}
    if "status" in headers:
        words["status"] = status_words(_cells(table, headers["status"]), headers["status"])
    for role in ("valid_from", "valid_until"):
        if role in headers:
            words[role] = day_words(days, table.columns[headers[role]])
    words["person_id"] = empty_words(table.columns[headers["person_id"]], NOBODY, "holder")
    words["credential_id"] = empty_words(table.columns[headers["credential_id"]], UNNAMED, "credential id")
    if "kind" in headers:
        words["kind"] = empty_words(table.columns[headers["kind"]], UNNAMED, "kind")
    for column, (meanings, doubts) in words.items():
        write_words(lines, CREDENTIALS_TABLE, column, meanings, doubts)
    return [NOBODY] if words["person_id"][0] else []


def _write_readings(
    lines: SiteLines, pair: _Pair, numbers: NumberColumns, time: tuple[MomentForm, str], path: str,
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
            doubt = ""
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
