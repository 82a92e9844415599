"""``credkit identify``: what an unknown text may be."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from shlex import join
from typing import Any

import click

from credkit.cli import options
from credkit.cli.output import Console
from credkit.core.codec import Entry
from credkit.core.sentences import format_count, redacted_repr
from credkit.core.whitespace import describe_ends
from credkit.discover.relation import relate
from credkit.explain.candidates import BLANKS
from credkit.explain.cautions import COPIES
from credkit.explain.diagnosis import SHORTENED_ADVICE, is_spreadsheet_shortened
from credkit.explain.identification import Match, MatchGroup, format_bits
from credkit.explain.identification import identify as search
from credkit.explain.knowndigits import find_known_digits
from credkit.privacy.payment import exposes_account

_STAR = re.compile(r"\w")
ONE_CARD_EVIDENCE = 10.0  # bits with which two values are taken for texts of one card
MOST_GROUPS, MOST_MATCHES = 3, 6  # on a screen, unless --all is given
EVIDENCE_SCALE = "Of random values, at most one in 2^n has a reading with n bits of evidence."


@click.command()
@click.argument("values", nargs=-1, required=True, metavar="VALUE...")
@click.option("--facility", type=int, multiple=True, metavar="N", help="A facility code that may occur. Repeatable.")
@click.option("--known", type=int, multiple=True, metavar="N", help="A number that is known to be among the cards.")
@click.option("--all", "everything", is_flag=True, help="Show every reading.")
@options.with_common_options
def identify(
    values: tuple[str, ...], facility: tuple[int, ...], known: tuple[int, ...], everything: bool,
    as_json: bool, layouts: tuple[Entry, ...], reveal: bool,
) -> int:  # fmt: skip
    """List what the VALUEs of one reader may be, the likeliest first.

    Each reading is a chain that decodes all of the values. Its evidence is counted in bits: of
    values drawn at random, at most one in 2 ** n has a reading with n bits. The readings with
    evidence are shown, and the number of the others. Readings that fit equally well form a group:
    credkit chooses none of them, and shows what would decide.

    \b
    What does the kiosk of Brackwater Terminal send?
      credkit identify 02F764DD
      credkit identify 162,46020 162,46021 --facility 162
      credkit identify C4B3A204 --known 77771716

    \b
    --json: one object a group: evidence (bits, less those of chance),
    certain (all read the same), advice, matches (chain, values, evidence,
    notes, reasons).
    """
    door = Console(as_json=as_json, reveal=reveal)
    groups = search(values, facility=facility, known=known, codecs=layouts)
    matches = [match for group in groups for match in group.matches]
    hide = frozenset(match.chain for match in matches if not reveal and exposes_account(values, match, layouts))
    if as_json:
        for group in groups:
            door.record(_to_json(group, hide), safe=None)
        return int(not groups)
    what = f"all {len(values)} values" if len(values) > 1 else redacted_repr(values[0])
    if not groups:
        door.say(f"Nothing fits {what}: no notation, order and layout together read it.")
        if any(map(is_spreadsheet_shortened, values)):
            door.say(f"It looks as if {SHORTENED_ADVICE}.")
        for value in values:
            if ends := describe_ends(value.strip(BLANKS)):
                door.say(f"{redacted_repr(value)} has {ends}: remove it.")
        _suggest_relate(door, values, bool(hide))
        door.say("A folder of what its readers captured, beside the register, may show more:")
        door.say("  credkit discover site FOLDER", indent="  ")
        return 1
    if hide:
        door.say("Some readings look like payment account numbers and are hidden (--reveal shows them).")
    if known and not any(match.known for match in matches):
        door.say("None of the known numbers is among what was read, in whole or in the part that it gives.")
        _say_known_digits(door, values, known)
    founded = [group for group in groups if _has_evidence(group)]
    if founded:
        is_one = len(founded) == 1 and founded[0].is_certain
        door.say(f"Likeliest {'reading' if is_one else 'readings'} of {what}:")
    else:
        door.say(f"No reading of {what} has evidence; the most usual ones:")
    shown = groups if everything else (founded or groups)[: MOST_GROUPS if founded else 1]
    rest = sum(_show(door, group, everything, hide) for group in shown)
    door.say()
    if rest := rest + sum(len(group.matches) for group in groups[len(shown) :]):
        less = "with less evidence, or none" if len(founded) > len(shown) else "without evidence"
        door.say(f"{format_count(rest, 'more reading')} {less}: --all")
    if founded:
        door.say(EVIDENCE_SCALE)
    _suggest_relate(door, values, bool(hide))
    door.say(f"A fit is no proof. {COPIES}")
    return 0


def _say_known_digits(door: Console, values: Sequence[str], known: Sequence[int]) -> None:
    """Where the binary digits of a known number stand in a value, and how its format is found."""
    found = find_known_digits(values, known)
    if found:
        door.say(
            f"But the binary digits of {redacted_repr(found.number)} stand in {redacted_repr(found.text)} at "
            f"{found.describe_places()}, counted from 0; by chance they stand somewhere in at most 1 of "
            f"{found.one_in:,} random frames of {found.length} bits. To find the format, write this card and others "
            "into a CSV file, with the columns frame and number:"
        )
        door.say("  credkit discover layout FRAMES.csv", indent="  ")
        door.say()


def _suggest_relate(door: Console, values: Sequence[str], hide: bool) -> None:
    """Point to `relate` where two values look like texts of one card, from two readers."""
    if len(values) == 2 and values[0] != values[1]:
        found = relate(*values)
        if found and found[0].evidence >= ONE_CARD_EVIDENCE:
            texts = "with both" if hide else join([*["--"] * values[0].startswith("-"), *values])
            door.say(f"These look like one card at two readers ({format_bits(found[0].evidence)} of evidence):")
            door.say(f"  credkit relate {texts}", indent="  ")
            door.say()


def _has_evidence(group: MatchGroup) -> bool:
    """Whether a group has evidence beyond chance that a screen would not round to none."""
    return round(group.evidence) > 0


def _show(door: Console, group: MatchGroup, everything: bool, hide: Collection[str]) -> int:
    """One group: its readings, their evidence, and what would decide. Returns how many it leaves uncounted."""
    matches = group.matches if everything else _distinct_values(group.matches)[:MOST_MATCHES]
    door.say()
    for match in matches:
        door.say(f"  {match.chain}", indent="    ")
        door.say(f"    {_format_values(match, match.chain in hide)}", indent="      ", safe=True)
    left_out = len(group.matches) - len(matches)
    if left_out and _has_evidence(group):
        same = "the same result" if group.is_certain else "equal evidence"
        door.say(f"    {format_count(left_out, 'more chain')} with {same}: --all")
        left_out = 0
    amount = format_bits(group.evidence) if _has_evidence(group) else "none beyond chance"
    tied = "" if group.is_certain else f"; {'both' if len(group.matches) == 2 else 'all'} fit equally well"
    door.say(f"  - evidence: {amount}{tied}", indent="    ")
    for reason in () if group.best.chain in hide else group.best.reasons:
        door.say(f"  - {reason}", indent="    ")
    less = group.best.evidence - group.evidence
    if group.evidence and less >= 1 and group.best.chain not in hide:
        door.say(f"  - less {format_bits(less)} for unusual steps, and for chance among many chains", indent="    ")
    if group.advice:
        door.say(f"  To decide: {'; '.join(group.advice)}.", indent="    ")
    return left_out


def _distinct_values(matches: Sequence[Match]) -> list[Match]:
    """The first match for each value that ``matches`` decode to, whatever its fields are called."""
    first: dict[tuple[tuple[Any, ...], ...], Match] = {}
    for match in matches:
        first.setdefault(tuple(tuple(each.values()) for each in match.values), match)
    return list(first.values())


def _format_values(match: Match, hide: bool) -> str:
    """What a chain reads, value by value; of many the first ones."""
    shown = [_redact_value(value, hide) for value in match.values[:3]]
    texts = [" ".join(f"{name}={item}" for name, item in value.items()) for value in shown]
    return "; ".join(texts) + ("; …" if len(match.values) > 3 else "")


def _redact_value(value: Mapping[str, Any], hide: bool) -> dict[str, Any]:
    """What a chain reads in one value; nothing of it in clear if it is to ``hide``."""
    return {name: _STAR.sub("*", str(item)) if hide else item for name, item in value.items()}


def _to_json(group: MatchGroup, hide: Collection[str]) -> dict[str, Any]:
    clear_ones = [match.chain not in hide for match in group.matches]
    return {
        "evidence": group.evidence, "certain": group.is_certain, "advice": group.advice,
        "matches": [
            {
                "chain": match.chain, "evidence": match.evidence,
                "values": [_redact_value(value, not clear) for value in match.values],
                "notes": [{"kind": n.kind, "level": n.level, "text": n.text} for n in match.notes if clear],
                "reasons": match.reasons if clear else (),
            }
            for match, clear in zip(group.matches, clear_ones, strict=True)
        ],
    }  # fmt: skip
