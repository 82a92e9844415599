"""``credkit relate``: how two readers' texts of one card are connected."""

from __future__ import annotations

from dataclasses import asdict

import click

from credkit.cli import options
from credkit.cli.output import Console
from credkit.core.sentences import redacted_repr
from credkit.explain.cautions import COPIES
from credkit.explain.diagnosis import SHORTENED_ADVICE, is_spreadsheet_shortened
from credkit.explain.relation import is_readable
from credkit.explain.relation import relate as search

NO_CONNECTION_REASON = (
    "they are of two cards, or too few bits stand in both (frames with parity are for credkit identify)"
)
CHANCE_NOTE = (
    "Two different cards show n bits of evidence once in 2 ** n pairs: relate a second card before you rely on it."
)
MOST_SHOWN_CONNECTIONS = 5  # connections on a screen, unless --all is given


@click.command()
@click.argument("first")
@click.argument("second")
@click.option("--all", "everything", is_flag=True, help="Show every connection.")
@options.with_output_options
def relate(first: str, second: str, everything: bool, as_json: bool, reveal: bool) -> int:
    """List the chains that connect two texts of one card, FIRST and SECOND, from two readers.

    Both are read as a serial number in every way that practice prints one. Two different cards show
    n bits of evidence at most once in 2 ** n pairs: zeros that fill a number up do not count, and
    what chance does in so many comparisons is taken off. Where the first text has all that the
    second needs, the conversion is shown.

    \b
    One card at two readers of Brackwater Terminal:
      credkit relate 04112233445566 0860116326
      credkit relate 04A2B3C4 162,46020

    \b
    --json: one object a connection: first, second (chains to bits), bits
    (in common), evidence (bits that chance does not explain), size (of the
    serial), words, source and target (for credkit convert).
    """
    door = Console(as_json=as_json, reveal=reveal)
    found = search(first, second)
    texts = [redacted_repr(text) for text in (first, second)]
    if as_json:
        for each in found:
            door.record(asdict(each))
        return int(not found)
    if not found:
        strange = [text for text, given in zip(texts, (first, second), strict=True) if not is_readable(given)]
        verb = "are no known forms" if len(strange) > 1 else "is no known form"
        why = f"{' and '.join(strange)} {verb} of a serial number" if strange else NO_CONNECTION_REASON
        door.say(f"Nothing connects {' and '.join(texts)}: {why}.")
        if is_spreadsheet_shortened(first) or is_spreadsheet_shortened(second):
            door.say(f"It looks as if {SHORTENED_ADVICE}.")
        return 1
    for number, each in enumerate(found if everything else found[:MOST_SHOWN_CONNECTIONS], 1):
        door.say(
            f"{number}. {round(each.evidence)} bits of evidence: {each.bits} bits of a serial of {each.size} agree"
        )
        for text, chain, words in zip(texts, (each.first, each.second), each.words, strict=True):
            door.say(f"   {text}: {words} ({chain})", indent="     ")
        if each.source:
            door.say(f"   credkit convert --from {each.source} --to {each.target}", indent="     ")
        door.say()
    if not everything and len(found) > MOST_SHOWN_CONNECTIONS:
        door.say(f"{len(found) - MOST_SHOWN_CONNECTIONS} more are less usual (--all).")
        door.say()
    door.say(f"{CHANCE_NOTE} {COPIES}")
    return 0
