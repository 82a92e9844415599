"""The folder that ``credkit discover site`` reads: captures of several readers, and a register if there is one."""

from __future__ import annotations

import csv
import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from shlex import join

from bitstring import Bits

from credkit.cli.discover.exporttexts import read_export_text
from credkit.core.errors import DefinitionError
from credkit.discover.siteregister import RegisterRow
from credkit.files.declaredfiles import CsvFile
from credkit.privacy.accounts import holds_track
from credkit.privacy.stripes import stripe_texts
from credkit.proposal.exporttable import find_delimiter
from credkit.proposal.headerlines import find_header_line

LARGEST_FILE_BYTES = 1 << 28
_BITS, _HEX = re.compile("[01]{60,}"), re.compile("[0-9A-Fa-f]{15,}")  # records that may hold a payment track


@dataclass(slots=True)
class SiteFolder:
    """What the files of a folder hold: each reader's texts and times in their order, and the register's rows.

    ``times`` are empty for a reader whose file has none. ``skipped`` names the files that are neither.
    """

    readings: dict[str, list[str]] = field(default_factory=dict)
    times: dict[str, list[str]] = field(default_factory=dict)
    register: list[RegisterRow] = field(default_factory=list)
    has_local_times: bool = False
    as_of: date | None = None
    files: list[str] = field(default_factory=list)
    registers: list[str] = field(default_factory=list)
    skipped: list[str] = field(default_factory=list)


def read_site_folder(folder: Path) -> SiteFolder:
    """The captures and the register in ``folder``.

    A CSV file with the columns kind and value is a register; one with reader and text holds the readings of several
    readers; one with text, and without person_id, those of the reader that it is called after, as has a file .txt with
    a text a line. Raises `DefinitionError` for a payment track, and where there is no capture.
    """
    found = SiteFolder()
    rows: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for path in sorted(folder.iterdir()):
        if not path.is_file() or path.suffix.lower() not in (".csv", ".txt"):
            continue
        file = CsvFile(path=path, name=path.name)
        if path.suffix.lower() == ".txt":
            lines = enumerate(read_export_text(path, LARGEST_FILE_BYTES).text.splitlines(), 1)
            _take(file, rows, found, [(line, path.stem, text.strip(), "") for line, text in lines if text.strip()])
            continue
        header, body = _read_csv(file)
        if _is_register(header):
            kind, value = header.index("kind"), header.index("value")
            issue = header.index("issue") if "issue" in header else None
            for line, cells in body:
                row = RegisterRow(cells[kind], cells[value], "" if issue is None else cells[issue])
                _refuse_track(file, line, row.value)
                found.register.append(row)
            found.registers.append(path.name)
        elif _is_capture(header):
            text = header.index("text")
            reader = header.index("reader") if "reader" in header else None
            time = header.index("time") if "time" in header else None
            _take(file, rows, found, [
                (line, path.stem if reader is None else cells[reader], cells[text], "" if time is None else cells[time])
                for line, cells in body if cells[text]
            ])  # fmt: skip
        else:
            found.skipped.append(path.name)
    if not rows:
        exports = describe_exports(folder, found.skipped)
        raise DefinitionError(
            f"{folder}: there is no capture, expected a CSV file with the columns reader and text, or one file a reader"
            f"{f'; {exports}' if exports else ''}"
        )
    for name, each in rows.items():
        _put_in_order(found, name, each)
    return found


def describe_exports(folder: Path, names: Sequence[str]) -> str:
    """What reads two files or more whose columns have other names: a command to paste; empty for fewer."""
    if len(names) < 2:
        return ""
    exports = [part for name in names for part in ("--from", str(folder / name))]
    return f"exports with headers of their own are read by: {join(['credkit', 'init', 'site', *exports])}"


def _take(
    file: CsvFile, rows: dict[str, list[tuple[str, str]]], found: SiteFolder, read: Sequence[tuple[int, str, str, str]]
) -> None:
    """Take the readings of one file: line, reader, text and time of each."""
    seen = set()
    for line, reader, text, time in read:
        if text not in seen:
            seen.add(text)
            _refuse_track(file, line, text)
        rows[reader].append((time, text))
    found.files.append(file.name)


def _refuse_track(file: CsvFile, line: int, text: str) -> None:
    """Refuse a text that holds a payment track, in characters or in bits."""
    bits = Bits()
    if _BITS.fullmatch(text):
        bits = Bits(f"0b{text}")
    elif _HEX.fullmatch(text):
        bits = Bits(f"0x{text}")
    if holds_track(text) or any(holds_track(each) for each, _ in (stripe_texts(bits) if bits else ())):
        file.refuse_track(line)


def _put_in_order(found: SiteFolder, name: str, rows: Sequence[tuple[str, str]]) -> None:
    """A reader's texts in the order of their times, if all of them have one; else as they stand in the files."""
    try:
        moments = [datetime.fromisoformat(time) for time, _ in rows]
        order = sorted(range(len(rows)), key=moments.__getitem__)
    except (ValueError, TypeError):
        found.readings[name] = [text for _, text in rows]
        return
    found.readings[name] = [rows[place][1] for place in order]
    found.times[name] = [moments[place].isoformat() for place in order]
    found.has_local_times = found.has_local_times or moments[0].tzinfo is None
    middle = moments[order[len(order) * 9 // 10]].date()
    found.as_of = max(middle, found.as_of or middle)


def _read_csv(file: CsvFile) -> tuple[list[str], list[tuple[int, list[str]]]]:
    """The header and the rows below it of a CSV file, with their lines; the delimiter is the one that fits most lines.

    Lines of a title above the header are not read.
    """
    lines = read_export_text(file.path, LARGEST_FILE_BYTES).text.splitlines()
    if not any(lines):
        return [], []
    delimiter, _ = find_delimiter(lines)
    reader = csv.reader(lines, delimiter=delimiter, strict=True)
    rows: list[tuple[int, list[str]]] = []
    try:
        rows.extend((reader.line_num, cells) for cells in reader if cells)
    except csv.Error as error:
        file.refuse(reader.line_num, f"the row is not CSV: {error}")
    place = find_header_line([cells for _, cells in rows])
    header = [name.strip() for name in rows[place][1]]
    body = rows[place + 1 :]
    if _is_register(header) or _is_capture(header):
        for line, cells in body:
            if len(cells) != len(header):
                file.refuse(line, f"the row has {len(cells)} cells, expected {len(header)}")
    return header, body


def _is_register(header: Sequence[str]) -> bool:
    return {"kind", "value"} <= {*header}


def _is_capture(header: Sequence[str]) -> bool:
    return "text" in header and "person_id" not in header
