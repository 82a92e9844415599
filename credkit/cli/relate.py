"""``credkit relate``: how two readers' texts of one card are connected."""

from __future__ import annotations

from shlex import join

import click

from credkit.cli import options
from credkit.cli.discover.candidates import format_share, show_candidates, to_record
from credkit.cli.output import Console
from credkit.core.sentences import format_count, redacted_repr
from credkit.discover.relation import is_readable, weak_relation
from credkit.discover.relation import relate as search
from credkit.explain.cautions import COPIES
from credkit.explain.diagnosis import SHORTENED_ADVICE, is_spreadsheet_shortened

NO_CONNECTION_REASON = "too few bits stand in both, in all forms that are tried"
MORE_PAIRS_NOTE = (
    "They may be of two cards, or of one card. More pairs of texts, each pair of one card, decide. Write them into a "
    "file:"
)
CHANCE_NOTE = (
    "Two different cards show n bits of evidence at most once in 2 ** n pairs, and constants may be others on the next "
    "card. Before you rely on it, write more cards into a file:"
)


@click.command()
@click.argument("first")
@click.argument("second")
@click.option("--all", "everything", is_flag=True, help="Show every candidate, and every way to write it.")
@options.with_output_options
def relate(first: str, second: str, everything: bool, as_json: bool, reveal: bool) -> int:
    """List the chains that turn one of two texts of one card, FIRST and SECOND, into the other.

    This is credkit discover chain with one pair, in both directions. Two different cards show n bits
    of evidence at most once in 2 ** n pairs: zeros that fill a number up do not count, and what chance
    does in so many chains is taken off.

    \b
    One card at two readers of Brackwater Terminal:
      credkit relate 04112233445566 0860116326
      credkit relate 04A2B3C4 162,46020

    \b
    --json: one object a candidate: backward (from SECOND to FIRST), source,
    target (for credkit convert), chains (all ways to write them), evidence
    (bits beyond chance), agreement, cost, share.
    """
    door = Console(as_json=as_json, reveal=reveal)
    found = search(first, second)
    texts = [redacted_repr(text) for text in (first, second)]
    if as_json:
        for each in found:
            door.record({"backward": each.is_backward, **to_record(each)})
        return int(not found)
    if not found:
        strange = [text for text, given in zip(texts, (first, second), strict=True) if not is_readable(given)]
        verb = "have no known form" if len(strange) > 1 else "has no known form"
        why = f"{' and '.join(strange)} {verb}" if strange else NO_CONNECTION_REASON
        weak = None if strange else weak_relation(first, second)
        if weak:
            way = ", from the second to the first" if weak.is_backward else ""
            door.say(
                f"{' and '.join(texts)} have too little in common for a connection: {weak.agreement:.0f} bits agree by "
                f"{weak.source} to {weak.target}{way}, and two different cards may show that in up to 1 of "
                f"{2**weak.evidence:.0f} pairs. Write these and two more cards into a file:"
            )
            door.say("  credkit discover chain PAIRS.csv", indent="  ")
            return 1
        door.say(f"Nothing connects {' and '.join(texts)}{'' if strange else ' beyond chance'}: {why}.")
        if not strange:
            door.say(MORE_PAIRS_NOTE)
            door.say("  credkit discover chain PAIRS.csv", indent="  ")
        if is_spreadsheet_shortened(first) or is_spreadsheet_shortened(second):
            door.say(f"It looks as if {SHORTENED_ADVICE}.")
        return 1
    best = found[0]
    sure = f"; the first has {format_share(best.share)}, if one of them is right" if len(found) > 1 else ""
    door.say(f"{format_count(len(found), 'chain')} may connect {' and '.join(texts)}{sure}.")
    show_candidates(door, found, everything=everything)
    door.say()
    door.say("Next:")
    door.say("- " + join(["credkit", "convert", "--from", best.source, "--to", best.target, "TEXT"]), indent="  ")
    door.say()
    door.say(CHANCE_NOTE)
    door.say("  credkit discover chain PAIRS.csv", indent="  ")
    door.say()
    door.say(COPIES)
    return 0
