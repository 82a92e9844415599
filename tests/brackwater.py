"""Small sites of Brackwater Terminal for the tests of the crosswalk, written by hand.

Frames are made here by the rule of SIA AC-01, not by credkit. `walk` checks of every crosswalk
what must hold whatever the rows are: each of them is in exactly one place.
"""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from credkit.crosswalk import Crosswalk, CrosswalkLine, Finding, crosswalk
from credkit.crosswalk.outputs import encode_outputs
from credkit.crosswalk.result import EXCEPTION_CODES
from credkit.crosswalk.tasks import SETTLED
from credkit.site import load_site
from credkit.site.model import Rows, Site
from credkit.site.rows import Assignment, ExportRow, ReadingRow

HEADER = """
[site]
name = "Brackwater Terminal"
time_zone = "Europe/Amsterdam"
as_of = 2026-03-31
[files.credentials]
path = "credentials.csv"
[files.readings]
path = "readings.csv"
"""
SITE = (
    HEADER
    + """
[kinds.card]
namespace = "harbour"
value = "template:{facility:03d}{number:05d}"
printed = "template:{number:05d}"
key = ["facility", "number"]
expect = { facility = [12, 40, 57] }
[kinds.serial]
value = "decimal:32/berth-serial"
key = ["number"]
[kinds.phone]
value = "decimal:32/berth-serial"
key = ["number"]
notes = "count"
[kinds.long]
value = "decimal:60/fields:number:60"
key = ["number"]
[kinds.locker]
value = "template:{number:03d}"
key = ["number"]

[kinds.stripe]
value = "template:{number:06d}"
issue = "issue"
key = ["number", "issue"]

[layouts.berth-serial]
length = 32
fields = { number = "0-31" }
remarks = [{ bits = "0-7", values = [8], level = "refuse", kind = "random-serial", text = "a random serial" }]

[readers.gate]
kind = "card"
chain = "hex:8/right-justified:26/wiegand-26"
[readers.yard]
kind = "card"
clock_offset = -200
[[readers.yard.periods]]
chain = "decimal:24/fields:facility:8,number:16"
until = 2026-03-14T12:00:00+01:00
[[readers.yard.periods]]
chain = "hex:6/fields:facility:8,number:16"
from = 2026-03-14T12:00:00+01:00
[readers.quay]
kind = "card"
chain = "binary/wiegand-26"
[readers.either]
kind = "card"
chain = ["binary/wiegand-26", "template:{facility:03d}{number:05d}"]
[readers.office]
kind = "serial"
chain = "decimal:32,10/berth-serial"
[readers.lobby]
kind = "phone"
chain = "decimal:32,10/berth-serial"
[readers.dock]
kind = "long"
chain = "decimal:60/fields:number:60"
[readers.dock-hex]
kind = "long"
chain = "hex:15/fields:number:60"
[readers.cut]
kind = "serial"
chain = "hex:8/keep-low:24/fields:number:24"
[readers.kiosk]
kind = "stripe"
chain = "template:;{number:06d}={issue:02d}?"
[readers.kiosk-bits]
kind = "stripe"
chain = "binary/track-2-bits/template:;{number:06d}={issue:02d}?"
[readers.clock]
kind = "stripe"
stream = "swipes:binary"
chain = "binary/track-2-bits/template:;{number:06d}={issue:02d}?"
[readers.keys]
kind = "locker"
stream = "keypad:hex:1/keypad-4"
chain = "template:{number:03d}"

[rules]
order_of_truth = ["west", "east"]
gone = ["returned", "destroyed"]
pools = ["POOL"]

[targets.gatehouse]
kind = "card"
chain = "decimal:24/fields:facility:8,number:16"
column = "text(8)"
existing = "export.csv"
[targets.turnstile]
kind = "serial"
chain = "decimal:24/keep-low:24/berth-serial"
column = "int32"
[targets.payroll]
kind = "serial"
chain = "decimal:32/berth-serial"
column = "int32"
"""
)
HEADS = {
    "credentials.csv": "person_id,credential_id,kind,value,printed,issue,status,valid_from,valid_until,replaces,source",
    "readings.csv": "time,reader,text,presentation,expected",
    "export.csv": "person_id,text",
}


