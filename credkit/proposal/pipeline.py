"""From exports to a proposed site file: which file is which, what their columns hold, which chains fit."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import permutations
from pathlib import Path

from credkit.core.errors import DefinitionError
from credkit.core.progress import SILENT, Progress
from credkit.core.sentences import redacted_repr
from credkit.discover.siteregister import RegisterRow
from credkit.discover.siteresults import SiteDiscovery
from credkit.proposal.chainlines import write_chains, write_held, write_targets
from credkit.proposal.columnroles import join_cells, log_roles, register_roles
from credkit.proposal.exporttable import ExportTable, read_exports, relative_path
from credkit.proposal.fileblocks import (
    find_cards,
    has_card_columns,
    register_columns,
    write_credentials,
    write_readings,
)
from credkit.proposal.filelines import find_day_order, log_form
from credkit.proposal.filepair import CardColumn, FilePair, column_cells, kind_cells, number_cells, reader_cells
from credkit.proposal.heldfiles import HeldExport, describe_unfit, find_held
from credkit.proposal.momentcolumns import OFFSET, MomentForm, to_moment
from credkit.proposal.numbers import NumberColumns, choose_columns, find_together, search_chains
from credkit.proposal.sitelines import SiteLines
from credkit.proposal.titledays import find_title_day

FEWEST_KNOWN = 5  # texts of readers that are numbers of the register, where one file only has a header that names cards
FAR_DAYS = 400  # between a day and the readings before it: a clock that is wrong


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteProposal:
    """A proposed site file: its text, what must be looked at, and which export is which; ``held`` by target."""

    toml: str
    doubts: tuple[str, ...]
    credentials: Path
    readings: Path
    names: tuple[str, str]  # of both, as sentences call them
    unused: tuple[Path, ...]
    held: Mapping[str, Path]
    found: SiteDiscovery


def propose_site(
    paths: Sequence[Path], folder: Path, *, time_zone: str = "", seconds: float | None = None,
    cards: Sequence[str] = (), progress: Progress = SILENT,
) -> SiteProposal:  # fmt: skip
    """The site file for ``folder`` that the exports at ``paths`` suggest; they are read where they are.

    ``cards`` are headers of columns with numbers of cards that their names do not show.
    Raises `DefinitionError` where no two of them are a register of credentials and a log of readings.
    """
    tables = [table for path in paths for table in read_exports(path)]
    pair = _find_pair(tables)
    kinds = kind_cells(pair.register, pair.roles)
    issues = column_cells(pair.register, pair.roles.headers.get("issue"))
    rows = {
        name: [
            RegisterRow(*row) for row in zip(kinds, column_cells(pair.register, name), issues, strict=True) if row[1]
        ]
        for name in pair.roles.numbers
    }
    times = join_cells(pair.log, pair.log_roles.time)
    form, time_doubt = log_form(
        pair.log, pair.log_roles, times, find_day_order(pair.register, pair.roles)
    )  # fmt: skip
    readers = reader_cells(pair.log, pair.log_roles)
    order = _order_of_time(times, form)
    texts = {name: _group(readers, column_cells(pair.log, name), order) for name in pair.log_roles.texts}
    progress.phase("looking for the numbers of cards")
    numbers = choose_columns(rows, texts)
    named = pair.roles.has_subject + pair.log_roles.has_subject
    if named == 0 or (named == 1 and numbers.known < FEWEST_KNOWN):
        raise DefinitionError(_describe_nothing(tables))
    readings = texts[numbers.text]
    together = find_together(rows, readings, numbers) if has_card_columns(pair) else ()
    columns_of_cards: tuple[CardColumn, ...] = tuple(CardColumn(header=name) for name in together)
    found = _search(pair, numbers, columns_of_cards, readings, seconds, progress)
    _refuse_unknown_cards(pair, cards)
    with_named = find_cards(pair, numbers, together, found, cards)
    if len(with_named) > len(columns_of_cards):
        columns_of_cards = with_named
        found = _search(pair, numbers, columns_of_cards, readings, seconds, progress)
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
    _write_as_of(lines, pair.register, _last_day(times, form))
    columns = register_columns(pair, numbers, found, columns_of_cards)
    pools = write_credentials(lines, pair, columns, form.pattern, relative_path(pair.register.path, folder))
    ids_of = columns.headers.get("credential_id")
    ids = set(column_cells(pair.register, ids_of)) if ids_of is not None else set()
    write_readings(
        lines, pair, numbers, (form, time_doubt), relative_path(pair.log.path, folder),
        frozenset() if ids_of == numbers.value else ids,
    )  # fmt: skip
    stamps = {name: [moment.isoformat() for moment in moments] for name, moments in
              _group_moments(readers, times, order, form).items()} if form.pattern == OFFSET else {}  # fmt: skip
    cells = [*number_cells(pair, numbers.value, columns.cards, columns.headers.get("printed"))]
    write_chains(lines, found, [each.printed for each in cells], [each.kind for each in cells],
                 [each.value for each in cells], stamps)  # fmt: skip
    rest = [table for table in tables if table not in (pair.register, pair.log)]
    progress.phase("looking for what targets hold")
    holders = column_cells(pair.register, columns.headers["person_id"]) * max(1, len(columns.cards))
    held = _name_targets(find_held(rest, holders, cells, found, seconds))
    lines.doubts.extend(f"targets: {describe_unfit(each)}" for each in held.values() if not each.chain)
    held = {name: each for name, each in held.items() if each.chain}
    write_held(lines, held, folder)
    write_targets(lines, found, [each.kind for each in held.values()])
    if pools:
        lines.table("rules")
        lines.key("pools", pools, "cards without a holder")
    used = {pair.register.path, pair.log.path, *(each.path for each in held.values())}
    unused = tuple(path for path in dict.fromkeys(paths) if path not in used)
    return SiteProposal(
        toml=lines.toml(), doubts=tuple(lines.doubts), credentials=pair.register.path, readings=pair.log.path,
        names=(pair.register.name, pair.log.name), unused=unused, found=found,
        held={name: each.path for name, each in held.items()},
    )  # fmt: skip


def _write_as_of(lines: SiteLines, register: ExportTable, last: date) -> None:
    """The day on which status is judged: the one above the header of the register, or that of the last reading."""
    titled = find_title_day(register.title)
    if titled is not None:
        lines.key("as_of", titled.day,
                  f"line {titled.line} of {register.name}, above the header, has this day",
                  f"the last reading is of {last}",
                  doubt="status is judged on this day: is it the day on which the register was exported?")  # fmt: skip
        return
    lines.key("as_of", last, "the day of the last reading",
              doubt="status is judged on this day: write the day on which the register was exported")  # fmt: skip


def _refuse_unknown_cards(pair: FilePair, cards: Sequence[str]) -> None:
    """Refuse a header that is declared as one of cards, where no such column may have their numbers."""
    for name in cards:
        if name not in pair.roles.numbers:
            known = ", ".join(map(redacted_repr, pair.roles.numbers))
            raise DefinitionError(
                f"--card: {redacted_repr(name)} is no column of {pair.register.name} that may have numbers of cards; "
                f"those are {known}"
            )
    if cards and not has_card_columns(pair):
        raise DefinitionError(
            f"--card: {pair.register.name} has a column of kinds, or none of persons: a line of it has one card"
        )


def _search(
    pair: FilePair, numbers: NumberColumns, cards: Sequence[CardColumn], readings: Mapping[str, Sequence[str]],
    seconds: float | None, progress: Progress,
) -> SiteDiscovery:  # fmt: skip
    """The kinds and readers of a site whose register has these columns of numbers."""
    cells = [*number_cells(pair, numbers.value, cards)]
    rows = [RegisterRow(each.kind, each.value, each.issue) for each in cells if each.value]
    return search_chains(readings, rows, [each.kind for each in cells], seconds=seconds, progress=progress)


def _name_targets(exports: Sequence[HeldExport]) -> dict[str, HeldExport]:
    """The exports by the names of their targets: those of the files."""
    found: dict[str, HeldExport] = {}
    for export in exports:
        stem = name = export.path.stem
        while name in found:
            name = f"{stem}-{len(found) + 1}"
        found[name] = export
    return found


def _find_pair(tables: Sequence[ExportTable]) -> FilePair:
    """The register and the log among the files: those whose columns speak most for it."""
    registers = {place: roles for place, table in enumerate(tables) if (roles := register_roles(table)) is not None}
    logs = {place: found for place, table in enumerate(tables) if (found := log_roles(table)) is not None}
    pairs = [(one, other) for one, other in permutations(range(len(tables)), 2) if one in registers and other in logs]
    if not pairs:
        raise DefinitionError(_describe_nothing(tables))
    one, other = max(pairs, key=lambda pair: registers[pair[0]].score + logs[pair[1]].score)
    return FilePair(register=tables[one], roles=registers[one], log=tables[other], log_roles=logs[other])


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
        said.append(f"{table.name}: {what}")
    return (
        "no site file can be proposed: a list of credentials (who holds which card number) and a log of readings "
        f"(time, reader, what it gave) are needed, one file each (--from); {'; '.join(said)}"
    )


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
