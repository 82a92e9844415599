"""The demo's files: generated in memory, then written, and never over anything else.

A file that is there already is left alone if it holds the same bytes; if it holds anything else,
nothing is written.
"""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.demo import clocks, columns, desk, faults, harbours, identifiers, noise, stripes, traffic
from credkit.demo.draws import Dice
from credkit.demo.world import SITE, Plant, World
from credkit.files.outputs import add_files

SEED = 20260331
SITE_FILE, CREDENTIALS, READINGS = "site.toml", "credentials.csv", "readings.csv"
EXPORTS = {"gatehouse": "gatehouse-export.csv", "laundry": "laundry-export.csv"}  # by target
COLUMNS_OF_FILE = {
    CREDENTIALS: (
        "person_id", "credential_id", "kind", "value", "printed", "issue", "status", "valid_from", "valid_until",
        "replaces", "source",
    ),
    READINGS: ("time", "reader", "text", "presentation", "expected"),
    **dict.fromkeys(EXPORTS.values(), ("person_id", "text")),
}  # fmt: skip
CodedRow = tuple[Sequence[str], str | None]  # what a file holds, and why it belongs in the exceptions


@dataclass(frozen=True, slots=True, kw_only=True)
class Demo:
    """What `write_demo` wrote, and what is in it.

    ``plants`` must all be found, and nothing else under their codes. ``exceptions`` has, for each
    file, the lines that belong in the exceptions and the code of each.
    """

    folder: Path
    site: Path
    plants: tuple[Plant, ...]
    exceptions: Mapping[str, Mapping[int, str]]


def write_demo(folder: str | Path, seed: int = SEED) -> Demo:
    """Write Brackwater Terminal's site file, registers, readings and export into ``folder``.

    The same seed gives the same bytes. The files are readable by their owner only. Raises
    `DefinitionError`, before anything is written, if one of them is there and differs.
    """
    folder = Path(folder)
    world = build_brackwater(seed)
    files, exceptions = {SITE_FILE: SITE.read_bytes()}, {}
    for name, rows in file_rows(world).items():
        files[name] = encode_csv(COLUMNS_OF_FILE[name], [row for row, _ in rows])
        exceptions[name] = {line: code for line, (_, code) in enumerate(rows, 2) if code}
    write_files(folder, files)
    return Demo(folder=folder, site=folder / SITE_FILE, plants=tuple(world.plants), exceptions=exceptions)


