"""``credkit identify``: what an unknown text may be."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

import click

from credkit.accounts import holds_account
from credkit.cautions import COPIES
from credkit.cli import options
from credkit.cli.output import Door
from credkit.errors import shown
from credkit.payment import suspect
from credkit.search.identification import Group, Match
from credkit.search.identification import identify as search

UNUSUAL = ("swap-nibbles", "reverse-bits-in-bytes", "left-justified")  # in which account numbers are accidents
_STAR = re.compile(r"\w")
MOST_GROUPS, MOST_MATCHES = 4, 6  # on a screen, unless --all is given


@click.command()
@click.argument("values", nargs=-1, required=True, metavar="VALUE...")
@click.option("--facility", type=int, multiple=True, metavar="N", help="A facility code that may occur. Repeatable.")
@click.option("--known", type=int, multiple=True, metavar="N", help="A number that is known to be among the cards.")
@click.option("--all", "everything", is_flag=True, help="Show every reading.")
@options.spoken
def identify(
    values: tuple[str, ...], facility: tuple[int, ...], known: tuple[int, ...], everything: bool,
    as_json: bool, reveal: bool,
) -> int:  # fmt: skip
    """List what the VALUEs of one reader may be, the likeliest first.

    Each reading is a chain that reads all of the values. What speaks for it is counted in bits: a
    value drawn at random would look like it once in 2 ** bits. Readings that nothing given tells
    apart stand together, and what would tell them apart is said; none of them is chosen.

    \b
    What does the kiosk of Brackwater Terminal send?
      credkit identify 02F764DD
      credkit identify 162,46020 162,46021 --facility 162
      credkit identify C4B3A204 --known 77771716

    \b
    --json: one object a group: evidence (bits), certain (all read the
    same), advice, matches (chain, values, evidence, notes, reasons).
    """
    door = Door(as_json=as_json, reveal=reveal)
    groups = search(values, facility=facility, known=known)
    secret = not reveal and _secret(values, groups)
    if as_json:
        for group in groups:
            door.record(_record(group, secret))
        return int(not groups)
    what = f"all {len(values)} values" if len(values) > 1 else "the value" if secret else shown(values[0])
    if not groups:
        door.say(f"Nothing fits {what}: no notation, order and layout together read it.")
        return 1
    count = len(groups)
    door.say(f"{'One kind' if count == 1 else f'{count} kinds'} of reading for {what}, the likeliest first.")
    if secret:
        door.say("A payment account number may be in it: what was read is hidden (--reveal shows it).")
    if known and not any(match.known for group in groups for match in group.matches):
        door.say("None of the known numbers is among what was read, in whole or in the part that it gives.")
    for number, group in enumerate(groups if everything else groups[:MOST_GROUPS], 1):
        _show(door, number, group, everything, secret)
    if not everything and count > MOST_GROUPS:
        door.say()
        door.say(f"{count - MOST_GROUPS} more are less likely still (--all).")
    door.say()
    door.say(f"A fit is no proof. {COPIES}")
    return 0


def _secret(values: Iterable[str], groups: Iterable[Group]) -> bool:
    """Whether the values, or what is read in them, hold an account number or a payment track."""
    if any(map(suspect, values)):
        return True
    for match in (match for group in groups for match in group.matches):
        items = (item for value in match.values for item in value.values())
        if not any(f"/{order}/" in match.chain for order in UNUSUAL) and any(
            holds_account(str(item)) for item in items
        ):
            return True
    return False


def _show(door: Door, number: int, group: Group, everything: bool, secret: bool) -> None:
    """One group: its readings, why they fit, and what would tell more."""
    door.say()
    tied = "" if group.certain else "; nothing tells these apart"
    door.say(f"{number}. {group.evidence:.0f} bits{tied}")
    matches = group.matches if everything else group.matches[:MOST_MATCHES]
    for match in matches:
        door.say(f"   {match.chain}", indent="     ")
        door.say(f"     {_values(match, secret)}", indent="       ")
    if len(group.matches) > len(matches):
        door.say(f"   and {len(group.matches) - len(matches)} more")
    for reason in () if secret else group.best.reasons:
        door.say(f"   - {reason}", indent="     ")
    if group.advice:
        door.say(f"   To know more: {'; '.join(group.advice)}.", indent="     ")


def _values(match: Match, secret: bool) -> str:
    """What a chain reads, value by value; of many the first ones."""
    shown = [_shown(value, secret) for value in match.values[:3]]
    texts = [" ".join(f"{name}={item}" for name, item in value.items()) for value in shown]
    return "; ".join(texts) + ("; …" if len(match.values) > 3 else "")


def _shown(value: Mapping[str, Any], secret: bool) -> dict[str, Any]:
    """What a chain reads in one value; nothing of it in clear if it is ``secret``."""
    return {name: _STAR.sub("*", str(item)) if secret else item for name, item in value.items()}


def _record(group: Group, secret: bool) -> dict[str, Any]:
    return {
        "evidence": group.evidence, "certain": group.certain, "advice": group.advice,
        "matches": [
            {
                "chain": match.chain, "evidence": match.evidence,
                "values": [_shown(value, secret) for value in match.values],
                "notes": [{"kind": n.kind, "level": n.level, "text": n.text} for n in match.notes if not secret],
                "reasons": () if secret else match.reasons,
            }
            for match in group.matches
        ],
    }  # fmt: skip
