"""``credkit discover chain``: what turns one reader's texts into another's, from pairs."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from shlex import join
from typing import Any

import click

from credkit.cli import options
from credkit.cli.discover.candidates import MOST_SHOWN, format_evidence, show_candidates, to_record
from credkit.cli.discover.pairfile import PairFile, read_pair_file
from credkit.cli.output import Console
from credkit.core.sentences import format_count
from credkit.discover import chain as search
from credkit.discover.chainvalues import ChainDiscovery
from credkit.explain.cautions import COPIES
from credkit.explain.diagnosis import SHORTENED_ADVICE, is_spreadsheet_shortened

MOST_MISTYPED = 10
SURE_SHARE = 0.995
FEW_PAIRS = 3


@click.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path), metavar="PAIRS.csv")
@click.option("--columns", metavar="A,B", help="The two columns, by name or by number. Default: the file has two.")
@click.option("--all", "everything", is_flag=True, help="Show every candidate, and every way to write it.")
@click.option(
    "--seconds",
    type=click.FloatRange(0),
    metavar="S",
    help="Stop searching after S seconds, with what is found by then.",
)
@options.with_output_options
def chain(file: Path, columns: str | None, everything: bool, seconds: float | None, as_json: bool, reveal: bool) -> int:
    """Find the chains that turn the texts of one column into those of the other.

    Each row of PAIRS.csv is one card: what one reader made of it, and what the other made of it, the
    print on the card or the back end has. Three cards far apart usually decide; one gives many
    candidates. Candidates differ in what they answer for other cards: the card that would tell them
    apart is named. Pairs of unrelated texts show n bits of evidence at most once in 2 ** n times.
    One pair in twenty may be mistyped, and is pointed out. --columns reads two columns of an export as
    it is: lines of a title above the header are skipped, and rows without one of the texts left out.

    \b
    What the gate of Brackwater Terminal types, and the numbers in its back end:
      credkit discover chain pairs.csv
      credkit discover chain export.csv --columns gate,card_no

    \b
    --json: one object: pairs, complete, candidates (source, target, chains,
    evidence, agreement, cost, share), mistyped (line, first, second,
    expected), next_card (text, answers, information), left_out (lines that lack
    one of the texts).
    """  # fmt: skip
    door = Console(as_json=as_json, reveal=reveal)
    wanted = _two_columns(columns)
    read = read_pair_file(file, wanted)
    with door.progress() as progress:
        found = search(read.pairs, seconds=seconds, progress=progress)
    if as_json:
        door.record(_record(found, read))
    elif found.candidates:
        _show(door, found, read, everything=everything)
    else:
        _show_nothing(
            door, found, read, file, backward=search([(other, one) for one, other in read.pairs], seconds=seconds)
        )
    return int(not found.candidates)


def _two_columns(columns: str | None) -> tuple[str, str] | None:
    if columns is None:
        return None
    names = [name.strip() for name in columns.split(",")]
    if len(names) != 2 or not all(names):
        raise click.UsageError("--columns needs two columns, such as --columns gate,card_no")
    return names[0], names[1]


def _show(door: Console, found: ChainDiscovery, read: PairFile, *, everything: bool) -> None:
    """The verdict, the candidates, mistyped pairs, and the card to present next."""
    first, count = found.candidates[0], len(found.candidates)
    fitting = format_count(found.pairs - len({(pair.first, pair.second) for pair in found.mistyped}), "pair")
    if count == 1:
        door.say(f"One behaviour fits {fitting}, with {format_evidence(first)} of evidence beyond chance.")
    else:
        sure = "the first is by far the likeliest" if first.share > SURE_SHARE else (
            f"none is certain; the first has {first.share:.0%}, if one of them is right"
        )  # fmt: skip
        door.say(f"{count} behaviours fit {fitting}: {sure}.")
    show_candidates(door, found.candidates, everything=everything)
    if found.mistyped:
        door.say()
        door.say("Pairs that do not fit, left out of all of the above (mistyped, or of two cards):")
        for pair in found.mistyped[:MOST_MISTYPED]:
            expected = f", but {pair.expected} was expected" if pair.expected is not None else " cannot be read so"
            door.say(f"- line {read.lines[pair.place]}: {pair.first} with {pair.second}{expected}", indent="  ")
        if len(found.mistyped) > MOST_MISTYPED:
            door.say(f"- and {len(found.mistyped) - MOST_MISTYPED} more")
    _show_left_out(door, read)
    door.say()
    door.say("Next:")
    _show_next_card(door, found)
    door.say("- " + join(["credkit", "convert", "--from", first.source, "--to", first.target, "TEXT"]), indent="  ")
    door.say()
    door.say(COPIES)


def _show_left_out(door: Console, read: PairFile) -> None:
    """The rows of an export that have no pair."""
    if not read.left_out:
        return
    shown = ", ".join(map(str, read.left_out[:MOST_MISTYPED]))
    more = f" and {len(read.left_out) - MOST_MISTYPED} more" if len(read.left_out) > MOST_MISTYPED else ""
    noun = "line" if len(read.left_out) == 1 else "lines"
    door.say()
    door.say(f"Left out: {format_count(len(read.left_out), 'row')} without one of the two texts ({noun} {shown}{more})")


def _show_next_card(door: Console, found: ChainDiscovery) -> None:
    """Which card to present: the one that tells the candidates apart."""
    card = found.next_card
    if card is None:
        if found.pairs < FEW_PAIRS:
            door.say(
                "- present another card, far from these: a chain that fits few cards may fit by chance", indent="  "
            )
        return
    groups: dict[str, list[int]] = {}
    for number, answer in enumerate(card.answers[:MOST_SHOWN], 1):
        groups.setdefault(answer if answer is not None else "nothing", []).append(number)
    answers = "; ".join(f"{', '.join(map(str, numbers))} would give {answer}" for answer, numbers in groups.items())
    door.say(f"- to tell the candidates apart, present a card like {card.text}: {answers}", indent="  ")


def _show_nothing(
    door: Console, found: ChainDiscovery, read: PairFile, file: Path, *, backward: ChainDiscovery
) -> None:
    """What may be the reason that nothing was found; ``backward`` is what there is in the other direction."""
    if backward.candidates:
        first, second = read.names
        door.say(
            f"Nothing turns {first} into {second}, but {second} turns into {first}: it has bits that {first} lacks."
        )
        door.say(join(["credkit", "discover", "chain", str(file), "--columns", ",".join(read.columns[::-1])]))
        _show_left_out(door, read)
        return
    door.say(f"Nothing connects the texts of {format_count(found.pairs, 'pair')}: what agrees is no more than chance.")
    if not found.is_complete:
        door.say("The search ended before it had tried everything (--seconds).")
    if any(is_spreadsheet_shortened(text) for pair in read.pairs for text in pair):
        door.say(f"It looks as if {SHORTENED_ADVICE}.")
    door.say("Check that both texts of a row are of one card; then present more cards, as unlike each other as can be.")
    _show_left_out(door, read)


def _record(found: ChainDiscovery, read: PairFile) -> dict[str, Any]:
    """The result for ``--json``."""
    return {
        "pairs": found.pairs, "complete": found.is_complete,
        "candidates": [to_record(each) for each in found.candidates],
        "mistyped": [
            {"line": read.lines[pair.place], "first": pair.first, "second": pair.second, "expected": pair.expected}
            for pair in found.mistyped
        ],
        "next_card": asdict(found.next_card) if found.next_card else None, "left_out": list(read.left_out),
    }  # fmt: skip
