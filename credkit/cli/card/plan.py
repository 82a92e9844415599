"""``credkit card plan``: a plan, checked, drawn, and its dangers told."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from credkit.cards.memorymap import describe_record_place, format_memory_map
from credkit.cards.plan import CardPlan, CardRecord
from credkit.cards.plans import load_plan
from credkit.cards.svg import memory_svg
from credkit.cli.output import Console
from credkit.core.errors import DefinitionError
from credkit.core.sentences import redacted_repr
from credkit.core.spans import format_span
from credkit.explain.cautions import OF_A_CARD
from credkit.files.outputs import write_file

SVG_SUFFIX = ".svg"
MAKER = "drawing of a plan"
EVERYBODY, NOBODY = "anybody", "nobody"


@click.command()
@click.argument("plan", type=click.Path(exists=True, dir_okay=False, path_type=Path), metavar="PLAN")
@click.option(
    "--svg", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE",
    help="Draw the memory into FILE, too; its name ends in .svg.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Write one JSON object.")
def plan(plan: Path, svg: Path | None, as_json: bool) -> None:
    """Check that what PLAN (TOML) puts on a card fits, draw the memory, and say what is dangerous.

    A plan that does not fit, or asks for what no access condition means, is refused in one
    sentence (exit code 2). The dangers of one that fits are for you to judge.

    The drawing is there whole or not at all, and takes the place of an earlier one at most.

    \b
    The staff card of Brackwater Terminal (docs/cards.md writes its plan):
      credkit card plan staff-plan.toml
      credkit card plan staff-plan.toml --svg staff-card.svg

    \b
    --json: name, geometry, serial (bytes), label, columns, keys, roles, size,
    free, used, records (name, where, bytes, size, mac, columns, read, write,
    increment, decrement, condition, lock), sectors (sector, access (hex)),
    locked (blocks), container (hex), secret, dangers (kind, place, text).
    """
    door = Console(as_json=as_json)
    loaded = load_plan(plan)
    if svg is not None:
        if svg.suffix.lower() != SVG_SUFFIX:
            raise DefinitionError(f"--svg: {redacted_repr(str(svg))} does not end in {SVG_SUFFIX}")
        write_file(memory_svg(loaded).encode(), svg, MAKER)
    if as_json:
        door.record(_to_json(loaded))
        return
    for line in format_memory_map(loaded):
        click.echo(door.text(line))
    _show(door, loaded)
    if svg is not None:
        door.say()
        door.say(f"The drawing is in {svg}.")


def _show(door: Console, loaded: CardPlan) -> None:
    """What the drawing leaves out: who, from where, and what is dangerous."""
    door.say()
    door.say("Who may do what, and where it comes from:")
    room = max(len(record.name) for record in loaded.records) + 4
    for record in loaded.records:
        rights = "; ".join(f"{verb} {', '.join(who)}" for verb, who in _describe_rights(loaded, record) if who)
        door.labelled(f"  {record.name}", f"{rights}; {_describe_origin(record)}", room=room)
    door.say()
    door.say(f"Columns of the credentials: {', '.join(loaded.columns)}", indent="  ")
    master = "is needed: keys or MACs are derived from it" if loaded.needs_master_key else "is not needed"
    door.say(f"A master key {master}.")
    dangers = loaded.dangers()
    if dangers:
        door.say()
        door.say("Dangers:")
    for danger in dangers:
        door.say(f"- {danger.place}: {danger.text}", indent="  ")
    door.say()
    door.say(OF_A_CARD)


def _describe_origin(record: CardRecord) -> str:
    """Where the content of a record comes from."""
    if record.fixed is not None or not record.columns:
        return "the same on every card"
    return f"from {', '.join(record.columns.values())}"


def _describe_rights(loaded: CardPlan, record: CardRecord) -> Iterator[tuple[str, list[str]]]:
    """Who may do what with a record; those of reading and writing always."""
    if not loaded.geometry.keys:
        yield "read", [EVERYBODY]
        yield "write", [f"{NOBODY}, once it is locked" if record.lock else EVERYBODY]
        return
    sector, group = loaded.geometry.unit_of(record.places[0])
    rule = loaded.access[sector].rule(group)
    yield "read", _roles_with(loaded, rule.read) or [NOBODY]
    yield "write", _roles_with(loaded, rule.write) or [NOBODY]
    yield "increment", _roles_with(loaded, rule.increment)
    yield "decrement", _roles_with(loaded, rule.decrement)


def _roles_with(loaded: CardPlan, slots: str) -> list[str]:
    """The roles that hold a key of ``slots``; a key that no role holds by its own name."""
    found = [role for role, slot in loaded.roles.items() if slot in slots]
    return found + [f"key {slot}" for slot in slots if slot not in loaded.roles.values()]


def _to_json(loaded: CardPlan) -> dict[str, Any]:
    """The plan as a JSON object; of a key it says only where it comes from."""
    return {
        "name": loaded.name, "geometry": loaded.geometry.name, "serial": loaded.serial, "label": loaded.label,
        "columns": loaded.columns,
        "keys": {slot: "derived" if key is None else "published" for slot, key in loaded.keys.items()},
        "roles": dict(loaded.roles), "size": loaded.geometry.size, "free": loaded.geometry.free_bytes,
        "used": loaded.used_bytes,
        "records": [
            {
                "name": record.name, "where": describe_record_place(loaded, record),
                "bytes": format_span(record.places),
                "size": record.size, "mac": record.mac, "columns": list(record.columns.values()),
                **dict.fromkeys(("read", "write", "increment", "decrement")),
                **dict(_describe_rights(loaded, record)),
                "condition": f"{record.condition:03b}" if loaded.geometry.keys else None,
                "lock": record.lock,
            }
            for record in loaded.records
        ],
        "sectors": [
            {"sector": sector, "access": access.bytes.hex().upper()} for sector, access in loaded.access.items()
        ],
        "locked": loaded.locked_blocks, "container": loaded.container.hex().upper(), "secret": loaded.needs_master_key,
        "dangers": [{"kind": each.kind, "place": each.place, "text": each.text} for each in loaded.dangers()],
    }  # fmt: skip
