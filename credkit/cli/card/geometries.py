"""``credkit card geometries``: how memories are divided."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby
from typing import Any

import click

from credkit.cards.geometry import Geometry, build_geometry
from credkit.cards.geometry import common_geometries as common
from credkit.cli.output import Console
from credkit.core.spans import format_span

NAME_COLUMNS = 20  # columns of the names
LOCKS = {
    "block": "A command of the reader locks a block, for good.",
    "page": (
        "One lock bit serves a page up to page 15, and behind it 8 bytes, unless the card's data sheet says otherwise; "
        "a bit that is set stays set."
    ),
}


@click.command()
@click.argument("name", required=False, metavar="[NAME]")
@click.option("--json", "as_json", is_flag=True, help="Write one JSON object a line.")
def geometries(name: str | None, as_json: bool) -> None:
    """List the usual ways in which a card's memory is divided, or show the one called NAME in full.

    A geometry is named by its structure, and any structure of the same families can be named, not
    only those in the list: sectors-8x4, type2-160, type5-80x4.

    \b
    The staff card of Brackwater Terminal has 16 sectors of 4 blocks:
      credkit card geometries sectors-16x4

    \b
    --json: name, title, source, size, free, blocks, block_size, unit (block
    or page), serial (bytes), sectors (sector, blocks, groups), reserved
    (duty, bytes).
    """
    door = Console(as_json=as_json)
    rows = [build_geometry(name)] if name else list(common())
    if as_json:
        for row in rows:
            door.record(_to_json(row))
    elif name:
        _show(door, rows[0])
    else:
        for row in rows:
            door.labelled(row.name, f"{row.free_bytes:,} of {row.size:,} bytes free: {row.title}", room=NAME_COLUMNS)
        door.say()
        door.say("credkit card geometries NAME shows one in full.")


def _show(door: Console, card: Geometry) -> None:
    """One geometry in full."""
    door.labelled("name", card.name)
    door.labelled("title", card.title)
    door.labelled("source", card.source)
    door.labelled("size", f"{card.size:,} bytes: {card.blocks} {card.unit}s of {card.block_size}")
    door.labelled("free", f"{card.free_bytes:,} bytes")
    door.labelled("serial", f"{card.serial} bytes, unless the plan says another size")
    door.say()
    if card.keys:
        door.say("Sectors, each with two keys:")
        for numbers, told in _group_sectors(card):
            door.labelled(f"  {numbers}", told)
        door.say()
    door.say("Reserved:")
    for duty, at in _describe_reserved(card):
        door.labelled(f"  {duty}", at, room=NAME_COLUMNS)
    if not card.keys:
        door.say()
        door.say(LOCKS[card.unit])


def _group_sectors(card: Geometry) -> Iterator[tuple[str, str]]:
    """Numbers of neighbouring sectors that are divided alike, and how, counted within the sector."""
    for size, group in groupby(range(len(card.sectors)), key=lambda sector: len(card.sectors[sector])):
        numbers = list(group)
        first = numbers[0]
        start = card.sectors[first].start
        *data, trailer = ([block - start for block in blocks] for blocks in card.groups(first))
        names = [f"block{'s' * (len(blocks) > 1)} {format_span(blocks)}" for blocks in data]
        each = f"an access condition each for {', '.join(names)}, and the trailer, block {trailer[0]}"
        yield format_span(numbers), f"{size} blocks; {each}"


def _describe_reserved(card: Geometry) -> Iterator[tuple[str, str]]:
    """Each duty, and where its bytes are; trailers are told once."""
    for duty, group in groupby(card.reserved, key=lambda each: each.duty):
        ranges = [each.at for each in group]
        if duty == "trailer":
            yield duty, f"the last block of each sector, {len(ranges)} in all"
        else:
            yield duty, "; ".join(_describe_bytes(card, at) for at in ranges)


def _describe_bytes(card: Geometry, at: range) -> str:
    block, byte = divmod(at.start, card.block_size)
    last, end = divmod(at[-1], card.block_size)
    if (byte, end) == (0, card.block_size - 1):
        return card.describe_block(block) if block == last else f"{card.unit}s {block}-{last}"
    if block == last:
        return f"{card.describe_block(block)} bytes {byte}-{end}"
    return f"{card.describe_byte(at.start)} to {card.describe_byte(at[-1])}"


def _to_json(card: Geometry) -> dict[str, Any]:
    """One geometry as a JSON object."""
    return {
        "name": card.name, "title": card.title, "source": card.source, "size": card.size, "free": card.free_bytes,
        "blocks": card.blocks, "block_size": card.block_size, "unit": card.unit, "serial": card.serial,
        "sectors": [
            {
                "sector": number, "blocks": format_span(blocks),
                "groups": [format_span(group) for group in card.groups(number)],
            }
            for number, blocks in enumerate(card.sectors)
            if card.keys
        ],
        "reserved": [{"duty": each.duty, "bytes": format_span(each.at)} for each in card.reserved],
    }  # fmt: skip
