"""Rows of many bits drawn as what they are made of: bytes of a byte structure, characters of a stripe.

0  1  2  3  4  5  6  7  8  9  10 11 12 13
91 01 0A 55 04 6E 66 63 2E 74 65 73 74 2F
.  .  .  U  .  n  f  c  .  t  e  s  t  /
^^                                         end-flag FAILED
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from credkit.catalogue.index import find_row
from credkit.explain.drawing import Bar, Marks, Picture, count

MOST_SINGLE_BITS = 40  # bits that one line of a screen has room for
BYTE_FAMILIES = ("ndef", "crcs")  # of codecs whose bits are always whole bytes
BYTE_STEPS = ("characters", "memory")
STRIPE_FAMILY = "stripe"
BEHIND_CHARACTERS = "LRC"


def group_bits(picture: Picture) -> Picture:
    """``picture`` with bytes or characters for units, where its bits are those of such a step and need several lines.

    Positions of marks and bars are then those of the bytes or characters. Any other picture is returned as it is.

    >>> from credkit import chain
    >>> from credkit.explain.drawing import lines, pictures
    >>> codec, text = chain("hex/tlv/ndef:office:uri"), "0309D101055500" + b"tel:".hex() + "FE0000"
    >>> _, area, _ = pictures(codec, text, codec.inspect(text))
    >>> print("\\n".join(lines(group_bits(area))))
     0  1  2  3  4  5  6  7  8  9  10 11 12 13
     03 09 D1 01 05 55 00 74 65 6C 3A FE 00 00
     .  .  .  .  .  U  .  t  e  l  :  .  .  .
     aa aa |--------message---------| bb cc cc
     == ==                                      message passed
     a: tag and length (bytes 0-1)  b: terminator (byte 11)  c: rest (bytes 12-13)
    """
    if picture.form != "bits" or len(picture.units) <= MOST_SINGLE_BITS:
        return picture
    name = picture.title.partition("  ")[0].partition(":")[0]
    row = find_row(name)
    family = row.family if row else ""
    if (family in BYTE_FAMILIES or name in BYTE_STEPS) and len(picture.units) % 8 == 0:
        return _by_bytes(picture)
    return _by_characters(picture) if family == STRIPE_FAMILY else picture


def _by_bytes(picture: Picture) -> Picture:
    octets = bytes(int("".join(picture.units[at : at + 8]), 2) for at in range(0, len(picture.units), 8))
    numbers = tuple(map(str, range(len(octets))))
    return _regroup(
        picture, [range(8 * at, 8 * at + 8) for at in range(len(octets))], tuple(f"{octet:02X}" for octet in octets),
        title=f"{_name(picture)}  ({len(octets)} bytes)", numbers=numbers, bars=picture.bars, noun="byte",
        characters=tuple(chr(octet) if 0x20 < octet < 0x7F else "." for octet in octets),
    )  # fmt: skip


def _by_characters(picture: Picture) -> Picture:
    """The bits of each character of a stripe together; bits before and behind them in groups as wide."""
    named = {min(bar.at): bar for bar in picture.bars if len(bar.name) == 1 or bar.name == BEHIND_CHARACTERS}
    if not named:
        return picture
    width = max(len(bar.at) for bar in named.values())
    groups: list[range] = []
    at = 0
    while at < len(picture.units):
        stop = min([at + width, len(picture.units), *(start for start in named if start > at)])
        groups.append(range(at, stop))
        at = stop
    return _regroup(
        picture, groups, tuple("".join(picture.units[at] for at in group) for group in groups),
        title=f"{_name(picture)}  ({count('bits', len(picture.units))}, {width} a character)",
        numbers=tuple(str(group.start) for group in groups), noun="group",
        bars=tuple(bar for bar in picture.bars if bar not in named.values()),
        characters=tuple(named[group.start].name if group.start in named else "" for group in groups),
    )  # fmt: skip


def _name(picture: Picture) -> str:
    return picture.title.rpartition("  ")[0]


def _regroup(
    picture: Picture, groups: Sequence[range], units: tuple[str, ...], *, title: str, numbers: tuple[str, ...],
    characters: tuple[str, ...], bars: Iterable[Bar], noun: str,
) -> Picture:  # fmt: skip
    """``picture`` with a unit for each of ``groups``, and its bars and marks where their bits stand now."""
    home = {bit: number for number, group in enumerate(groups) for bit in group}

    def moved(at: Iterable[int]) -> tuple[int, ...]:
        return tuple(dict.fromkeys(home[bit] for bit in at))

    return replace(
        picture, title=title, units=units, numbers=numbers, characters=characters, noun=noun,
        bars=tuple(replace(bar, at=moved(bar.at)) for bar in bars),
        marks=tuple(_move(each, moved(each.at), moved(each.covers)) for each in picture.marks),
    )  # fmt: skip


def _move(marks: Marks, at: tuple[int, ...], covers: tuple[int, ...]) -> Marks:
    return replace(marks, at=at, covers=covers)