def build_brackwater(seed: int = SEED) -> World:
    """The world from a seed: first the cards, then what is wrong with them, then the month, then what came later."""
    world = World(dice=Dice(seed))
    serials = harbours.Serials(world)
    harbours.east_harbour(world)
    harbours.west_harbour(world, serials)
    harbours.lost_and_reissued(world)
    harbours.returned_and_used_again(world)
    harbours.contractors(world)
    harbours.visitor_pool(world)
    faults.printed_with_offset(world)
    faults.clashing_numbers(world)
    faults.lost_and_ordered_again(world)
    faults.two_active_issues(world)
    faults.two_holders(world)
    faults.alike_in_three_bytes(world, serials)
    faults.alike_in_eight_digits(world, serials)
    faults.labels_cut(world, serials)
    faults.column_too_small(world)
    faults.registers_disagree(world)
    harbours.lockers(world)
    faults.unwritable(world)
    faults.damaged_cells(world, serials)
    faults.mistyped_cells(world)
    faults.export(world)
    faults.held_without_a_reason(world)

    cards = traffic.walkers(world)
    traffic.everyday_reads(world, cards)
    traffic.around_the_reset(world, cards)
    traffic.contractors_until_the_last_day(world)
    traffic.until_the_loss(world)
    traffic.round_numbers(world)
    traffic.visitors(world)
    traffic.desk(world)
    traffic.at_the_lockers(world)
    noise.flipped_bits(world, cards)
    noise.lost_bits(world, cards)
    noise.inverted_lines(world, cards)
    noise.cut_short(world, cards)
    noise.from_no_register(world, serials)
    noise.from_another_port(world)
    noise.phones(world)
    noise.labels_cut(world)
    noise.wrong_byte_order(world, serials, cards)
    noise.one_facility_code(world, cards)
    noise.damaged_rows(world, cards)
    noise.out_of_force(world)
    noise.swapped_serials(world)
    noise.swapped_cards(world, cards)
    noise.broken_off(world)
    noise.nobodys_numbers(world)

    swipers = stripes.west_stripes(world)
    stripes.lost_and_replaced_alike(world)
    stripes.swiped(world, swipers)
    stripes.both_faces(world, swipers)
    stripes.old_issues(world)
    stripes.wrong_bits(world, swipers)
    stripes.cut_short(world, swipers)
    stripes.inverted_lines(world, swipers)
    stripes.not_one_swipe(world, swipers)
    stripes.typed_by_hand(world, swipers)
    stripes.another_keyboard(replace(world, dice=Dice(seed + 1)), swipers)  # its own dice: all else stays as it was
    stripes.bank_cards(replace(world, dice=Dice(seed + 2)))

    later = replace(world, dice=Dice(seed + 3))  # its own dice, too
    identifiers.near_ids(later, serials)
    identifiers.source_without_a_rank(later)
    identifiers.white_space(later)
    identifiers.unreadable_values(later)
    identifiers.twin_rows(later)
    identifiers.one_id_two_cards(later)
    identifiers.replaces_in_vain(later)
    desk.ids_nobody_has(later)
    desk.numbers_nobody_has(later)
    desk.superseded_numbers(later)
    desk.still_lent(later)
    clocks.clock_without_time(later, cards)
    clocks.silent_reset(later, cards)
    clocks.another_form(later, cards)
    noise.rounded_lines(later, cards)
    columns.export_without_zeros(later)
    columns.sixteen_digits(later)
    columns.seventeen_digits(later)
    columns.six_round_numbers(later)

    noise.noted_serials(world)
    noise.never_seen(world)
    noise.half_seen(world)
    return world


def file_rows(world: World) -> dict[str, list[CodedRow]]:
    """The rows of each file in their order, each with the code under which it belongs in the exceptions."""
    credentials: list[CodedRow] = [
        (
            (
                row.card.person, row.card.id, row.kind, row.value, row.printed, str(row.card.issue), row.card.status,
                row.card.since.isoformat(), row.card.until.isoformat() if row.card.until else "", row.card.replaces,
                row.card.source,
            ),
            row.code,
        )
        for row in sorted(world.assignments, key=lambda row: row.card.source)
    ]  # fmt: skip
    readings: list[CodedRow] = [
        ((read.stamp.isoformat(), read.reader, read.text, read.presentation, read.expected), read.code)
        for read in sorted(world.reads, key=lambda read: read.stamp)
    ]
    held: dict[str, list[CodedRow]] = {name: [] for name in EXPORTS.values()}
    for row in sorted(world.held, key=lambda row: (row.person, row.text)):
        held[EXPORTS[row.target]].append(((row.person, row.text), row.code))
    return {CREDENTIALS: credentials, READINGS: readings, **held}


def encode_csv(header: Sequence[str], rows: Iterable[Sequence[object]]) -> bytes:
    """A file that the demo makes for others to read: its cells are as they are, formulas included.

    >>> encode_csv(("person_id", "text"), [("H-1", "=1+1")])
    b'person_id,text\\nH-1,=1+1\\n'
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return buffer.getvalue().encode()


def write_files(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write ``files`` where they are missing, all or none."""
    try:
        missing = {name: data for name, data in files.items() if not _holds_already(folder / name, data)}
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        add_files(folder, missing)
    except OSError as error:
        raise DefinitionError(f"demo: {redacted_repr(str(folder))} cannot be written ({error.strerror})") from None


def _holds_already(path: Path, data: bytes) -> bool:
    """Whether ``path`` holds ``data`` already; raises `DefinitionError` if it holds anything else."""
    if not os.path.lexists(path):
        return False
    if path.is_symlink() or not path.is_file() or path.read_bytes() != data:
        raise DefinitionError(f"demo: {path.name} is there already and holds something else; name another folder")
    return True
