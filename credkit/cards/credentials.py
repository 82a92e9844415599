"""Credentials of a plan: one row a card, with its serial number and what its records hold.

A credential's id names its files, so it must be a name that any system can give a file. The serial
number is what keys and MACs are made for, so it must be the whole one, fixed, and in the list once.
One that a card draws anew at each power-up is refused: a key derived from it would be the key of
no card a moment later, and the card would be locked for good. An older card whose fixed number
only looks so (one in 256 does) has to be replaced; that costs less than a locked one.

Source: ISO/IEC 14443-3 clause 6 (first bytes of a UID); common practice, no source (names of files).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from unicodedata import normalize

from bitstring import Bits

from credkit.cards.plan import IDENTITY_COLUMNS, CardPlan
from credkit.catalogue.registry import chain
from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.files.csvfiles import read_rows
from credkit.files.declaredfiles import CsvFile
from credkit.files.formulas import guard_formula
from credkit.privacy.accounts import holds_account

UNUSED_COLUMN_ADVICE = "a column that no record uses can be named in the plan, in [plan] ignore"
LONGEST_NAME_BYTES = 200  # bytes of an id: a file name has 255, and needs an ending
TYPE_A_SERIAL_BYTES = (4, 7, 10)  # bytes of a UID of ISO/IEC 14443-3
NOT_IN_NAMES = frozenset('<>:"/\\|?*')
FORMULA_STARTS = tuple(
    "=+-@＝＋－＠"
)  # at the beginning a spreadsheet takes these for a formula, a shell some for an option
DEVICE_NAME = re.compile(r"(?:con|prn|aux|nul|(?:com|lpt)[0-9¹²³])(?:\..*)?", re.IGNORECASE)
SERIAL_REFUSALS = {
    "random-serial": "it begins with 08: the card draws another at each power-up, and no key or MAC would fit it again",
    "cut-serial": "it holds the cascade tag 88, so it is cut: only a part of a longer serial number is left",
}
_SERIAL = re.compile("[0-9A-Fa-f]{2}(?:([: -]?)[0-9A-Fa-f]{2}(?:\\1[0-9A-Fa-f]{2})*)?")
_SEPARATORS = str.maketrans("", "", ": -")  # what may stand between the bytes of a serial number


@dataclass(frozen=True, slots=True, kw_only=True)
class CardCredential:
    """One row: the line it stands on, the credential's id, the card's serial number, all cells by column."""

    line: int
    name: str
    serial: bytes
    row: Mapping[str, str]


def read_credentials(plan: CardPlan, file: CsvFile) -> Iterator[CardCredential]:
    """The rows of ``file``; raises `DefinitionError` with file and line for the first that cannot be a card's."""
    names: dict[str, int] = {}
    serials: dict[bytes, int] = {}
    for line, cells in read_rows(file, plan.columns, UNUSED_COLUMN_ADVICE):
        found = build_credential(plan, file, line, cells)
        name = normalize("NFC", normalize("NFC", found.name).casefold())
        if (before := names.setdefault(name, line)) != line:
            file.refuse(
                line, f"credential_id {redacted_repr(found.name)} is that of line {before}: each names files of its own"
            )
        if (before := serials.setdefault(found.serial, line)) != line:
            file.refuse(
                line, f"serial {redacted_repr(found.serial.hex().upper())} is that of line {before}: each is one card's"
            )
        yield found


def build_credential(plan: CardPlan, file: CsvFile, line: int, cells: Sequence[str]) -> CardCredential:
    """The credential in the ``cells`` of one line, in the order of the plan's columns."""
    row = dict(zip(plan.columns, cells, strict=True))
    name, serial = (row[column] for column in IDENTITY_COLUMNS)
    for column, problem in zip(IDENTITY_COLUMNS, (file_name_problem(name), serial_problem(plan, serial)), strict=True):
        if problem:
            file.refuse(line, f"{column} {redacted_repr(row[column])} {problem}")
    if holds_account(name) and not plan.not_payment:
        file.refuse(
            line, f"credential_id {redacted_repr(name)} looks like a payment account number, and would name files: if "
            'it is another number, write not_payment = "what it is" into [plan] of the plan',
        )  # fmt: skip
    return CardCredential(line=line, name=name, serial=_decode_serial(serial), row=row)


def file_name_problem(name: str) -> str:
    """Why ``name`` cannot be the name of a file everywhere, or nothing.

    >>> file_name_problem("C-1001"), file_name_problem("..")
    ('', 'begins with a full stop: it names files, and those would be hidden')
    """
    if not name:
        return "is empty: it names files"
    if not name.isprintable() or not NOT_IN_NAMES.isdisjoint(name):
        bad = next(char for char in name if char in NOT_IN_NAMES or not char.isprintable())
        what = redacted_repr(bad) if bad.isprintable() else f"the character U+{ord(bad):04X}"
        return f"holds {what}: it names files, and no name of a file may"
    if name != name.strip():
        return "begins or ends with a space: it names files"
    if name.startswith("."):
        return "begins with a full stop: it names files, and those would be hidden"
    if name.endswith("."):
        return "ends with a full stop: it names files, and some systems take it away"
    if name.startswith(FORMULA_STARTS):
        return f"begins with {redacted_repr(name[0])}: spreadsheets take that for a formula, and shells for an option"
    if guard_formula(name) != name:
        return "holds a formula behind a semicolon, where some spreadsheets begin a cell"
    if DEVICE_NAME.fullmatch(name):
        return "is the name of a device on some systems: it names files"
    if (size := len(name.encode())) > LONGEST_NAME_BYTES:
        return f"has {size} bytes: it names files, and may have {LONGEST_NAME_BYTES}"
    return ""


def serial_problem(plan: CardPlan, text: str) -> str:
    """Why ``text`` cannot be the serial number of a card of the plan, or nothing."""
    if not _SERIAL.fullmatch(text):
        return "is not hexadecimal bytes of two digits, with nothing or one same separator between them (: - or space)"
    serial = _decode_serial(text)
    if len(serial) != plan.serial:
        return f"has {len(serial)} byte{'s' * (len(serial) > 1)}, the plan expects {plan.serial}"
    if plan.serial in TYPE_A_SERIAL_BYTES and (plan.geometry.keys or plan.geometry.unit == "page"):
        for note in chain(f"uid-a-{plan.serial}").inspect(Bits.from_bytes(serial)).notes:
            if note.level == "refuse":
                return f"is refused: {SERIAL_REFUSALS.get(note.kind, note.text)}"
    return ""


def _decode_serial(text: str) -> bytes:
    """The bytes of a serial number in which `serial_problem` finds no fault."""
    return bytes.fromhex(text.translate(_SEPARATORS))


def credential_from_row(plan: CardPlan, row: Mapping[str, str]) -> CardCredential:
    """The credential of a ``row`` that came from no file; raises `DefinitionError` for what is wrong with it."""
    for column in plan.columns:
        if column not in row:
            raise DefinitionError(f"the credential has no {column}, expected {', '.join(plan.columns)}")
    if problem := serial_problem(plan, row["serial"]):
        raise DefinitionError(f"serial {redacted_repr(row['serial'])} {problem}")
    return CardCredential(line=0, name=row["credential_id"], serial=_decode_serial(row["serial"]), row=row)
