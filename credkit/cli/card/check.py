"""``credkit card check``: what was read back from cards, beside the plan and the credentials."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from credkit.cards.findings import CheckedCard
from credkit.cards.folding import fold_differences
from credkit.cards.geometry import Geometry
from credkit.cards.listing import find_read_backs
from credkit.cards.plans import load_plan
from credkit.cards.readback import BatchCheck, check_all
from credkit.cli.card import options
from credkit.cli.options import with_output_options
from credkit.cli.output import Console
from credkit.core.sentences import format_count
from credkit.explain.cautions import CIPHER, CONFIDENTIAL, DATA, MAC, SERIAL

MOST_NAMED_READ_BACKS = 10  # credentials without a read-back that a screen names; --json names all
LEVELS = ("refuse", "care", "info")


@click.command()
@click.argument("plan", type=click.Path(exists=True, dir_okay=False, path_type=Path), metavar="PLAN")
@click.argument(
    "files", type=click.Path(exists=True, path_type=Path), nargs=-1, required=True, metavar="READ-BACK..."
)  # fmt: skip
@click.option(
    "--credentials", type=click.Path(exists=True, dir_okay=False, path_type=Path), metavar="FILE",
    help="The list (CSV) that the cards were written from; their records are compared with it.",
)  # fmt: skip
@options.with_master_options
@options.with_dialect_options
@with_output_options
def check(
    plan: Path, files: tuple[Path, ...], credentials: Path | None, master: options.Master, encoding: str,
    delimiter: str, as_json: bool, reveal: bool,
) -> int:  # fmt: skip
    """Check each READ-BACK against PLAN (TOML): every record, MAC, access condition, key and lock.

    A READ-BACK is a listing, as credkit card data writes it, or a dump of exactly all bytes of the
    memory; of a folder, every .txt and .bin file (where it is a batch, its listings). Which
    credential it belongs to its serial number says, or else the name of its file.

    Without --credentials, records are read, and not compared with what they should say. Without a
    master key, MACs and derived keys are not verified, and a note says so. Where no MAC of several
    cards matches, the key may be another: its check value is compared with that in batch.json.
    With --reveal, bytes that look like an account number are shown too. The exit code is 1 if
    anything differs. A report that finds published default keys is confidential, and says so.

    \b
    Brackwater Terminal, the sacrificial card first:
      credkit card check plan.toml C-1001.txt --master-prompt
      credkit card check plan.toml backs --credentials staff.csv --master-prompt

    \b
    --json: one object a read-back (name, credential, ok, confidential,
    differences (kind, place, text, record), notes (kind, level, text),
    values), then one with count, different, unread (credentials without a
    read-back; null without --credentials), confidential and key (what is
    suspicious about the master key).
    """
    door = Console(as_json=as_json, reveal=reveal)
    loaded = load_plan(plan)
    paths = find_read_backs(files)
    rows = options.credentials_file(credentials, encoding, delimiter) if credentials else None
    key = master()
    report = _ReadBackReport(loaded.geometry)
    with door.progress() as progress:
        checking = check_all(loaded, paths, rows, master=key, progress=progress, reveal=reveal)
        for found in checking:
            report.add(found)
            if as_json:
                door.record(_to_json(found))
    unread = checking.unread_credentials if rows else None
    if as_json:
        door.record({
            "count": checking.count, "different": checking.different, "unread": unread,
            "confidential": report.confidential,
            "key": [*checking.key.opening_notes, *filter(None, [checking.key.closing_note])],
        })  # fmt: skip
    else:
        report.show(door, checking, unread)
    return int(checking.different > 0)


class _ReadBackReport:
    """What a screen shows of many read-backs: each that differs, and each note once for all that have it."""

    def __init__(self, geometry: Geometry) -> None:
        self.geometry = geometry
        self.different: list[CheckedCard] = []
        self.notes: dict[tuple[str, str], list[str]] = {}  # level and text: the read-backs that have it
        self.confidential = False
        self.last: CheckedCard | None = None

    def add(self, found: CheckedCard) -> None:
        """Take in one read-back."""
        if not found.is_as_planned:
            self.different.append(found)
        for note in found.notes:
            self.notes.setdefault((note.level, note.text), []).append(found.name)
        self.confidential = self.confidential or found.is_confidential
        self.last = found

    def show(self, door: Console, checking: BatchCheck, unread: tuple[str, ...] | None) -> None:
        """The verdict, then each read-back that differs, then the notes."""
        count, different, key = checking.count, checking.different, checking.key
        door.labelled(
            "FAILED" if different else "care" if key.opening_notes or key.closing_note else "passed",
            f"{format_count(count, 'read-back')} checked: "
            f"{count - different:,} without a difference, {different:,} different.",
        )
        if unread:
            more = f" and {len(unread) - MOST_NAMED_READ_BACKS:,} more" if len(unread) > MOST_NAMED_READ_BACKS else ""
            door.say(
                f"{format_count(len(unread), 'credential')} had no read-back: "
                f"{', '.join(unread[:MOST_NAMED_READ_BACKS])}{more}."
            )
        elif unread is not None:
            door.say("Every credential had a read-back.")
        if key.closing_note:
            door.say(key.closing_note)
        door.say()
        if self.confidential:
            door.say(CONFIDENTIAL)
            door.say()
        for sentence in key.opening_notes:
            door.say(sentence)
            door.say()
        for found in self.different:
            _show(door, found, self.geometry)
        if checking.count == 1 and self.last and self.last.values:
            door.say(f"Records of {_describe_name(self.last)}:")
            for name, value in self.last.values.items():
                door.say(f"  {name}: {value}", indent="    ")
            door.say()
        if self.notes:
            door.say("Notes:")
            for (level, text), names in sorted(self.notes.items(), key=lambda item: LEVELS.index(item[0][0])):
                door.say(f"- {text} ({level}; {_describe_which(names, checking.count)})", indent="  ")
            door.say()
        door.say(f"{DATA} {SERIAL} {MAC} {CIPHER}")
        if self.confidential:
            door.say()
            door.say(CONFIDENTIAL)


def _show(door: Console, found: CheckedCard, geometry: Geometry) -> None:
    """One read-back that differs; what is the same of several blocks in one line."""
    count = len(found.differences)
    door.say(f"{_describe_name(found)}: {count} difference{'s' * (count != 1)}", indent="  ")
    for sentence in fold_differences(found.differences, geometry):
        door.say(f"- {sentence}", indent="  ")
    door.say()


def _describe_name(found: CheckedCard) -> str:
    return f"{found.name} (credential {found.credential})" if found.credential else found.name


def _describe_which(names: list[str], count: int) -> str:
    """In which of ``count`` read-backs."""
    if len(names) == count:
        return "all of them" if count > 1 else names[0]
    return names[0] if len(names) == 1 else f"in {len(names):,}, the first is {names[0]}"


def _to_json(found: CheckedCard) -> dict[str, Any]:
    return {
        "name": found.name, "credential": found.credential or None, "ok": found.is_as_planned,
        "confidential": found.is_confidential,
        "differences": [
            {"kind": each.kind, "text": each.text, "place": each.place, "record": each.record}
            for each in found.differences
        ],
        "notes": [{"kind": note.kind, "level": note.level, "text": note.text} for note in found.notes],
        "values": dict(found.values),
    }  # fmt: skip
