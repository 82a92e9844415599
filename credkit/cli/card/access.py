"""``credkit card access``: access conditions, from words to bytes and back."""

from __future__ import annotations

import re
from typing import Any

import click

from credkit.cards.access import GROUP_NAMES, WIDE_GROUP_NAMES, Access, DataRule, TrailerRule
from credkit.cli.output import Console
from credkit.core.errors import DecodeError, DefinitionError
from credkit.explain.cautions import BEFORE_A_BATCH, CIPHER, LOCKS

TRAILER, AT = 16, slice(6, 9)  # bytes of a trailer, and where its access bytes are
LOST_SECTOR_CAUTION = "A card that finds such bytes locks the sector for good: do not write them."
_BETWEEN = re.compile("[ \\t:-]|^0x")
_HEX = re.compile(r"[0-9A-Fa-f]*")
_WORDS = re.compile(r"\b(?:read|write|increment|decrement|keys|access|trailer|blocks?|never)\b", re.IGNORECASE)
_LONG_TOKEN = re.compile(r"[0-9A-Za-z]{10}")  # longer than any word of a policy: perhaps a key, and not repeated


@click.command()
@click.argument("text", nargs=-1, required=True, metavar="TEXT")
@click.option("--wide", is_flag=True, help="Name the blocks as in a sector of 16: 0-4, 5-9, 10-14.")
@click.option("--json", "as_json", is_flag=True, help="Write one JSON object.")
def access(text: tuple[str, ...], wide: bool, as_json: bool) -> int:
    """Say what access conditions mean, and what is dangerous about them.

    TEXT is a policy in words, and the access bytes are computed; or it is those three bytes in
    hexadecimal, with or without blanks, and they are put into words. It may also be a whole
    trailer of 16 bytes, whose keys are not shown; as it stands in your shell's history then,
    leave the keys out where they are secret.

    A policy has a clause for each block of the sector, or for all blocks that have no clause of
    their own, and one for the trailer. Each says for read, write, increment and decrement (in the
    trailer: for keys and access) A, B, A or B, or never.

    \b
    The gates of Brackwater Terminal read with key A, its card office has key B:
      credkit card access "read A or B, write B; trailer: keys B, access B"
      credkit card access "read A or B, write never; trailer: keys B, access B"
      credkit card access 78 77 88

    The exit code is 1 where the inverted copies in the bytes disagree.

    \b
    --json: ok, bytes (hex), groups (group, condition (bits), words), dangers
    (kind, group, text), error.
    """
    door = Console(as_json=as_json)
    names = WIDE_GROUP_NAMES if wide else GROUP_NAMES
    try:
        found = _parse_access(" ".join(text))
    except DecodeError as error:
        if as_json:
            door.record({"ok": False, "bytes": None, "groups": [], "dangers": [], "error": str(error)})
        else:
            door.labelled("FAILED", str(error))
            door.say(LOST_SECTOR_CAUTION)
            _show_cautions(door)
        return 1
    if as_json:
        door.record(_to_json(found, names))
    else:
        _show(door, found, names)
    return 0


def _parse_access(text: str) -> Access:
    """The conditions that ``text`` means; what may be a key in it is never repeated."""
    digits = _BETWEEN.sub("", text)
    if _HEX.fullmatch(digits):
        if len(digits) not in (6, 2 * TRAILER):
            problem = f"{len(digits)} hexadecimal digits, expected 6 (the access bytes) or {2 * TRAILER} (a trailer)"
            raise DefinitionError(f"access: {problem}")
        data = bytes.fromhex(digits)
        return Access.from_bytes(data[AT] if len(data) == TRAILER else data)
    if _LONG_TOKEN.search(text) or not _WORDS.search(text):
        raise DefinitionError(
            "access: this is neither three bytes (or a trailer of 16) in hexadecimal nor a policy in words, such as "
            "'read A or B, write B; trailer: keys B, access B'"
        )
    return Access.from_policy(text)


def _named_rules(found: Access, names: tuple[str, ...]) -> list[tuple[str, int, DataRule | TrailerRule]]:
    """Name, condition and rule of each group."""
    return list(zip(names, found.conditions, (*found.groups, found.trailer), strict=True))


def _show(door: Console, found: Access, names: tuple[str, ...]) -> None:
    room = max(map(len, names)) + 2
    door.labelled("bytes", f"{found.bytes.hex(' ').upper()} (bytes 6 to 8 of the trailer)", room=room)
    for name, condition, rule in _named_rules(found, names):
        door.labelled(name, f"{condition:03b}: {rule.description}", room=room)
    dangers: dict[str, list[str]] = {}
    for danger in found.dangers():
        dangers.setdefault(danger.text, []).append(names[danger.group])
    if dangers:
        door.say()
        door.say("Dangers:")
    for text, groups in dangers.items():
        door.say(f"- {', '.join(groups)}: {text}", indent="  ")
    _show_cautions(door)


def _show_cautions(door: Console) -> None:
    door.say()
    door.say(f"{LOCKS} {BEFORE_A_BATCH} {CIPHER}")


def _to_json(found: Access, names: tuple[str, ...]) -> dict[str, Any]:
    return {
        "ok": True,
        "bytes": found.bytes.hex().upper(),
        "groups": [
            {"group": name, "condition": f"{condition:03b}", "words": rule.description}
            for name, condition, rule in _named_rules(found, names)
        ],
        "dangers": [{"kind": each.kind, "group": names[each.group], "text": each.text} for each in found.dangers()],
        "error": None,
    }