def made(toml: str = SITE) -> Site:
    """The site that ``toml`` describes."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "site.toml"
        path.write_text(toml, encoding="utf-8")
        return load_site(path)


def frame(facility: int, number: int) -> str:
    """26 bits as SIA AC-01 has them: even parity over bits 1-12, odd parity over bits 13-24."""
    data = f"{facility:08b}{number:016b}"
    return f"{data[:12].count('1') % 2}{data}{1 - data[12:].count('1') % 2}"


def hexed(facility: int, number: int, *, flip: int | None = None, invert: bool = False) -> str:
    """The frame as the gate writes it: 8 hexadecimal digits, right-justified; perhaps damaged."""
    word = int(frame(facility, number), 2)
    if flip is not None:
        word ^= 1 << (25 - flip)
    return f"{word ^ ((1 << 26) - 1 if invert else 0):08X}"


@dataclass
class Files:
    """The rows of a small site, numbered as lines of files are."""

    cards: list[Assignment] = field(default_factory=list)
    reads: list[ReadingRow] = field(default_factory=list)
    held: list[ExportRow] = field(default_factory=list)

    def card(self, credential: str, value: str, person: str = "", kind: str = "card", **more: Any) -> Files:
        """A row of credentials; the person is ``P-`` and the credential unless one is named."""
        more = {"status": "active", "source": "west", **more}
        for column in ("valid_from", "valid_until"):
            if column in more:
                more[column] = date.fromisoformat(more[column])
        row = Assignment(
            line=len(self.cards) + 2, person=person or f"P-{credential}", credential=credential, kind=kind,
            value=value, **more,
        )  # fmt: skip
        self.cards.append(row)
        return self

    def read(self, reader: str, *texts: str, at: str = "2026-03-10T08:00:00+01:00", **more: str) -> Files:
        """Rows of readings, a second after the other."""
        for number, text in enumerate(texts):
            moment = (datetime.fromisoformat(at) + timedelta(seconds=number)).astimezone(UTC)
            self.reads.append(ReadingRow(line=len(self.reads) + 2, time=moment, reader=reader, text=text, **more))
        return self

    def export(self, person: str, text: str) -> Files:
        """A row of what the gatehouse holds."""
        self.held.append(ExportRow(line=len(self.held) + 2, person=person, text=text))
        return self

    def write(self, home: Path) -> None:
        """Write the files."""
        cards: list[Sequence[Any]] = [
            (row.person, row.credential, row.kind, row.value, row.printed, "" if row.issue is None else row.issue,
             row.status, row.valid_from or "", row.valid_until or "", row.replaces, row.source)
            for row in self.cards
        ]  # fmt: skip
        reads: list[Sequence[Any]] = [
            (row.time.isoformat(), row.reader, row.text, row.presentation, row.expected) for row in self.reads
        ]
        held: list[Sequence[Any]] = [(row.person, row.text) for row in self.held]
        for (name, head), rows in zip(HEADS.items(), (cards, reads, held), strict=True):
            with (home / name).open("w", encoding="utf-8", newline="") as file:
                csv.writer(file, lineterminator="\n").writerows([head.split(","), *rows])

    def rows(self) -> Rows:
        return Rows(credentials=tuple(self.cards), readings=tuple(self.reads), existing={"gatehouse": tuple(self.held)})


def two() -> Files:
    """Two people with a card each, both seen at the gate."""
    files = Files().card("C-1", "01200345").card("C-2", "04000346")
    return files.read("gate", hexed(12, 345), hexed(40, 346))


def serials(*numbers: int) -> Files:
    """Cards with these serial numbers, called S- and the number."""
    files = Files()
    for number in numbers:
        files.card(f"S-{number}", str(number), kind="serial")
    return files


def walk(site: Site, files: Files) -> Crosswalk:
    """The crosswalk, checked for what must hold of every one: each row is in exactly one place."""
    result = crosswalk(site, files.rows())
    check_laws(site, result, files.rows())
    for each in result.exceptions:
        assert each.code in EXCEPTION_CODES
        assert each.reason
    sizes = {"credentials.csv": len(files.cards), "readings.csv": len(files.reads), "export.csv": len(files.held)}
    for name, rows, resolved, excepted, left in result.summary[0].rows:
        file = str(name).removesuffix(" (gatehouse)")
        assert rows == sizes[file]
        assert excepted == sum(each.file == file for each in result.exceptions)
        assert (resolved, left) == (int(rows) - int(excepted), 0)
    return result


def check_laws(site: Site, result: Crosswalk, rows: Rows) -> None:
    """A line for each row and target, a finding for each hold and exception, nothing contradicted is written."""
    wanted = [
        (row.line, target)
        for row in rows.credentials
        for target in [name for name, target in site.targets.items() if target.kind.name == row.kind] or [""]
    ]
    assert [(line.line, line.target) for line in result.lines] == wanted
    found = {(finding.code, row) for finding in result.findings for row in finding.rows}
    for line in result.lines:
        assert (line.action == "hold") <= bool(line.code and line.reason)
        if line.action == "hold" or line.code == "superseded":
            assert (line.code, (site.credentials.name, line.line)) in found, line
    exceptions = Counter((each.file, each.line) for each in result.exceptions)
    assert set(exceptions.values()) <= {1}
    for each in result.exceptions:
        assert (each.code, (each.file, each.line)) in found, each
    contradicted = {row for finding in result.findings if finding.code == "conflict" for row in finding.rows}
    check_work(result)
    written = [line for line in result.lines if line.action in ("add", "keep", "change")]
    assert not contradicted & {(site.credentials.name, line.line) for line in written}


def check_work(result: Crosswalk) -> None:
    """Each cause once, and every held line and every exception but those that are settled with exactly one cause."""
    assert len({(item.task, item.subject) for item in result.work}) == len(result.work)
    ends: Counter[tuple[str, str]] = Counter()
    for item in result.work:
        ends.update({(end.code, end.noun): end.count for end in item.ends if end.noun != "card"})
    there = Counter((line.code, "held line") for line in result.lines if line.action == "hold")
    there.update((row.code, "exception") for row in result.exceptions if row.code not in SETTLED)
    assert ends == there


def shown(result: Crosswalk) -> dict[str, str]:
    """The files of a result."""
    return {name: b"".join(pieces).decode() for name, pieces in encode_outputs(result).items()}


def placed(site: Site, home: Path) -> Site:
    """``site`` with its files in a directory."""
    targets = {
        name: replace(target, existing=target.existing and replace(target.existing, path=home / target.existing.name))
        for name, target in site.targets.items()
    }
    credentials, readings = (replace(file, path=home / file.name) for file in (site.credentials, site.readings))
    return replace(site, credentials=credentials, readings=readings, targets=targets)


def codes(result: Crosswalk, file: str = "readings.csv") -> dict[int, str]:
    return {each.line: each.code for each in result.exceptions if each.file == file}


def found(result: Crosswalk, code: str) -> dict[str, Finding]:
    return {finding.subject: finding for finding in result.findings if finding.code == code}


def line(result: Crosswalk, credential: str, target: str = "gatehouse") -> CrosswalkLine:
    mine = [each for each in result.lines if each.credential == credential and each.target == target]
    (one,) = [each for each in mine if each.code != "superseded"]
    return one


def paste(site: str, lines: Sequence[str]) -> str:
    """A site file with the proposed lines in place of what it has, as its owner would paste them."""
    table = lines[0].strip("[]").removesuffix(".periods")
    reader = table.startswith("readers.")
    kept: list[str] = []
    within = ""
    for line in site.splitlines():
        if line.startswith("["):
            within = line.strip("[]")
        old = within in (table, f"{table}.periods")
        if reader and old and (within != table or line.startswith("chain =")):
            continue
        if old and line.startswith("strip ="):
            continue
        kept.append(line)
        if line == f"[{table}]":
            place = len(kept)
    own = [line for line in lines if line != f"[{table}]"]
    if not reader or "periods" not in lines[0]:
        return "\n".join((*kept[:place], *own, *kept[place:])) + "\n"
    end = next((at for at in range(place, len(kept)) if kept[at].startswith("[")), len(kept))
    return "\n".join((*kept[:end], *own, "", *kept[end:])) + "\n"
